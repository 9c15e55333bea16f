"""A bumper model: loops of measured settings, errors, laws and losses, with provenance, as a versioned JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from math import inf, isfinite, nan
from pathlib import Path
from typing import Any

import numpy as np

from benchpipe import __version__
from benchpipe.bumper.settings import Errors, SettingCheck
from benchpipe.errors import ConfigError
from benchpipe.kernels.friction import LIKE, LossLaw, distinct
from benchpipe.kernels.loop_branches import Branches

DOCUMENT = "benchpipe bumper model"
VERSION = 2  # 2: arms, heights, hardness of each setting, priors, states of the runs, remarks
DIGITS = 7


@dataclass(frozen=True)
class SettingLoop:
    """The loop of a setting at one rate: mean of its specimens.

    Attributes
    ----------
    setting : float
    label : str
    rate_deg_s : float
        2 · motion range / period.
    temperature_c : float
        Mean of the cycles; NaN where it was not logged.
    specimens : tuple of str
    scatter_u : float
        Standard deviation of the specimens' log secants; NaN with one specimen.
    branches : Branches
        deg, N·m.
    """

    setting: float
    label: str
    rate_deg_s: float
    temperature_c: float
    specimens: tuple[str, ...]
    scatter_u: float
    branches: Branches


@dataclass(frozen=True)
class SettingFit:
    """Parameters of a law at a setting; ``u`` NaN: not identified; ``priors``: those that a prior entered for."""

    setting: float
    rate_deg_s: float
    names: tuple[str, ...]
    value: tuple[float, ...]
    u: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    dof: float
    rms: float
    not_identified: tuple[str, ...]
    priors: tuple[str, ...] = ()


@dataclass(frozen=True)
class LawModel:
    """A law fitted to each setting alone, and its errors with settings left out."""

    law: str
    loss: str
    errors: Errors
    fits: tuple[SettingFit, ...]


@dataclass(frozen=True)
class SettingLoss:
    """Laws of loss at a setting: fitted, or refused with what to measure next."""

    setting: float
    laws: tuple[LossLaw, ...]


@dataclass(frozen=True)
class LoopSource:
    """Where a loop comes from: run, block, cycles, rest before, the key of the step that measured it, its state."""

    run: str
    block: str
    specimen: str
    setting: float
    cycles: tuple[int, ...]
    rest_s: float | None
    key: str
    state: str = "finished"


@dataclass(frozen=True)
class BumperModel:
    """A family of bumpers.

    Attributes
    ----------
    loops : tuple of SettingLoop
        By rate, then setting, both rising.
    errors : Errors
        Of the interpolated branches, over all rates.
    arms, heights : pair of float or None
        Lever arms and free heights [mm]; None: the laws are torsional, a height is a parameter.
    hardness : tuple of (setting, hardness, hardness)
        Shore A as stated of both bumpers: a prior of the block law, where geometry goes with it.
    structural_limit : float or None
        N·m.
    remarks : tuple of str
        What must be said of the loops and of hardness.
    """

    name: str
    note: str
    setting: str
    code: str
    arms: tuple[float, float] | None
    heights: tuple[float, float] | None
    hardness: tuple[tuple[float, float, float], ...]
    structural_limit: float | None
    loops: tuple[SettingLoop, ...]
    errors: Errors
    laws: tuple[LawModel, ...]
    losses: tuple[SettingLoss, ...]
    sources: tuple[LoopSource, ...]
    remarks: tuple[str, ...] = ()

    def rates(self) -> list[float]:
        """Rates [deg/s] apart by more than 10 %, rising."""
        return distinct([loop.rate_deg_s for loop in self.loops])

    def at_rate(self, rate: float) -> list[SettingLoop]:
        """Loops of a rate, one a setting: the slowest where several are as near."""
        near = {
            loop.setting: loop for loop in reversed(self.loops)
            if rate <= loop.rate_deg_s <= (1.0 + LIKE) * rate
        }  # fmt: skip
        return [near[setting] for setting in sorted(near)]


def model_text(model: BumperModel) -> str:
    """The document of a model."""
    document = {"document": DOCUMENT, "version": VERSION, **asdict(model), "code": __version__}
    return _lines(_plain(document)) + "\n"


def _lines(document: dict[str, Any]) -> str:
    """JSON with a line for each key, and one for each member of its lists: 201 numbers of a curve are one line."""
    rows = []
    for key, value in document.items():
        text = json.dumps(value, ensure_ascii=False)
        if isinstance(value, list) and value:
            members = ",\n  ".join(json.dumps(one, ensure_ascii=False) for one in value)
            text = f"[\n  {members}\n ]"
        rows.append(f" {json.dumps(key)}: {text}")
    return "{\n" + ",\n".join(rows) + "\n}"


def _plain(value: Any) -> Any:
    """What JSON can hold: seven significant digits, NaN as null."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") if isfinite(value) else None
    return value


