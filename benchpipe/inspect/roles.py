"""Find which channel is the load, the motion, the temperature, the cycle counter, the mode.

Units decide: torque goes with angle, force with length. Names only make better questions.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from benchpipe.inspect.findings import ChannelFinding, Question
from benchpipe.inspect.states import FREE, LOCKED

LOAD_NAMES = re.compile(r"load|force|kraft|last|torque|moment|^f[xyz]?$|^m[xyz]?$|couple|fuerza|力|扭矩", re.IGNORECASE)
MOTION_NAMES = re.compile(r"angle|winkel|displ|weg|posi|stroke|hub|travel|motion|deflect|deplac|位移|角", re.IGNORECASE)
PAIRS = (("torque", "angle"), ("force", "length"))
MOST_MODES = 8


@dataclass(frozen=True)
class RoleFinding:
    """``roles`` names channels, ``axes`` holds more keys of ``[load]`` and ``[motion]``, ``units`` what roles tell."""

    roles: dict[str, str] = field(default_factory=dict)
    axes: dict[str, dict[str, Any]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()


def find_roles(channels: list[ChannelFinding], states: list[ChannelFinding]) -> RoleFinding:
    """Give each role to the channel that alone can have it; ask where several can. ``states`` can be the mode only."""
    roles: dict[str, str] = {}
    units: dict[str, str] = {}
    axes, questions, notes = _axes(channels, roles)
    temperatures = [c.name for c in channels if c.quantity == "temperature"]
    counters = [c.name for c in channels if _is_counter(c)]
    modes = [c.name for c in channels if _is_mode(c) and c.name not in counters] + [c.name for c in states]
    lockings = [c.name for c in states if any(FREE.match(word) or LOCKED.match(word) for word, _ in c.states)]
    if len(modes) > 1 and len(lockings) == 1:
        others = ", ".join(name for name in modes if name not in lockings)
        notes.append(f"the mode is {lockings[0]}, by its words, and not {others}")
        modes = lockings
    for role, names in (("temperature", temperatures), ("counter", counters), ("mode", modes)):
        if len(names) == 1:
            roles[role] = names[0]
        elif names and role == "mode":
            notes.append("mode is left out: it could be " + ", ".join(names) + '; write mode = "…" in the rig file')
        elif names:
            ask = f"which is the {role} of the run: {', '.join(names)}? (or remove the line)"
            questions.append(Question(role, ask, tuple(f'"{name}"' for name in names)))
    units |= dict.fromkeys(counters, "cycles")
    return RoleFinding(roles, axes, units, tuple(questions), tuple(notes))


def _axes(
    channels: list[ChannelFinding], roles: dict[str, str]
) -> tuple[dict[str, dict[str, Any]], list[Question], list[str]]:
    of = {q: [c.name for c in channels if c.quantity == q] for pair in PAIRS for q in pair}
    straight = [(load, motion) for load, motion in PAIRS if of[load] and of[motion]]
    if len(straight) == 1 and all(len(of[q]) == 1 for q in straight[0]):
        load, motion = straight[0]
        roles["load"], roles["motion"] = of[load][0], of[motion][0]
        others = [name for pair in PAIRS if pair != straight[0] for q in pair for name in of[q]]
        return {}, [], [f"{', '.join(others)} could serve too, through the rig's geometry"] if others else []
    loads, motions = of["torque"] + of["force"], of["angle"] + of["length"]
    if len(loads) == 1 and len(motions) == 1:
        roles["load"], roles["motion"] = loads[0], motions[0]
        return _geared(bool(of["force"]))
    questions = []
    for axis, names, pattern in (("load", loads, LOAD_NAMES), ("motion", motions, MOTION_NAMES)):
        hinted = hinted_channels(channels, pattern, names)
        if len(names) == 1 or (not names and len(hinted) == 1):
            roles[axis] = (names or hinted)[0]  # named only: its unit is asked
            continue
        hint = f" By its name it could be {' or '.join(hinted)}." if hinted else ""
        choices = names or [c.name for c in channels]
        questions.append(
            Question(f"{axis}.channel", f"which channel is the {axis}?{hint}", tuple(f'"{name}"' for name in choices))
        )
    return {}, questions, []


def _geared(force: bool) -> tuple[dict[str, dict[str, Any]], list[Question], list[str]]:
    """Force against angle, or torque against length: the geometry must be stated."""
    axis, what = ("load", "force against angle") if force else ("motion", "torque against length")
    ask = f"the log has {what}: how long is the lever arm between them?"
    return {axis: {"lever_arm": None}}, [Question(f"{axis}.lever_arm", ask, ('"80 mm"',))], []


def hinted_channels(channels: list[ChannelFinding], pattern: re.Pattern[str], among: list[str]) -> list[str]:
    """Channels whose name suggests a role: of those ``among``, or of all whose unit is not known."""
    fitting = [c for c in channels if c.name in among or (not among and c.unit in (None, "1"))]
    return [c.name for c in fitting if pattern.search(str(c.key))]


def _is_counter(channel: ChannelFinding) -> bool:
    """Whole numbers from zero up that hardly ever fall, more than a mode has."""
    plain = _is_plain(channel) or channel.unit == "cycles"
    counts = channel.whole_numbers and channel.lowest >= 0 and channel.resolution in (1.0, 2.0)
    return plain and counts and channel.never_falls and channel.distinct >= 4


def _is_mode(channel: ChannelFinding) -> bool:
    """A few whole numbers without a unit."""
    return _is_plain(channel) and channel.whole_numbers and 2 <= channel.distinct <= MOST_MODES


def _is_plain(channel: ChannelFinding) -> bool:
    """Whether a channel holds numbers of no unit; one with a unit that is not known here is left out."""
    return channel.unit == "1" or (channel.unit is None and not channel.said)
