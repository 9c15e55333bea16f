"""The plan's section of rolls."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from benchpipe.blocks.base import Misfit
from benchpipe.config.block import BlockConfig
from benchpipe.config.model import (
    AtKeyError,
    ConfigModel,
    Degrees,
    Many,
    Millimetres,
    Newtons,
    Pair,
    Ratio,
    Seconds,
)
from benchpipe.config.rig import RigConfig
from benchpipe.units import a_quantity

RollWindow = Literal["tilt", "force", "opposite-contact"]
FULL_STANCE = 0.05, 0.81
"""Part of stance to the opposite foot's contact in free walking (computed from M. H. Schwartz et al., J. Biomech. 41
(2008) 1639, table of events; the first twentieth is left out, where the force is small)."""


class RockerPerson(ConfigModel):
    """The person the foot is for: what makes lengths and stiffness comparable. Nothing of it changes a figure.

    ``body_weight`` is m g; ``centre_of_mass`` its height above the ankle, ``legs`` on how many legs it is.
    """

    stature: Millimetres | None = Field(default=None, gt=0)
    leg_length: Millimetres | None = Field(default=None, gt=0)
    body_weight: Newtons | None = Field(default=None, gt=0)
    centre_of_mass: Millimetres | None = Field(default=None, gt=0)
    legs: Literal[1, 2] = 2
    published: Literal["adults", "children"] | None = None

    @model_validator(mode="after")
    def _of_stature(self) -> Self:
        if self.published is not None and self.stature is None:
            raise ValueError("published values are parts of stature: give stature too")
        return self


Channels = Annotated[Many[Pair[str]], Field(max_length=4)]


class RollBlock(BlockConfig):
    """Slow passes from heel to toe and back, under load.

    ``cop`` [and ``cop_height``] is the channel of the centre of pressure, forward [and up]. The shank's tilt is
    a channel (``tilt``, above zero leaning forward) or follows from ``shank``, points up its axis. ``ankle``: channels
    (forward, up) of one point or several, whose middle is taken; or ``ankle_at``, where the jig holds it.
    ``plate_travel``: how far the plate has moved forward; ``cop_on_plate``, whether ``cop`` is read on the plate.
    """

    kind: Literal["roll"]
    axes: Literal["foot", "ankle-foot", "knee-ankle-foot"]
    cop: str
    cop_height: str | None = None
    force: str
    tilt: str | None = None
    shank: Channels = ()
    ankle: Channels = ()
    ankle_at: Pair[Millimetres] | None = None
    forward: Literal[1, -1] = 1
    plate_travel: str | None = None
    cop_on_plate: bool = True
    plate: str | None = None
    opposite_force: str | None = None
    contact_force: Newtons = Field(default=20.0, gt=0)
    window: RollWindow
    tilt_between: Pair[Degrees] | None = None
    stance_between: Pair[Ratio] | None = None
    force_from: Ratio = Field(default=0.1, ge=0.0, lt=1.0)
    direction: Literal["forward", "back"] = "forward"
    longest: Seconds = Field(default=120.0, gt=0)
    planned_passes: int = Field(default=3, ge=1)
    foot_length: Millimetres | None = Field(default=None, gt=0)
    heel_behind_ankle: Millimetres | None = Field(default=None, ge=0)
    person: RockerPerson = RockerPerson()
    compare_with: str | None = None

    @property
    def stance_part(self) -> tuple[float, float]:
        """Part of stance that the window by opposite contact holds."""
        return self.stance_between or FULL_STANCE

    @property
    def tilts(self) -> tuple[float, float]:
        """Ends of the window by tilt [deg]."""
        return self.tilt_between or (0.0, 0.0)

    @property
    def channels(self) -> dict[str, tuple[str, str]]:
        """Key → channel and its quantity, for each channel that the block reads."""
        found = {"cop": (self.cop, "length"), "force": (self.force, "force")}
        more = {
            "cop_height": (self.cop_height, "length"), "tilt": (self.tilt, "angle"),
            "plate_travel": (self.plate_travel, "length"), "opposite_force": (self.opposite_force, "force"),
            "plate": (self.plate, ""),
        }  # fmt: skip
        found |= {key: (name, quantity) for key, (name, quantity) in more.items() if name is not None}
        for key in ("ankle", "shank"):
            points: tuple[tuple[str, str], ...] = getattr(self, key)
            found |= {f"{key}[{i}][{j}]": (name, "length") for i, p in enumerate(points) for j, name in enumerate(p)}
        return found

    @property
    def measured_by(self) -> dict[str, tuple[str, ...]]:
        """Channels that lengths, tilt and force come from: of points, the tilt has no channel of its own."""
        points = [name for some in (self.ankle, self.shank) for point in some for name in point]
        return {
            "cop": (self.cop,),
            "ankle": tuple(points),
            "tilt": (self.tilt,) if self.tilt is not None else (),
            "force": (self.force,),
        }

    @property
    def other_blocks(self) -> dict[str, str]:
        """The block it is compared with."""
        return {"compare_with": self.compare_with} if self.compare_with is not None else {}

    @property
    def window_words(self) -> str:
        """How samples are chosen, in words."""
        gate = f"force from {100 * self.force_from:g} % of its peak"
        if self.window == "tilt":
            return f"tilt {self.tilts[0]:g} to {self.tilts[1]:g} deg, {gate}"
        if self.window == "force":
            return gate
        if self.opposite_force is not None:
            return f"to opposite contact, {gate}"
        low, high = self.stance_part
        return f"{100 * low:g} to {100 * high:g} % of stance, {gate}"

    @model_validator(mode="after")
    def _tilt_from_something(self) -> Self:
        if (self.tilt is None) == (not self.shank):
            raise ValueError("give the shank's tilt, or the points of shank it follows from: one of them")
        if bool(self.ankle) == (self.ankle_at is not None):
            raise ValueError("give the channels of the ankle (ankle), or its place in the jig (ankle_at): one of them")
        if self.shank and not self.ankle:
            raise ValueError("a tilt from points needs the channels of the ankle too")
        return self

    @model_validator(mode="after")
    def _window_is_stated(self) -> Self:
        if (self.window == "tilt") != (self.tilt_between is not None):
            raise ValueError("window = 'tilt' and tilt_between go together")
        if self.tilt_between is not None and not self.tilts[0] < self.tilts[1]:
            raise AtKeyError("tilt_between: the first must be below the second", "tilt_between")
        if self.stance_between is not None:
            if self.window != "opposite-contact" or self.opposite_force is not None:
                raise ValueError("stance_between goes with window = 'opposite-contact' without opposite_force")
            if not 0.0 <= self.stance_between[0] < self.stance_between[1] <= 1.0:
                raise AtKeyError("stance_between: two rising parts between 0 % and 100 %", "stance_between")
        if (self.foot_length is None) != (self.heel_behind_ankle is None):
            raise ValueError("the effective foot length ratio needs both foot_length and heel_behind_ankle")
        if self.compare_with == self.name:
            raise AtKeyError("a block is not compared with itself", "compare_with")
        return self


def roll_fits(block: RollBlock, rig: RigConfig) -> Iterator[Misfit]:
    """Channels that the rig file lacks, that measure something else, or that show what happens at another time."""
    known = {channel.name: channel for channel in rig.channel}
    names = ", ".join(known)
    for key, (name, quantity) in block.channels.items():
        plain = key.partition("[")[0]
        if name not in known:
            yield Misfit(
                plain, f"block '{block.name}': the rig file has no channel '{name}'", expected=f"one of {names}"
            )
        elif quantity and known[name].quantity != quantity:
            other = a_quantity(known[name].quantity)
            yield Misfit(
                plain,
                f"block '{block.name}': channel '{name}' is {other}",
                expected=f"a channel of {a_quantity(quantity)}",
            )
    delays = {known[name].delay for name, _ in block.channels.values() if name in known}
    if len(delays) > 1:
        yield Misfit(
            "force",
            f"block '{block.name}': its channels have different delays, which are not taken out here",
            "correct delay in the rig file, or log the channels with one delay",
        )
