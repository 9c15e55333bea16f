"""Measured loops → a bumper model: interpolated branches as the reference, laws and losses side by side."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import pi

import numpy as np

from benchpipe import __version__
from benchpipe.bumper.config import BumperConfig, BumperFile
from benchpipe.bumper.groups import grouped
from benchpipe.bumper.hardness import priors_of, remark_of, stated, stated_remarks
from benchpipe.bumper.loops import loop_of_run
from benchpipe.bumper.model import BumperModel, LawModel, LoopSource, SettingFit, SettingLoop, SettingLoss
from benchpipe.bumper.settings import Errors, errors_left_out
from benchpipe.config.model import together
from benchpipe.errors import ConfigError
from benchpipe.kernels.bumper_pair import LAWS, PairFit, PairShape, fit_pair
from benchpipe.kernels.bumper_prior import fit_pair_with_priors
from benchpipe.kernels.friction import LossPoint, loss_laws

LOSSES = ("friction", "profile")
NO_TWO = "no rate was measured at two settings"


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
    loops, sources = [loop for loop, _ in found], [source for _, source in found]
    if grouped(loops).most < 2:
        raise ConfigError(
            NO_TWO, where=file.file.path, expected="two settings at rates within 10 % of each other",
            got=", ".join(f"setting {loop.setting:g} at {loop.rate_deg_s:.3g} deg/s" for loop in loops[:8]),
            do_next="measure two settings at one rate",
        )  # fmt: skip
    return fit_loops(file.config, loops, sources)


def fit_loops(config: BumperConfig, loops: Sequence[SettingLoop], sources: Iterable[LoopSource] = ()) -> BumperModel:
    """Fit loops, of which several specimens may share a setting: arithmetic alone.

    Raises
    ------
    ValueError
        No rate has two settings.
    """
    groups, named = grouped(loops), tuple(sources)
    by_rate = groups.by_rate
    if groups.most < 2:
        raise ValueError(NO_TWO)
    errors = _joined(
        [errors_left_out([x.setting for x in s], [x.branches for x in s]) for s in by_rate.values() if len(s) >= 3]
    )
    means = tuple(loop for some in by_rate.values() for loop in some)
    limit, of_priors = config.structural_limit, list[str]()
    laws = tuple(_law(config, by_rate, law, loss, of_priors) for law in LAWS for loss in LOSSES)
    remarks = (*_states(named), *groups.remarks, *stated_remarks(config), *of_priors)
    return BumperModel(
        config.name, config.note, config.setting, __version__, config.arms, config.heights, stated(config),
        limit.value if limit is not None else None, means, errors, laws, tuple(_losses(loops)), named,
        tuple(dict.fromkeys(remarks)),
    )  # fmt: skip


def _states(sources: Iterable[LoopSource]) -> Iterable[str]:
    """Runs that are not finished, or fail: they count, since the bumper file names them, and are marked."""
    for state in dict.fromkeys(one.state for one in sources if one.state != "finished"):
        runs = dict.fromkeys(one.run for one in sources if one.state == state)
        yield f"{state}, in by name: {', '.join(runs)}"


def _joined(parts: Sequence[Errors]) -> Errors:
    rows = tuple(row for part in parts for row in part.left_out)
    medians = [
        float(np.median([abs(getattr(r, n)) for r in rows])) if rows else float("nan")
        for n in ("rms", "secant", "area")
    ]
    return Errors(rows, *medians)


def _law(
    config: BumperConfig, by_rate: dict[float, list[SettingLoop]], law: str, loss: str, remarks: list[str]
) -> LawModel:
    """A law fitted to each loop alone, and its errors where a setting is left out."""
    shape = PairShape(law, loss, arms=config.arms, heights=config.heights)  # type: ignore[arg-type]
    fits, parts = [], []
    for some in by_rate.values():
        found = [_fitted(config, loop, shape, remarks) for loop in some]
        model = [
            fit.loop(loop.branches.low, loop.branches.high, loop.branches.motion.size)
            for (fit, _), loop in zip(found, some, strict=True)
        ]
        if len(some) >= 3:
            parts.append(errors_left_out([x.setting for x in some], [x.branches for x in some], model))
        fits += [
            SettingFit(
                loop.setting, loop.rate_deg_s, fit.names, tuple(fit.value.tolist()), tuple(fit.u.tolist()),
                tuple(tuple(row) for row in fit.covariance.tolist()), fit.dof, fit.rms, fit.not_identified, priors,
            )
            for (fit, priors), loop in zip(found, some, strict=True)
        ]  # fmt: skip
    return LawModel(law, loss, _joined(parts), tuple(fits))


def _fitted(
    config: BumperConfig, loop: SettingLoop, shape: PairShape, remarks: list[str]
) -> tuple[PairFit, tuple[str, ...]]:
    """A law fitted to a loop, and the parameters that a prior entered for: stiffness of the block law alone."""
    priors = priors_of(config, loop.setting)
    if shape.law != "block" or not any(priors):
        return fit_pair(loop.branches, shape), ()
    fit, used = fit_pair_with_priors(loop.branches, shape, priors)
    if shape.loss == "friction":
        remarks += [words for one in used if (words := remark_of(loop.setting, one))]
    return fit, tuple(one.name for one in used if one.entered)


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
