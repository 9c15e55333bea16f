"""Measures of a cycle that are watched for drift, and what makes their changes relative."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Watched:
    """A measure that is watched.

    ``scale_by`` names the measure whose level makes its changes relative: its own where its zero means something
    (stiffness), the range of motion for positions and for what may be zero (backlash). ``zero``: it moves with a
    sensor's zero, so that a tare shift moves it without wear. ``kind`` of an event's level change where it is not a
    plain step or slope.
    """

    name: str
    scale_by: str = ""
    zero: bool = False
    backlash: bool = False

    @property
    def relative(self) -> bool:
        """Is a change a part of the measure's own level?"""
        return not self.scale_by


CYCLIC: tuple[Watched, ...] = (
    Watched("secant_stiffness"), Watched("loading_stiffness"), Watched("unloading_stiffness"),
    Watched("storage_stiffness"), Watched("loss_stiffness"), Watched("energy_j"), Watched("loss_factor"),
    Watched("load_range"), Watched("motion_range"),
    Watched("phase_deg"), Watched("waveform_error"),
    Watched("peak_load", zero=True), Watched("load_mean", "load_range", zero=True),
    Watched("valley_load", "load_range", zero=True),
    Watched("motion_at_peak", "motion_range", zero=True), Watched("motion_at_valley", "motion_range", zero=True),
    Watched("motion_max", "motion_range", zero=True), Watched("motion_min", "motion_range", zero=True),
    Watched("motion_mean", "motion_range", zero=True),
    Watched("closure_error", "motion_range"), Watched("backlash", "motion_range", backlash=True),
)  # fmt: skip
"""Every measure of a cycle but its times and counts, which are the rig's."""
PEAKS: tuple[Watched, ...] = tuple(
    w for w in CYCLIC
    if w.name in ("load_range", "motion_range", "peak_load", "valley_load", "motion_max", "motion_min")
)  # fmt: skip
"""Those of a log that has a row for each cycle."""
