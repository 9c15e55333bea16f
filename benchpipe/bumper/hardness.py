"""Hardness and geometry beside the loops: the prior of a setting's rubber blocks, and remarks where they disagree."""

from __future__ import annotations

from collections.abc import Iterator
from math import expm1

from benchpipe.bumper.config import BumperConfig
from benchpipe.kernels.bumper_prior import PriorUse, StiffnessPrior, block_prior

SIDES = ("the bumper that rising motion presses", "the other bumper")


def priors_of(config: BumperConfig, setting: float) -> tuple[StiffnessPrior | None, StiffnessPrior | None]:
    """Priors of both bumpers of a setting; None where hardness or geometry is not stated."""
    hardness = config.hardness_of(setting)
    if hardness is None or config.diameters is None or config.heights is None:
        return None, None
    holes = config.holes or (0.0, 0.0)
    first, second = (
        block_prior(hardness[i], config.heights[i], config.diameters[i], holes[i], config.faces) for i in (0, 1)
    )
    return first, second


def stated(config: BumperConfig) -> tuple[tuple[float, float, float], ...]:
    """Setting and hardness of both its bumpers, where stated."""
    known = {one.setting: config.hardness_of(one.setting) for one in config.loop}
    return tuple((setting, *both) for setting, both in sorted(known.items()) if both is not None)


def remark_of(setting: float, use: PriorUse) -> str:
    """What a prior did, or where it disagrees with the loop; empty where it agrees and did nothing."""
    prior, who = use.prior, f"setting {setting:g}, {SIDES[use.side]}"
    spread = f"{100 * expm1(-prior.u):+.0f}/{100 * expm1(prior.u):+.0f} %"
    says = f"{prior.value:.3g} N/mm ({spread})"
    if use.disagrees:
        off = use.measured / prior.value - 1.0
        which = "the loop counts for more, by its uncertainty" if use.entered else "the loop counts"
        return (
            f"{who}: {use.measured:.3g} N/mm at contact by the loop, {says} by hardness and geometry: {100 * off:+.0f} "
            f"%; {which}. Check hardness, diameter, height, faces and lever arm"
        )
    if use.entered and use.measured_u == use.measured_u:
        return f"{who}: the loop shows its stiffness to {100 * use.measured_u:.0f} % only; {says} by hardness enters"
    if use.entered:
        return f"{who}: the loop does not show its stiffness; {says} by hardness and geometry is used, as a prior"
    return ""


def stated_remarks(config: BumperConfig) -> Iterator[str]:
    """A hardness that no geometry goes with says nothing of a stiffness."""
    if config.diameters is None and stated(config):
        yield "hardness without arms, heights and diameters gives no stiffness: recorded, and compared with nothing"
