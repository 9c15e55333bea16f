"""A block of a drafted plan for each kind of test that logs show."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from benchpipe.inspect.questions import as_toml
from benchpipe.kernels.shortest import shortest
from benchpipe.survey.draft_roll import roll_lines
from benchpipe.survey.draft_sheet import Sheet, drafted_lines, key_line
from benchpipe.survey.seen import (
    BlockSeen,
    CyclicSeen,
    HoldSeen,
    LevelSeen,
    MovingSeen,
    ProofSeen,
    RelaxationSeen,
    RollSeen,
    SlowSeen,
    StanceSeen,
    SweepSeen,
    Where,
)

OF_RANGE = 0.005  # of the range: a target is written as short as this allows
INSIDE = 0.1  # of the free range left at each end, clear of the end stops
AROUND = 0.1  # of the load beyond what it sways by
SO_FAR = "QUESTION: so many were seen; how many does the protocol ask for?"


def block_lines(sheet: Sheet, one: BlockSeen) -> list[str]:
    """Lines of a block, below its ``[[block]]``."""
    match one:
        case CyclicSeen():
            return _cyclic(sheet, one)
        case SweepSeen():
            return _sweep(sheet, one)
        case SlowSeen():
            return _slow(sheet, one)
        case HoldSeen():
            return _hold(sheet, one)
        case RelaxationSeen():
            return _relaxation(sheet, one)
        case ProofSeen():
            return _proof(sheet, one)
        case RollSeen():
            return roll_lines(sheet, one)
        case MovingSeen():
            return _moving(sheet, one)


def idle_lines(sheet: Sheet, where: Where) -> list[str]:
    """A block for rows in which nothing happens."""
    return [*sheet.name("rest"), *key_line("kind", "idle", "nothing moves there for long"), *sheet.where(where)]


def _cyclic(sheet: Sheet, one: CyclicSeen) -> list[str]:
    lines = [*sheet.name("cycling"), *key_line("kind", "cyclic", f"{one.cycles:,} cycles seen")]
    lines += sheet.where(one.where)
    unit = sheet.units[one.axis]
    span = one.peak.value - one.valley.value
    drafted: list[str] = []
    if one.control is None:
        lines.append("# load and motion are equally steady: which of them the rig controls, the log cannot say")
    else:
        lines.append(f"# controlled by {one.control}: its peaks and valleys are the steadier")
    targets = {
        f"{one.axis}_min": ("valleys", one.valley), f"{one.axis}_max": ("peaks", one.peak),
    }  # fmt: skip
    for key, (what, level) in targets.items():
        value = f"{shortest(level.value, OF_RANGE * span):g} {unit}"
        why = f"{what} of {_of(level, unit)}"
        if one.steady:
            lines += key_line(key, value, why)
            drafted.append(key)
        else:
            lines.append(f"# {key} = {as_toml(value)}  # {why}")
    if not one.steady:
        lines.append("# QUESTION: peaks or valleys are not steady: what are the targets? Without them cycles are")
        lines.append("# bounded by what the log shows, and a limit on cycles off target is not evaluated.")
        if one.axis == "motion":
            lines += key_line("control", "motion", "the motion shows each cycle once")
    low, high = one.frequencies
    varied = f", from {low:.4g} to {high:.4g}" if high > 1.2 * low else ""
    lines += key_line("frequency", f"{shortest(one.frequency, 0.005 * one.frequency):g} Hz", f"as seen{varied}")
    lines.append("# planned_cycles = 2_000_000  # QUESTION: how many does the protocol ask for? No log says it.")
    lines += _baseline(sheet, one, drafted)
    return lines + drafted_lines(drafted)


def _baseline(sheet: Sheet, one: CyclicSeen, drafted: list[str]) -> Iterator[str]:
    if one.baseline is not None:
        drafted.append("baseline")
        yield from key_line("baseline", list(one.baseline), one.baseline_why)
    elif sheet.change:
        ask = f"from which cycles are changes counted? {one.baseline_why[:1].upper()}{one.baseline_why[1:]}"
        write = "[first, last], after the run-in; it may lie ahead, such as [200, 400]"
        yield from sheet.question("baseline", ask, write)
    else:
        yield f"# baseline = [first, last]  # not drafted: {one.baseline_why}"


def _sweep(sheet: Sheet, one: SweepSeen) -> list[str]:
    load, motion = sheet.units["load"], sheet.units["motion"]
    span = one.high - one.low
    lines = [*sheet.name("free"), *key_line("kind", "sweep", f"{one.sweeps} sweeps seen, the load hardly follows them")]
    lines += sheet.where(one.where)
    at = one.thresholds
    lines += key_line("low", _short(at[0], span, motion), f"a third of {one.low:.4g} to {one.high:.4g} {motion}")
    lines += key_line("high", _short(at[1], span, motion), "two thirds")
    slowest = 1.0 / one.slowest_s
    paced = f"{one.fastest_s:.3g} to {one.slowest_s:.3g} s a sweep"
    lines += key_line("frequency", f"{shortest(slowest, 0.05 * slowest):g} Hz", f"the slowest: {paced}")
    width = one.free[1] - one.free[0]
    inner = [one.free[0] + INSIDE * width, one.free[1] - INSIDE * width]
    lines += key_line(
        "resistance_between", [_short(x, 4.0 * width, motion) for x in inner],
        f"the load is that of the middle from {one.free[0]:.4g} to {one.free[1]:.4g} {motion}",
    )  # fmt: skip
    usable = 2.0 * one.resistance
    lines += key_line(
        "usable_load", f"{shortest(usable, 0.1 * usable):g} {load}",
        f"twice the {one.resistance:.3g} {load} in the middle; up to {one.largest_load:.4g} {load} seen",
    )  # fmt: skip
    lines.append(f"# planned_sweeps = {one.sweeps}  # {SO_FAR}")
    return lines + drafted_lines(["resistance_between", "usable_load"])


def _slow(sheet: Sheet, one: SlowSeen) -> list[str]:
    """Both kinds it may be: one of them is to be kept."""
    other, anywhere = Sheet(sheet.units, change=False), Where(one.where.at)
    both = {
        "cyclic": _cyclic(other, replace(one.cyclic, where=anywhere)),
        "sweep": _sweep(other, replace(one.sweep, where=anywhere)),
    }
    ask = "slow motion there and back, its load as of a spring: cycles of a locked joint, or sweeps of a free one?"
    lines = [
        *sheet.name("slow"),
        *sheet.question("kind", ask, '"cyclic" or "sweep", and take "# KIND: " off its lines'),
    ]
    lines += sheet.where(one.where)
    for kind, own in both.items():
        kept = [line for line in own if not line.startswith(("name =", "kind ="))]
        lines += [line if line.startswith("#") else f"# {kind}: {line}" for line in kept]
    return lines


def _hold(sheet: Sheet, one: HoldSeen) -> list[str]:
    unit = sheet.units["load"]
    value = shortest(one.load.value, OF_RANGE * abs(one.load.value))
    seen = f"{one.count} hold(s) seen, the longest {_time(one.longest_s)} in one log"
    lines = [*sheet.name(f"held-{abs(value):g}"), *key_line("kind", "hold", seen), *sheet.where(one.where)]
    lines += key_line("load", f"{value:g} {unit}", f"held at {_of(one.load, unit)}")
    lines.append(f"# planned_holds = {one.count}  # {SO_FAR}")
    return lines + drafted_lines(["load"])


def _relaxation(sheet: Sheet, one: RelaxationSeen) -> list[str]:
    load, motion = sheet.units["load"], sheet.units["motion"]
    value = shortest(one.motion.value, OF_RANGE * abs(one.motion.value))
    seen = f"{one.count} seen, the longest {_time(one.longest_s)} in one log"
    lines = [*sheet.name(f"relaxing-{abs(value):g}"), *key_line("kind", "relaxation", seen), *sheet.where(one.where)]
    fallen = f"the load falls from {one.load:.4g} {load} by {one.lost:.1%}"
    lines += key_line("motion", f"{value:g} {motion}", f"held at {_of(one.motion, motion)}: {fallen}")
    lines.append(f"# planned_relaxations = {one.count}  # {SO_FAR}")
    return lines + drafted_lines(["motion"])


def _proof(sheet: Sheet, one: ProofSeen) -> list[str]:
    unit = sheet.units["load"]
    value, settling = (shortest(x, OF_RANGE * abs(one.load.value)) for x in (one.load.value, one.settling))
    seen = f"{one.count} seen: beyond the cycles, between two stays at {one.settling:.4g} {unit}"
    lines = [*sheet.name("strength"), *key_line("kind", "proof", seen), *sheet.where(one.where)]
    lines += key_line("load", f"{value:g} {unit}", f"held at {_of(one.load, unit)}")
    lines += key_line("settling_load", f"{settling:g} {unit}", "before and after")
    lines += key_line("hold_time", f"{shortest(one.hold_s, 0.05 * one.hold_s):g} s", f"held for {one.hold_s:.3g} s")
    rest = max(float(int(one.settling_s)), 1.0)
    lines += key_line("settling_time", f"{rest:g} s", f"it stays there for {one.settling_s:.3g} s, before or after")
    lines.append(f"# planned_proofs = {one.count}  # {SO_FAR}")
    return lines + drafted_lines(["load", "settling_load", "hold_time", "settling_time"])


def _moving(sheet: Sheet, one: MovingSeen) -> list[str]:
    seen = (
        f"{_time(one.seconds)} of motion from {one.motion[0]:.4g} to {one.motion[1]:.4g} {sheet.units['motion']} and "
        f"load from {one.load[0]:.4g} to {one.load[1]:.4g} {sheet.units['load']}, which do not repeat: what is it?"
    )
    return [
        *sheet.name("moving"), *sheet.where(one.where),
        *sheet.question("kind", seen, '"idle" if it is no test; else its kind, with its keys (every-key/plan.toml)'),
    ]  # fmt: skip


def stance_lines(sheet: Sheet, one: StanceSeen) -> list[str]:
    """A block that is left to a person: no log says surely that it is a stance."""
    low, high = one.load
    room = AROUND * max(abs(low), abs(high))
    unit, span = sheet.units["load"], 10.0 * room
    shown = f"{one.count} time(s) the load stays and sways between {low:.4g} and {high:.4g} {unit}"
    lines = [*sheet.name("stance"), *key_line("kind", "stance", ""), *sheet.where(one.where)]
    lines += key_line("load_min", f"{_short(low - room, span, unit)}", "so much load is a stance")
    lines += key_line("load_max", f"{_short(high + room, span, unit)}", "and no more")
    lines += key_line("window", f"{math.floor(one.shortest_s):g} s", f"the shortest lasts {_time(one.shortest_s)}")
    lines += key_line("planned_windows", one.count, "so many were seen")
    lines += drafted_lines(["load_min", "load_max", "window"])
    ask = f"# QUESTION: {shown}: a stance? If so, take the first '# ' off:"
    return [ask, "# [[block]]", *(f"# {line}" for line in lines)]


def locking_lines(sheet: Sheet, changes: int) -> list[str]:
    """A block that is left to a person: what a locked joint must carry no log says."""
    load, motion = sheet.units["load"], sheet.units["motion"]
    lines = [
        *sheet.name("locking"), *key_line("kind", "locking", "every lock and unlock, by the mode channel"),
        *key_line("locked", 1, "value of the mode channel"), *key_line("unlocked", 0, ""),
        f'carry_load = "? {load}"  # what a locked joint must carry', f'still = "? {motion}"  # what it may move then',
    ]  # fmt: skip
    ask = f"the mode changes {changes} times: is every lock judged? If so, fill in and take the first '# ' off:"
    return [f"# QUESTION: {ask}", "# [[block]]", *(f"# {line}" for line in lines)]


def _short(value: float, span: float, unit: str) -> str:
    return f"{shortest(value, OF_RANGE * abs(span)):g} {unit}"


def _of(level: LevelSeen, unit: str) -> str:
    scatter = f" \u00b1 {level.scatter:.2g}" if level.scatter > 0.0 else ""
    return f"{level.value:.5g}{scatter} {unit}"


def _time(seconds: float) -> str:
    for size, unit in ((86_400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s" if math.isfinite(seconds) else "?"
