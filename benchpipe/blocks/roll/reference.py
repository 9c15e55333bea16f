"""Published rockers, as a band to look at. They are no limit: none says which rocker is right for a foot.

``state`` says what was read of the source. Radii are parts of stature, of the axes that the name gives.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

People = Literal["adults", "children"]


@dataclass(frozen=True)
class Published:
    """One published value: a radius as a part of stature."""

    people: People
    axes: str
    of_stature: float
    source: str
    state: Literal["abstract", "from memory, not checked"]


RADII: tuple[Published, ...] = (
    Published("children", "ankle-foot", 0.22, "Hansen & Meier 2010, Clin. Biomech., 153 children", "abstract"),
    Published("children", "knee-ankle-foot", 0.17, "Hansen & Meier 2010, Clin. Biomech., 153 children", "abstract"),
    Published(
        "adults", "ankle-foot", 0.19, "Hansen, Childress & Knox 2004, Clin. Biomech.", "from memory, not checked"
    ),
)
ARC_OF_LEG = 0.29
"""Length of a rigid arc that costs least to walk on, as a part of leg length: Adamczyk & Kuo 2013, J. Exp. Biol.
216:2722 (abstract). There the radius had no significant effect: the length is looked at first."""


def published_radius(people: str | None, axes: str, stature_m: float | None) -> tuple[float, Published] | None:
    """Published radius [m] for a person, and its source; None where there is none."""
    if people is None or stature_m is None:
        return None
    return next(((one.of_stature * stature_m, one) for one in RADII if (one.people, one.axes) == (people, axes)), None)


def published_words(found: tuple[float, Published]) -> str:
    """The same in words, with source and state."""
    radius, one = found
    return f"published radius of {one.people}: about {radius:.2g} m ({one.source}; {one.state})"
