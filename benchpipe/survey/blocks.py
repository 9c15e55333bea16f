"""Activity of all stretches → what is seen of each kind of block, and which rows it is in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from benchpipe.kernels.robust import mad_sigma
from benchpipe.store.samples import matches
from benchpipe.survey.activity import FLAT, SLOW_S, Axis, Cycles, Hold, Place, cycles_of, holds_of, spans_of
from benchpipe.survey.names import pattern_of
from benchpipe.survey.runin import find_baseline
from benchpipe.survey.seen import CyclicSeen, HoldSeen, Level, ProofSeen, Seen, SweepSeen, Where
from benchpipe.survey.stretches import Surveyed

SAME_LOAD = 0.04  # of a load: holds of one level
SAME_ENDS = 0.1  # of the range: cycles of one kind in two logs
SAME_RATE = 1.3
STEADY = 0.05  # of the range: nearly all peaks and valleys of steady cycling lie so near one another
STEADIER = 2.0  # times as steady as the other: that axis is controlled
PROOF_S = 120.0
PROOF_BEYOND = 1.05  # times the largest load of the cycles
SETTLING = (0.005, 0.5)  # of the proof load
DWELLS = 5
FEWEST = 3
LAST: Place = (1 << 62, 0)
Key = tuple[str, int | None]
Floats = NDArray[np.float64]


def find_blocks(surveyed: Surveyed) -> Seen:
    """Put together what the stretches show."""
    spans = spans_of(surveyed.stretches)
    held = {n: holds_of(stretch, spans) for n, stretch in enumerate(surveyed.stretches)}
    dwells = _dwells([hold for found in held.values() for hold, _, _ in found])
    holds: list[Hold] = []
    cycles: dict[Axis, list[Cycles]] = {"load": [], "motion": []}
    for n, stretch in enumerate(surveyed.stretches):
        kept = [(hold, first, end) for hold, first, end in held[n] if not _is_in(hold.load, dwells)]
        holds += [hold for hold, _, _ in kept]
        for axis, found in cycles.items():
            found += cycles_of(stretch, axis, spans, [(first, end) for _, first, end in kept])
    sweeps = [part for c in cycles["motion"] if len(part := c.select(_is_sweep(c)))]
    cycling = {axis: [part for c in found if len(part := c.select(~_is_sweep(c)))] for axis, found in cycles.items()}
    notes = [f"the load dwells at about {load:.4g} in each cycle" for load in dwells]
    cyclic = list(_cyclic(cycling, sweeps, surveyed))
    proofs, rest = _proofs(holds, cyclic)
    seen = Seen(
        tuple(cyclic), tuple(_sweeps(sweeps, cycling, surveyed)), tuple(_holds(rest)),
        tuple(_proofs_seen(proofs)), (), _changes(surveyed), tuple(notes),
    )  # fmt: skip
    return replace(seen, idle=tuple(_idle(seen, surveyed)))


def _is_sweep(cycles: Cycles) -> NDArray[np.bool_]:
    """Slow cycles in which the load hardly follows the motion."""
    return np.asarray((cycles.period_s >= SLOW_S) & (np.nan_to_num(cycles.flat, nan=1.0) < FLAT))


def _dwells(holds: list[Hold]) -> list[float]:
    """Loads that are held evenly again and again: the top or the bottom of cycles, no holds."""
    found = []
    for load, group in _by_load(holds):
        lasted = np.array([hold.duration_s for hold in group])
        apart = np.diff(np.sort([hold.start_us for hold in group]))
        even = [np.quantile(x, 0.9) <= 1.3 * np.quantile(x, 0.1) for x in (lasted, apart) if x.size]
        if len(group) >= DWELLS and all(even) and float(np.median(apart)) <= 1e6 * 10.0 * float(np.median(lasted)):
            found.append(load)
    return found


def _is_in(load: float, levels: list[float]) -> bool:
    return any(abs(load - level) <= SAME_LOAD * abs(level) for level in levels)


def _by_load(holds: list[Hold]) -> Iterator[tuple[float, list[Hold]]]:
    """Holds by level, the lowest first."""
    group: list[Hold] = []
    for hold in sorted(holds, key=lambda one: one.load):
        if group and abs(hold.load - group[0].load) > SAME_LOAD * abs(group[0].load):
            yield float(np.median([one.load for one in group])), group
            group = []
        group.append(hold)
    if group:
        yield float(np.median([one.load for one in group])), group


def _by_mode(found: list[Cycles]) -> dict[int | None, list[Cycles]]:
    grouped: dict[int | None, list[Cycles]] = defaultdict(list)
    for one in found:
        grouped[one.mode].append(one)
    return dict(grouped)


def _cyclic(cycling: dict[Axis, list[Cycles]], sweeps: list[Cycles], surveyed: Surveyed) -> Iterator[CyclicSeen]:
    by_axis = {axis: _by_mode(found) for axis, found in cycling.items()}
    modes = dict.fromkeys([*by_axis["load"], *by_axis["motion"]])
    for mode in modes:
        own = {axis: by_axis[axis].get(mode, []) for axis in by_axis}
        axis = _axis(own)
        others = {one.file for one in sweeps if one.mode == mode}
        for files in _alike(own[axis]):
            part = {a: [one for one in found if one.file in files] for a, found in own.items()}
            if sum(map(len, part[axis])) >= FEWEST:
                yield _one_cyclic(
                    part, axis, _where(_first(part[axis]), files, mode, others, "sweeps", surveyed), surveyed
                )


def _axis(own: dict[Axis, list[Cycles]]) -> Axis:
    """The axis that shows each cycle once: the steadier of the two, or that with fewer peaks."""
    counts = {axis: sum(map(len, found)) for axis, found in own.items()}
    if min(counts.values()) == 0:
        return "load" if counts["load"] else "motion"
    if counts["motion"] > 1.3 * counts["load"]:
        return "load"
    return "motion" if counts["load"] > 1.3 * counts["motion"] or _control(own) == "motion" else "load"


def _control(own: dict[Axis, list[Cycles]]) -> Axis | None:
    """The axis whose ends are far steadier than the other's."""
    spread = {
        axis: _spread(np.concatenate([_ends(c, axis) for c in found], axis=1)) for axis, found in own.items() if found
    }
    if len(spread) < 2:
        return next(iter(spread), None)
    if spread["load"] * STEADIER < spread["motion"]:
        return "load"
    return "motion" if spread["motion"] * STEADIER < spread["load"] else None


