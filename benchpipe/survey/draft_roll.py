"""A block of a drafted plan for passes of a roll."""

from __future__ import annotations

import math

from benchpipe.survey.draft_sheet import Sheet, drafted_lines, key_line
from benchpipe.survey.seen import RollSeen


def roll_lines(sheet: Sheet, one: RollSeen) -> list[str]:
    """Lines of the block: the length that moves most with the tilt is the centre of pressure."""
    cop, *less = sorted(one.travel, key=lambda name: -one.travel[name])
    low, high = one.tilts
    lines = [*sheet.name("rolled"), *key_line("kind", "roll", f"{one.count} ways of {one.tilt} under load seen")]
    lines += sheet.where(one.where)
    ask = "whose axes are the figures in, those of the foot, of the shank or of the leg? The log cannot say"
    lines += sheet.question("axes", ask, '"foot", "ankle-foot" or "knee-ankle-foot"')
    also = "".join(f", {name} {one.travel[name]:.3g} mm" for name in less)
    lines += key_line("cop", cop, f"goes {one.travel[cop]:.3g} mm with the tilt, the most{also}")
    lines += key_line("force", one.force, f"up to {one.peak:.4g} N, and off the plate between")
    lines += key_line("tilt", one.tilt, "above zero leaning forward: compare it with the rig")
    if len(less) == len(one.others) == 1:
        lines += key_line("ankle", [[less[0], one.others[0]]], "the lengths that are left: forward, up")
    else:
        ask = "where is the ankle, forward and up: channels, or its place in the jig?"
        lines += sheet.question("ankle", ask, '[["forward", "up"]], or ankle_at = ["0 mm", "80 mm"] instead')
    lines += key_line("window", "tilt", "or force, or opposite-contact")
    inside = [f"{math.ceil(10.0 * low) / 10.0:g} deg", f"{math.floor(10.0 * high) / 10.0:g} deg"]
    lines += key_line("tilt_between", inside, f"what all ways cover: {low:.4g} to {high:.4g} deg")
    lines.append(f"# planned_passes = {max(one.count // 2, 1)}  # QUESTION: how many, each way, does the protocol ask?")
    return lines + drafted_lines(["tilt_between"])
