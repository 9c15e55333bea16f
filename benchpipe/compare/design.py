"""Readings → one value a specimen, and what the design allows: pairs, blocks, and factors that are confounded."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from benchpipe.compare.result import RunReading

FACTORS = ("rig", "operator", "day")
LIKE_AMPLITUDE = 0.05  # by which load and motion ranges may differ while loops count as of one amplitude
LIKE_AGE = 0.1  # by which the last cycles compared may differ


@dataclass(frozen=True)
class Cell:
    """One specimen under one variant: the mean of its runs, on the scale of the comparison.

    ``runs`` are places in the list of readings; ``block`` is the level of the blocking factor.
    """

    variant: str
    specimen: str
    block: str
    value: float
    own_u: float
    runs: tuple[int, ...]


@dataclass(frozen=True)
class Design:
    """What is compared with what.

    Attributes
    ----------
    blocking : str
        Factor whose levels are blocks (specimen: pairs); ``"none"``.
    cells : tuple of Cell
    readings : tuple of RunReading
        Those that count.
    confounded : dict
        (variant, reference) → why their difference cannot be separated from another factor's.
    notes : tuple of str
    """

    blocking: str
    cells: tuple[Cell, ...]
    readings: tuple[RunReading, ...]
    confounded: dict[tuple[str, str], str]
    notes: tuple[str, ...]

    def of(self, variant: str) -> list[Cell]:
        """Cells of a variant."""
        return [cell for cell in self.cells if cell.variant == variant]


def design_of(
    readings: Iterable[RunReading], compared: Sequence[tuple[str, str]], *, ratio: bool, block: str = ""
) -> Design:
    """Average repeats inside each specimen, choose the blocks, and name what is confounded.

    Parameters
    ----------
    readings : iterable of RunReading
        Of one measure. Those without a value are left out.
    compared : sequence of pairs
        Variant and reference.
    ratio : bool
        Values are compared as logarithms.
    block : str
        Blocking factor that the study states; empty: specimen where specimens are under several variants, else rig
        where rigs hold several variants, else none.
    """
    used = tuple(r for r in readings if math.isfinite(r.value) and (r.value > 0.0 or not ratio))
    blocking = block or _blocking(used)
    places: dict[tuple[str, str], list[int]] = defaultdict(list)
    for i, reading in enumerate(used):
        places[reading.variant, reading.specimen].append(i)
    cells = tuple(
        _cell(used, variant, specimen, at, blocking, ratio=ratio) for (variant, specimen), at in places.items()
    )
    confounded = {pair: why for pair in compared if (why := _confounded(used, *pair))}
    notes = tuple(
        dict.fromkeys(
            [*_amplitudes(used), *_ages(used), *_one_sided(cells, blocking), *_order(used), *_unlike(used, blocking),
             *_sets(used, compared)]
        )
    )
    return Design(blocking, cells, used, confounded, notes)


def _blocking(readings: tuple[RunReading, ...]) -> str:
    for factor in ("specimen", "rig"):
        variants: dict[str, set[str]] = defaultdict(set)
        for reading in readings:
            variants[getattr(reading, factor)].add(reading.variant)
        if any(len(some) > 1 for some in variants.values()) and len(variants) > 1:
            return factor
    return "none"


def _cell(
    readings: tuple[RunReading, ...], variant: str, specimen: str, at: list[int], blocking: str, *, ratio: bool
) -> Cell:
    some = [readings[i] for i in at]
    values = [math.log(r.value) if ratio else r.value for r in some]
    own = [r.own_u / r.value if ratio else r.own_u for r in some]
    levels = sorted({getattr(r, blocking) for r in some}) if blocking != "none" else [""]
    n = len(some)
    return Cell(variant, specimen, " + ".join(levels), math.fsum(values) / n, math.hypot(*own) / n, tuple(at))


def _levels(readings: tuple[RunReading, ...], variant: str, factor: str) -> set[str]:
    return {getattr(r, factor) for r in readings if r.variant == variant}


def _confounded(readings: tuple[RunReading, ...], variant: str, reference: str) -> str:
    """Why a difference of two variants is also one of rigs, operators or days; empty where it is not."""
    for factor in FACTORS:
        here, there = _levels(readings, variant, factor), _levels(readings, reference, factor)
        if not here or not there or "" in here | there or here & there:
            continue
        if factor == "day" and (len(here) > 1 or len(there) > 1):
            continue  # each specimen has its day; the order is noted apart
        names = f"{variant} only on {factor} {_listed(here)}, {reference} only on {_listed(there)}"
        return f"confounded with {factor}: {names}"
    return ""


def _listed(levels: set[str]) -> str:
    return ", ".join(sorted(levels))


def _amplitudes(readings: tuple[RunReading, ...]) -> Iterator[str]:
    """Loops of different amplitudes: a secant stiffness and a loss belong to their amplitude."""
    ends = []
    for name in ("load_range", "motion_range"):
        known = [abs(getattr(r, name)) for r in readings if math.isfinite(getattr(r, name))]
        if len(known) < 2 or min(known) == 0.0 or max(known) / min(known) - 1.0 <= LIKE_AMPLITUDE:
            return
        ends.append(f"{name.replace('_', ' ')} {min(known):.4g} to {max(known):.4g}")
    yield f"loops at different amplitudes ({', '.join(ends)}): stiffness and loss are of other parts of the curve"


def _ages(readings: tuple[RunReading, ...]) -> Iterator[str]:
    last = [r.last for r in readings if r.last > 0]
    if last and max(last) > (1.0 + LIKE_AGE) * min(last):
        yield f"runs are compared at different ages: cycles {min(last):,} to {max(last):,}"


def _one_sided(cells: tuple[Cell, ...], blocking: str) -> Iterator[str]:
    """Blocks with one variant alone: they add nothing to a difference."""
    if blocking == "none":
        return
    variants: dict[str, set[str]] = defaultdict(set)
    for cell in cells:
        variants[cell.block].add(cell.variant)
    alone = sorted(block for block, some in variants.items() if len(some) == 1)
    if alone:
        yield f"{blocking} {', '.join(alone)}: one variant alone, which adds nothing to a difference"


def _order(readings: tuple[RunReading, ...]) -> Iterator[str]:
    """One variant always before another: drift and wear are then in their difference."""
    orders: dict[str, dict[str, int]] = defaultdict(dict)
    for r in readings:
        if r.order is not None:
            orders[r.specimen].setdefault(r.variant, r.order)
    variants = sorted({r.variant for r in readings})
    for i, one in enumerate(variants):
        for other in variants[i + 1 :]:
            both = [(o[one], o[other]) for o in orders.values() if one in o and other in o]
            if len(both) > 1 and len({a < b for a, b in both}) == 1:
                first, then = (one, other) if both[0][0] < both[0][1] else (other, one)
                yield f"{first} always before {then} on a specimen: drift and wear are in their difference"


def _sets(readings: tuple[RunReading, ...], compared: Sequence[tuple[str, str]]) -> Iterator[str]:
    """Variants each with bumper sets of its own, which are not what the variants are."""
    for variant, reference in compared:
        here, there = (_levels(readings, name, "bumper_set") for name in (variant, reference))
        if not here or not there or "" in here | there or here & there or (here, there) == ({variant}, {reference}):
            continue
        yield (
            f"{variant} only with bumper set {_listed(here)}, {reference} only with {_listed(there)}: their difference "
            "is that of the sets too"
        )


def _unlike(readings: tuple[RunReading, ...], blocking: str) -> Iterator[str]:
    """A factor that is spread unevenly over the variants, and is no block."""
    for factor in FACTORS:
        levels = {getattr(r, factor) for r in readings}
        if factor == blocking or len(levels) < 2 or "" in levels:
            continue
        shares = defaultdict(set)
        for level in levels:
            at = [r.variant for r in readings if getattr(r, factor) == level]
            for variant in {r.variant for r in readings}:
                of = sum(r.variant == variant for r in readings)
                shares[level].add(round(at.count(variant) / of, 9))
        if any(len(some) > 1 for some in shares.values()) and factor != "day":
            yield f"{factor}s are spread unevenly over the variants: block by {factor}, or balance the next series"