def _ends(cycles: Cycles, axis: Axis) -> Floats:
    """Valleys and peaks of an axis, shape (2, n)."""
    pair = (cycles.load_min, cycles.load_max) if axis == "load" else (cycles.motion_min, cycles.motion_max)
    return np.stack(pair)


def _spread(ends: Floats) -> float:
    """How far the middle nine tenths of valleys and peaks lie apart, over the range."""
    low, high = np.quantile(ends, 0.05, axis=1), np.quantile(ends, 0.95, axis=1)
    span = float(np.median(ends[1] - ends[0]))
    return float((high - low).max()) / span if span > 0.0 else float("inf")


def _alike(found: list[Cycles]) -> Iterator[set[str]]:
    """Logs whose cycles have the same ends and the same frequency."""
    by_file: dict[str, list[Cycles]] = defaultdict(list)
    for one in found:
        by_file[one.file].append(one)
    groups: list[tuple[NDArray[np.float64], set[str]]] = []
    for file, parts in by_file.items():
        ends = np.median(np.concatenate([_ends(c, c.axis) for c in parts], axis=1), axis=1)
        period = float(np.median(np.concatenate([c.period_s for c in parts])))
        mark = np.array([*ends, period])
        for known, files in groups:
            span = known[1] - known[0]
            near = np.abs(ends - known[:2]).max() <= SAME_ENDS * span
            if near and 1.0 / SAME_RATE <= period / known[2] <= SAME_RATE:
                files.add(file)
                break
        else:
            groups.append((mark, {file}))
    yield from (files for _, files in groups)


def _one_cyclic(own: dict[Axis, list[Cycles]], axis: Axis, where: Where, surveyed: Surveyed) -> CyclicSeen:
    found = own[axis]
    ends = np.concatenate([_ends(c, axis) for c in found], axis=1)
    periods = np.concatenate([c.period_s for c in found])
    valley, peak = (Level(float(np.median(x)), float(mad_sigma(x))) for x in ends)
    slow, fast = (float(1.0 / x) for x in np.quantile(periods, (0.95, 0.05)))
    stiffness = [(c.load_max - c.load_min) / np.maximum(c.motion_max - c.motion_min, 1e-12) for c in found]
    baseline, why = find_baseline(np.concatenate(stiffness), surveyed.first_count)
    return CyclicSeen(
        where, int(periods.size), axis, _control(own), valley, peak, _spread(ends) <= STEADY,
        1.0 / float(np.median(periods)), (slow, fast), baseline, why,
    )  # fmt: skip


