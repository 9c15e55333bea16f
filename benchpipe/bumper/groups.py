"""Loops of runs → one loop a setting and rate: the largest amplitude, repeats inside their specimen."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import exp, log, nan

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
    groups, of_cycles = _like_rates(whole)
    for near in groups:
        settings: dict[float, list[SettingLoop]] = defaultdict(list)
        for loop in near:
            settings[loop.setting].append(loop)
        means = [mean_of(list(_specimens(settings[setting]))) for setting in sorted(settings)]
        rates = [loop.rate_deg_s for loop in means]
        if of_cycles:
            rate = exp(sum(map(log, rates)) / len(rates))
            means = [replace(loop, rate_deg_s=rate) for loop in means]
            remarks.append(
                f"settings were cycled at one frequency, {_hertz(near[0]):.3g} Hz: their rates of motion, "
                f"{min(rates):.3g} to {max(rates):.3g} deg/s, count as one, {rate:.3g} deg/s"
            )
        by_rate[min(loop.rate_deg_s for loop in means)] = means
        remarks += _amplitudes(means[0].rate_deg_s, means)
    return LoopGroups(by_rate, tuple(remarks))


def _like_rates(loops: Sequence[SettingLoop]) -> tuple[list[list[SettingLoop]], bool]:
    """Loops of like rates of motion; of like frequencies where that makes fewer groups, and whether it does.

    A rig that cycles to a torque at one frequency moves a stiff bumper more slowly than a soft one.
    """
    by_motion, by_cycles = (
        [[x for x, rate in zip(loops, rates, strict=True) if low <= rate <= (1.0 + LIKE) * low]
         for low in distinct(rates)]
        for rates in ([loop.rate_deg_s for loop in loops], [_hertz(loop) for loop in loops])
    )  # fmt: skip
    return (by_cycles, True) if len(by_cycles) < len(by_motion) else (by_motion, False)


def _hertz(loop: SettingLoop) -> float:
    return loop.rate_deg_s / (2.0 * _span(loop))


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
