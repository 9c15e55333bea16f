"""Measured loops → a bumper model: interpolated branches as the reference, laws and losses side by side."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from math import pi

import numpy as np

from benchpipe import __version__
from benchpipe.bumper.config import BumperConfig, BumperFile
from benchpipe.bumper.loops import loop_of_run
from benchpipe.bumper.model import BumperModel, LawModel, LoopSource, SettingFit, SettingLoop, SettingLoss, mean_of
from benchpipe.bumper.settings import Errors, errors_left_out
from benchpipe.config.model import together
from benchpipe.errors import ConfigError
from benchpipe.kernels.bumper_pair import LAWS, PairShape, fit_pair
from benchpipe.kernels.friction import LIKE, LossPoint, distinct, loss_laws

LOSSES = ("friction", "profile")


def fit_bumper_file(file: BumperFile) -> BumperModel:
    """Fit the loops of a bumper file.

    Raises
    ------
    ConfigError
        Loops are not there or not preconditioned: all of them at once.
    """
    problems: list[ConfigError] = []
    found: list[tuple[SettingLoop, LoopSource]] = []
    for at in range(len(file.config.loop)):
        try:
            found.append(loop_of_run(file, at))
        except ConfigError as error:
            problems.append(error)
    if problems:
        raise together(problems)
    return fit_loops(file.config, [loop for loop, _ in found], [source for _, source in found])


def fit_loops(config: BumperConfig, loops: Sequence[SettingLoop], sources: Iterable[LoopSource] = ()) -> BumperModel:
    """Fit loops, of which several specimens may share a setting: arithmetic alone.

    Raises
    ------
    ValueError
        No rate has two settings.
    """
    rates = distinct([loop.rate_deg_s for loop in loops])
    by_rate: dict[float, list[SettingLoop]] = {}
    for rate in rates:
        settings: dict[float, list[SettingLoop]] = defaultdict(list)
        for loop in loops:
            if rate <= loop.rate_deg_s <= (1.0 + LIKE) * rate:
                settings[loop.setting].append(loop)
        by_rate[rate] = [mean_of(settings[s]) for s in sorted(settings)]
    if max(len(some) for some in by_rate.values()) < 2:
        raise ValueError("no rate was measured at two settings")
    errors = _joined(
        [errors_left_out([x.setting for x in s], [x.branches for x in s]) for s in by_rate.values() if len(s) >= 3]
    )
    means = tuple(loop for some in by_rate.values() for loop in some)
    limit = config.structural_limit
    return BumperModel(
        config.name, config.note, config.setting, __version__, config.hardness,
        limit.value if limit is not None else None, means, errors,
        tuple(_law(config, by_rate, law, loss) for law in LAWS for loss in LOSSES), tuple(_losses(loops)),
        tuple(sources),
    )  # fmt: skip


def _joined(parts: Sequence[Errors]) -> Errors:
    rows = tuple(row for part in parts for row in part.left_out)
    medians = [
        float(np.median([abs(getattr(r, n)) for r in rows])) if rows else float("nan")
        for n in ("rms", "secant", "area")
    ]
    return Errors(rows, *medians)


def _law(config: BumperConfig, by_rate: dict[float, list[SettingLoop]], law: str, loss: str) -> LawModel:
    """A law fitted to each loop alone, and its errors where a setting is left out."""
    shape = PairShape(law, loss, arms=config.arms, heights=config.heights)  # type: ignore[arg-type]
    fits, parts = [], []
    for some in by_rate.values():
        found = [fit_pair(loop.branches, shape) for loop in some]
        model = [
            fit.loop(loop.branches.low, loop.branches.high, loop.branches.motion.size)
            for fit, loop in zip(found, some, strict=True)
        ]
        if len(some) >= 3:
            parts.append(errors_left_out([x.setting for x in some], [x.branches for x in some], model))
        fits += [
            SettingFit(
                loop.setting, loop.rate_deg_s, fit.names, tuple(fit.value.tolist()), tuple(fit.u.tolist()),
                tuple(tuple(row) for row in fit.covariance.tolist()), fit.dof, fit.rms, fit.not_identified,
            )
            for fit, loop in zip(found, some, strict=True)
        ]  # fmt: skip
    return LawModel(law, loss, _joined(parts), tuple(fits))


def _losses(loops: Sequence[SettingLoop]) -> Iterable[SettingLoss]:
    """What the loops of each setting, at their rates and amplitudes, say of its loss."""
    for setting in sorted({loop.setting for loop in loops}):
        points = []
        for loop in loops:
            if loop.setting == setting:
                span = loop.branches.high - loop.branches.low
                cycle_s = 2.0 * span / loop.rate_deg_s if loop.rate_deg_s > 0.0 else float("inf")
                points.append(LossPoint(0.5 * span, 2.0 * pi / cycle_s, loop.branches.secant, loop.branches.area))
        yield SettingLoss(setting, loss_laws(points))