def _sweeps(found: list[Cycles], cycling: dict[Axis, list[Cycles]], surveyed: Surveyed) -> Iterator[SweepSeen]:
    for mode, parts in _by_mode(found).items():
        files = {one.file for one in parts}
        others = {one.file for some in cycling.values() for one in some if one.mode == mode}

        def of(pick: Callable[[Cycles], Floats], parts: list[Cycles] = parts) -> Floats:
            return np.concatenate([pick(c) for c in parts])

        periods = of(lambda c: c.period_s)
        yield SweepSeen(
            _where(_first(parts), files, mode, others, "cycles", surveyed), int(periods.size),
            float(np.median(of(lambda c: c.motion_min))), float(np.median(of(lambda c: c.motion_max))),
            (float(np.max(of(lambda c: c.free_low))), float(np.min(of(lambda c: c.free_high)))),
            float(np.max(of(lambda c: c.resistance))),
            float(np.max(np.abs(of(lambda c: np.maximum(c.load_max, -c.load_min))))),
            float(periods.min()), float(periods.max()),
        )  # fmt: skip


def _first(found: list[Cycles] | list[Hold]) -> Place:
    return min(one.at for one in found)


def _where(at: Place, files: set[str], mode: int | None, others: set[str], what: str, surveyed: Surveyed) -> Where:
    """Rows of a block: its mode, and its files where the mode holds other things in other files."""
    if not files.isdisjoint(others):
        return Where(at, mode, (), what)
    same_mode = {name for name, m in surveyed.rows if m == mode}
    return Where(at, mode, pattern_of(files, same_mode - files) if others or mode is None else ())


def _proofs(holds: list[Hold], cyclic: list[CyclicSeen]) -> tuple[list[Hold], list[Hold]]:
    """Holds that are proofs, and the others."""
    top = max((max(abs(c.peak.value), abs(c.valley.value)) for c in cyclic if c.axis == "load"), default=0.0)

    def is_proof(hold: Hold) -> bool:
        size = abs(hold.load)
        settled = abs(hold.after - hold.before) <= 0.03 * size and hold.before * hold.load > 0.0
        part = abs(hold.before) / size
        short = hold.duration_s <= PROOF_S and size > PROOF_BEYOND * top
        return settled and short and SETTLING[0] <= part <= SETTLING[1]

    return [hold for hold in holds if is_proof(hold)], [hold for hold in holds if not is_proof(hold)]


def _proofs_seen(found: list[Hold]) -> Iterator[ProofSeen]:
    for load, group in _by_load(found):
        lasted = float(np.median([hold.duration_s for hold in group]))
        settling = float(np.median([hold.before for hold in group]))
        rest_s = min(hold.rest_s for hold in group)
        yield ProofSeen(_of_holds(group), _level(load, group), settling, rest_s, len(group), lasted)


def _holds(found: list[Hold]) -> Iterator[HoldSeen]:
    for load, group in _by_load(found):
        begun = max(sum(np.isfinite(hold.before) for hold in group), 1)
        longest = max(hold.duration_s for hold in group)
        yield HoldSeen(_of_holds(group), _level(load, group), int(begun), longest)


def _level(load: float, group: list[Hold]) -> Level:
    return Level(load, float(mad_sigma(np.array([hold.load for hold in group]))) if len(group) > 2 else 0.0)


def _of_holds(group: list[Hold]) -> Where:
    """Rows of holds: their mode if it is one; their load tells them from what else is there."""
    modes = {hold.mode for hold in group}
    return Where(_first(group), modes.pop() if len(modes) == 1 else None)


def _idle(seen: Seen, surveyed: Surveyed) -> Iterator[Where]:
    """Modes that no block takes, and logs that none does."""
    taken = [one.where for one in seen.blocks]
    if not taken:
        return
    modes = dict.fromkeys(mode for _, mode in surveyed.rows if mode is not None)
    if None not in {where.mode for where in taken}:
        yield from (Where(LAST, mode) for mode in modes if mode not in {where.mode for where in taken})
    names = {name for name, _ in surveyed.rows}
    if all(where.files for where in taken):
        left = {name for name in names if not any(matches(name, where.files) for where in taken)}
        if left:
            yield Where(LAST, None, pattern_of(left, names - left))


def _changes(surveyed: Surveyed) -> int:
    """Changes of the mode from one stretch to the next of a log."""
    known = [(s.file, s.mode) for s in surveyed.stretches if s.mode is not None]
    return sum(a[0] == b[0] and a[1] != b[1] for a, b in pairwise(known))