def load_bumper_model(path: Path) -> BumperModel:
    """Read a model.

    Raises
    ------
    ConfigError
        It is missing, no such document, or of another version.
    """
    again = "fit it again: benchpipe bumper fit FILE --out MODEL"
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(f"the model cannot be read: {error.strerror}", where=path, do_next=again) from None
    except ValueError:
        raise ConfigError("the file is no JSON document", where=path, expected=f"a {DOCUMENT}", do_next=again) from None
    if not isinstance(document, dict) or document.get("document") != DOCUMENT:
        raise ConfigError("the file is another document", where=path, expected=f"a {DOCUMENT}", do_next=again)
    if document.get("version") != VERSION:
        raise ConfigError(
            f"the model is of version {document.get('version')}", where=path, expected=f"version {VERSION}",
            do_next=again,
        )  # fmt: skip
    try:
        return _model(document)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise ConfigError(f"the model is damaged: {error!r}", where=path, do_next=again) from None


def _number(value: Any) -> float:
    return nan if value is None else float(value)


def _errors(document: dict[str, Any]) -> Errors:
    rows = tuple(
        SettingCheck(*(_number(one[n]) for n in ("setting", "rms", "largest", "secant", "area")))
        for one in document["left_out"]
    )
    return Errors(rows, *(_number(document[n]) for n in ("rms", "secant", "area")))


def _loop(one: dict[str, Any]) -> SettingLoop:
    columns = [np.array(one["branches"][n], np.float64) for n in ("motion", "rising", "falling")]
    branches = Branches(*columns)
    rate, warm = (_number(one[n]) for n in ("rate_deg_s", "temperature_c"))
    sizes = {column.shape for column in columns}
    whole = len(sizes) == 1 and columns[0].ndim == 1 and columns[0].size > 1 and np.isfinite(columns).all()
    if not whole or not (np.diff(columns[0]) > 0.0).all() or not 0.0 < rate < inf:
        raise ValueError(f"the loop of setting {one['setting']!r} is no loop")
    return SettingLoop(
        float(one["setting"]), _word(one["label"]), rate, warm, tuple(map(_word, one["specimens"])),
        _number(one["scatter_u"]), branches,
    )  # fmt: skip


def _word(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is no text")
    return value


def _pair(values: Any) -> tuple[float, float] | None:
    if values is None:
        return None
    first, second = map(float, values)
    return first, second


def _fit(one: dict[str, Any]) -> SettingFit:
    return SettingFit(
        float(one["setting"]), _number(one["rate_deg_s"]), tuple(one["names"]), tuple(map(_number, one["value"])),
        tuple(map(_number, one["u"])), tuple(tuple(map(_number, row)) for row in one["covariance"]),
        _number(one["dof"]), _number(one["rms"]), tuple(one["not_identified"]), tuple(one["priors"]),
    )  # fmt: skip


def _loss(one: dict[str, Any]) -> SettingLoss:
    laws = tuple(
        LossLaw(law["name"], tuple((n, _number(v), _number(u)) for n, v, u in law["parameters"]), _number(law["rms"]),
                law["refused"])
        for law in one["laws"]
    )  # fmt: skip
    return SettingLoss(float(one["setting"]), laws)


def _model(d: dict[str, Any]) -> BumperModel:
    loops = tuple(_loop(one) for one in d["loops"])
    if not loops:
        raise ValueError("no loop")
    hardness = tuple((float(setting), float(first), float(second)) for setting, first, second in d["hardness"])
    limit = d["structural_limit"]
    return BumperModel(
        _word(d["name"]), _word(d["note"]), _word(d["setting"]), _word(d["code"]), _pair(d["arms"]),
        _pair(d["heights"]), hardness, None if limit is None else float(limit), loops, _errors(d["errors"]),
        tuple(LawModel(x["law"], x["loss"], _errors(x["errors"]), tuple(map(_fit, x["fits"]))) for x in d["laws"]),
        tuple(map(_loss, d["losses"])),
        tuple(LoopSource(**{**one, "cycles": tuple(one["cycles"])}) for one in d["sources"]),
        tuple(map(_word, d["remarks"])),
    )  # fmt: skip


def mean_of(loops: Sequence[SettingLoop]) -> SettingLoop:
    """The mean of specimens at one setting and rate: over their common motion, branches and ends averaged."""
    if len(loops) == 1:
        return loops[0]
    first = loops[0]
    ends = [float(np.mean([getattr(one.branches, end) for one in loops])) for end in ("low", "high")]
    motion = np.linspace(ends[0], ends[1], first.branches.motion.size)
    share = np.linspace(0.0, 1.0, motion.size)
    rising, falling = (
        np.mean([
            np.interp(share, (one.branches.motion - one.branches.low) / (one.branches.high - one.branches.low),
                      getattr(one.branches, name))
            for one in loops
        ], axis=0)
        for name in ("rising", "falling")
    )  # fmt: skip
    secants = np.log([max(one.branches.secant, 1e-12) for one in loops])
    return replace(
        first, rate_deg_s=float(np.mean([one.rate_deg_s for one in loops])),
        temperature_c=float(np.mean([one.temperature_c for one in loops])),
        specimens=tuple(name for one in loops for name in one.specimens), scatter_u=float(secants.std(ddof=1)),
        branches=Branches(motion, rising, falling),
    )  # fmt: skip
