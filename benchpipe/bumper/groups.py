"""Loops of runs → one loop a setting and rate: the largest amplitude, repeats inside their specimen."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import nan

from benchpipe.bumper.model import SettingLoop, mean_of
from benchpipe.kernels.friction import LIKE, distinct


@dataclass(frozen=True)
class LoopGroups:
    """Mean loops of each rate [deg/s], by setting, and what was left out of them."""

    by_rate: dict[float, list[SettingLoop]]
    remarks: tuple[str, ...]

    @property
    def most(self) -> int:
        """Settings of the rate that has most of them."""
        return max((len(some) for some in self.by_rate.values()), default=0)


def grouped(loops: Sequence[SettingLoop]) -> LoopGroups:
    """Group loops.

    A loop whose load range and motion range are both smaller than those of another of its setting by more than 10 %
    is of a smaller amplitude: it shows loss, and is neither a repeat nor another rate of the same loop.
    """
    by_rate: dict[float, list[SettingLoop]] = {}
    remarks: list[str] = []
    whole: list[SettingLoop] = []
    for setting in sorted({loop.setting for loop in loops}):
        own = [loop for loop in loops if loop.setting == setting]
        top = max(own, key=lambda loop: _span(loop) * loop.branches.load_range)
        largest = [loop for loop in own if not _smaller(loop, top)]
        whole += largest
        if len(largest) < len(own):
            few = len(own) - len(largest)
            remarks.append(f"setting {setting:g}: {few} loop(s) of smaller amplitude are used for loss alone")
    for rate in distinct([loop.rate_deg_s for loop in whole]):
        near = [loop for loop in whole if rate <= loop.rate_deg_s <= (1.0 + LIKE) * rate]
        settings: dict[float, list[SettingLoop]] = defaultdict(list)
        for loop in near:
            settings[loop.setting].append(loop)
        by_rate[rate] = [mean_of(list(_specimens(settings[setting]))) for setting in sorted(settings)]
        remarks += _amplitudes(rate, by_rate[rate])
    return LoopGroups(by_rate, tuple(remarks))


def _span(loop: SettingLoop) -> float:
    return loop.branches.high - loop.branches.low


def _smaller(one: SettingLoop, other: SettingLoop) -> bool:
    """Whether a loop is of a smaller amplitude: a stiffer bumper moves less at the same load, and is not."""
    return (
        _span(one) * (1.0 + LIKE) < _span(other)
        and one.branches.load_range * (1.0 + LIKE) < other.branches.load_range
    )  # fmt: skip


def _specimens(loops: Sequence[SettingLoop]) -> Iterable[SettingLoop]:
    """One loop a specimen: several runs of one are repeats, and no scatter of specimens."""
    own: dict[tuple[str, ...], list[SettingLoop]] = defaultdict(list)
    for loop in loops:
        own[loop.specimens].append(loop)
    for names, some in own.items():
        yield replace(mean_of(some), specimens=names, scatter_u=nan)


def _amplitudes(rate: float, means: Sequence[SettingLoop]) -> Iterable[str]:
    """Settings measured at different amplitudes: what lies between them is of neither."""
    small = [
        f"{one.setting:g}" for one in means if any(_smaller(one, other) for other in means if other is not one)
    ]
    if small:
        yield (
            f"loops at different amplitudes at {rate:.3g} deg/s: setting {', '.join(small)} less far in load and in "
            "motion than another; between them stiffness is of neither"
        )
