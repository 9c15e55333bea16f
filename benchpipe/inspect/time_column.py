"""The time column of a log: which it is, its sample rate, jitter, gaps and steps back."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchpipe.errors import ConfigError
from benchpipe.inspect.findings import ColumnKey, LogColumn, LogSample, Outline, Question, TimeFinding
from benchpipe.inspect.heading import known_unit, split_name
from benchpipe.units import find_unit, parse_value

LEAST_RISING = 0.98  # part of the steps of a time column that go forward
LEAST_SHARE = 0.01  # of the steps, for a rate of its own
LEAST_STEPS = 50
LEAST_STILL = 0.02  # of the steps: so many rows at the time of the one before are a coarse clock, no fault
MOST_OF_ONE_TIME = 1000  # rows
RUNNING = 25  # steps: over so many a coarse clock is even
TWO_RATES = 1.05  # times one another: nearer ones are one rate
MOST_BETWEEN = 0.1  # of a log whose rate changes from stretch to stretch lies between the two
DAY_S = 86_400.0
GAP_STEPS = 5.0  # as gap_samples in a rig file
NAMES = re.compile(r"time|zeit|stamp|stempel|epoch|temps|tiempo|tempo|^t$|elapsed|clock|时间", re.IGNORECASE)
RATE_NAMES = re.compile(r"rate|sampl|frequen|abtast|taux|采样", re.IGNORECASE)

Floats = NDArray[np.float64]


def find_time(outline: Outline, samples: list[LogSample]) -> TimeFinding:
    """Find the time of a log from the rows that were looked at."""
    rate = _declared_rate(outline)
    if outline.dates:
        return _of_dates(outline, samples)
    numbers = [c for c in outline.columns if c.kind == "number"]
    rising = [c for c in numbers if _rises(columns_of(samples, c.key))]
    rising = rising or [c for c in numbers if _is_coarse_clock(c, columns_of(samples, c.key))]
    timed = [c for c in rising if _quantity(c) == "time"]
    if len(timed) == 1:
        return _elapsed(timed[0], known_unit(timed[0].unit) or "s", timed[0].unit_from, samples)
    unitless = [c for c in rising if known_unit(c.unit) in (None, "1")]
    named = [c for c in unitless if NAMES.search(split_name(str(c.key))[0])]
    if timed or len(named) > 1:
        asked = timed or named
        ask = "several columns could be the time: " + ", ".join(f"'{c.key}'" for c in asked)
        questions = (Question("time.kind", ask + '; write "elapsed" here and the column below', ('"elapsed"',)),)
        return replace(_elapsed(asked[0], "s", "", samples), questions=questions)
    indices = [c for c in unitless if counts(columns_of(samples, c.key))]
    dated = [c for c in unitless if epoch_unit(columns_of(samples, c.key)) is not None]
    named = named or (dated if len(dated) == 1 else [])
    chosen = named or [c for c in unitless if c not in indices]
    if len(chosen) == 1:
        return _without_unit(chosen[0], samples, rate)
    return _of_rows(rate)


def _elapsed(column: LogColumn, unit: str, said: str, samples: list[LogSample]) -> TimeFinding:
    factor, values = find_unit(unit).factor, columns_of(samples, column.key)
    steps = [np.diff(v) * factor for v in values]
    keys: dict[str, Any] = {"unit": unit}
    if epoch_unit(values) == unit:
        keys["since"] = date(1970, 1, 1)
    measured = _measured(steps, f"unit from the {said}" if said else "")
    found = replace(measured, kind="elapsed", column=column.key, keys=keys)
    return _of_rows_a_second(found, steps) if found.still > LEAST_STILL * sum(map(len, steps)) else found


def _of_rows_a_second(found: TimeFinding, steps: list[Floats]) -> TimeFinding:
    """A clock coarser than the rows: their rate is that of the rows, without gaps."""
    changes = [np.flatnonzero(s > 0) for s in steps]
    rows_of = np.concatenate([np.diff(at) for at in changes])
    lasted = np.concatenate([s[at[1:]] for at, s in zip(changes, steps, strict=True)])
    usual = lasted <= 3.0 / found.rate_hz  # the others are gaps
    rows, span = int(rows_of[usual].sum()), float(lasted[usual].sum())
    if not rows:
        return found
    rate, step = _nice(rows / span, 0.1 / rows), float(f"{1.0 / found.rate_hz:.3g}")
    note = f"the clock's step of {step:g} s is coarser than the rows: {rate * step:.3g} rows share one time"
    return replace(
        found, rate_hz=rate, rate_from="rows a second", jitter_s=0.0, also_hz=(), coarse_s=step, notes=(note,)
    )  # fmt: skip


def _without_unit(column: LogColumn, samples: list[LogSample], rate: float) -> TimeFinding:
    """A rising column without a unit: a sample rate in the preamble may tell it, else it is asked."""
    bare = _elapsed(column, "s", "", samples)
    epoch = epoch_unit(columns_of(samples, column.key))
    if epoch is not None:
        return replace(_elapsed(column, epoch, "", samples), rate_from=f"since 1970, in {epoch}")
    for unit in ("s", "ms", "us", "min", "h") if math.isfinite(rate) else ():
        if abs(bare.rate_hz / find_unit(unit).factor / rate - 1.0) < 0.02:
            return replace(_elapsed(column, unit, "", samples), rate_from="the preamble's sample rate tells the unit")
    ask = f"the time column '{column.key}' has no unit; one step is {1.0 / bare.rate_hz:g} of it"
    units = ("s", "ms", "min")
    rates = tuple(f'"{bare.rate_hz / find_unit(unit).factor:.5g} Hz"' for unit in units)
    questions = (
        Question("time.unit", ask, tuple(f'"{unit}"' for unit in units)),
        Question("time.sample_rate", f"follows from the unit, of {', '.join(units)} in turn", rates),
    )
    return replace(bare, rate_hz=math.nan, jitter_s=0.0, also_hz=(), longest_gap_s=0.0, questions=questions)


def epoch_unit(pieces: list[Floats]) -> str | None:
    """Unit of a column that counts from 1970, by its size: 2001 to 2096, or None."""
    ends = [v for piece in pieces for v in (piece[:1], piece[-1:])]
    values = np.concatenate([np.empty(0), *ends])
    values = values[np.isfinite(values)]
    for unit, factor in (("s", 1.0), ("ms", 1e3), ("us", 1e6), ("ns", 1e9)):
        if values.size and (values >= 1e9 * factor).all() and (values <= 4e9 * factor).all():
            return unit
    return None


def _of_dates(outline: Outline, samples: list[LogSample]) -> TimeFinding:
    stamps = [p.stamps for s in samples for p in s.pieces if p.stamps is not None]
    all_steps = [np.diff(s) * 1e-6 for s in stamps]
    if not any(part in outline.choices["date"].values[0] for part in ("%d", "%m")):  # time of day: midnight goes on
        all_steps = [np.where(s < -0.5 * DAY_S, s + DAY_S, s) for s in all_steps]
    found = _measured(all_steps, "")
    keys = {k: v for k, v in outline.dates.items() if k == "date_column"}
    found = replace(found, kind="datetime", column=outline.dates["column"], keys=keys)
    steps = sum(len(s) - 1 for s in stamps)
    if found.still <= 0.01 * steps:
        return found
    span_s = sum(float(s[-1] - s[0]) for s in stamps if len(s)) * 1e-6
    per_s = steps / span_s if span_s > 0 else math.nan
    rising = [c for c in outline.columns if c.kind == "number" and _quantity(c) == "time"]
    if len(rising) == 1 and _rises(columns_of(samples, rising[0].key)):
        note = f"the date column stands still on {found.still:,} of {steps:,} steps: the elapsed time is taken"
        unit = known_unit(rising[0].unit) or "s"
        return replace(_elapsed(rising[0], unit, rising[0].unit_from, samples), notes=(note,))
    if found.still > LEAST_STILL * steps and _in_even_steps(all_steps):
        return _of_rows_a_second(found, all_steps)
    ask = (
        f"the date column stands still on {found.still:,} of {steps:,} steps, and such rows are rejected; "
        f'"sample" counts rows instead ({per_s:.6g} a second) and sees no gaps'
    )
    questions = (Question("time.kind", ask, ('"sample"', '"datetime"')),)
    return replace(found, rate_hz=per_s, rate_from="rows a second", questions=questions)


def _of_rows(rate: float) -> TimeFinding:
    notes = ("no column is a time: rows are counted, and gaps cannot be seen",)
    if math.isfinite(rate):
        return TimeFinding("sample", None, {}, rate, "the preamble", notes=notes)
    questions = (Question("time.sample_rate", "no column is a time and nothing says the sample rate", ('"100 Hz"',)),)
    return TimeFinding("sample", None, {}, math.nan, "", questions=questions, notes=notes)


def _quantity(column: LogColumn) -> str | None:
    unit = known_unit(column.unit)
    return find_unit(unit).quantity if unit is not None else None


def columns_of(samples: list[LogSample], key: ColumnKey) -> list[Floats]:
    """A column's numbers, piece by piece."""
    return [p.values[key] for s in samples for p in s.pieces if key in p.values]


def _is_coarse_clock(column: LogColumn, pieces: list[Floats]) -> bool:
    """Whether a column is a time by its unit or name, and one of a clock that is coarser than the rows."""
    if _quantity(column) != "time" and not NAMES.search(split_name(str(column.key))[0]):
        return False
    return _in_even_steps([np.diff(values) for values in pieces])


def _in_even_steps(pieces: list[Floats]) -> bool:
    """Whether a clock goes on in even steps, each for a few rows."""
    steps = np.concatenate([np.empty(0), *pieces])
    forward = steps[steps > 0]
    falls = float((steps < 0).mean()) if steps.size else 1.0
    few = forward.size >= len(steps) / MOST_OF_ONE_TIME and falls <= 1.0 - LEAST_RISING
    return bool(few and forward.size and np.median(forward) >= 0.5 * np.quantile(forward, 0.9))


def _rises(pieces: list[Floats]) -> bool:
    steps = np.concatenate([np.empty(0), *(np.diff(values) for values in pieces)])
    return len(steps) > 0 and float((steps > 0).mean()) >= LEAST_RISING


def counts(pieces: list[Floats]) -> bool:
    """Whether a column counts the rows: whole numbers in steps of one."""
    if any((v[:1] != np.rint(v[:1])).any() for v in pieces):
        return False
    steps = np.concatenate([np.empty(0), *(np.diff(values) for values in pieces)])
    return len(steps) > 2 and float((steps == 1.0).mean()) >= LEAST_RISING


def _declared_rate(outline: Outline) -> float:
    """Sample rate [Hz] that the preamble names, as a frequency or as an interval; NaN if none."""
    for key, value in outline.preamble:
        name, unit, _ = split_name(key)
        if not RATE_NAMES.search(name) and "interval" not in name.lower():
            continue
        try:
            number, quantity = parse_value(value if not unit else f"{value} {unit}", ("frequency", "time"))
        except ConfigError:
            continue
        if number > 0:
            return number if quantity == "frequency" else 1.0 / number
    return math.nan


def _measured(pieces: list[Floats], said: str) -> TimeFinding:
    """Rate, jitter and gaps of the steps of each piece [s]."""
    steps = np.concatenate([np.empty(0), *pieces])
    steps = steps[np.isfinite(steps)]
    forward = np.sort(steps[steps > 0])
    back, still = int((steps < 0).sum()), int((steps == 0).sum())
    if not len(forward):
        return TimeFinding("", None, {}, math.nan, said, back=back, still=still)
    groups = _groups(forward)
    groups[:1] = _stretches_of(steps, groups[0])
    mean, spread = _centre(groups[0])
    also = tuple(_nice(1.0 / m, s / m / math.sqrt(len(g))) for g in groups[1:] for m, s in [_centre(g)])
    longest_kept = max(float(g[-1]) for g in groups)
    gaps = forward[forward > max(GAP_STEPS * mean, 1.5 * longest_kept if also else 0.0)]
    rate = _nice(1.0 / mean, spread / mean / math.sqrt(len(groups[0])))
    jitter = float(np.percentile(np.abs(groups[0] - mean), 99))
    return TimeFinding(
        "", None, {}, rate, said, jitter if jitter > 1e-6 * mean else 0.0, also,
        len(gaps), float(gaps[-1]) if len(gaps) else 0.0, back, still,
    )  # fmt: skip


def _groups(forward: Floats) -> list[Floats]:
    """Steps of like length, each enough for a rate of its own, the shortest first."""
    least = max(LEAST_SHARE * len(forward), min(LEAST_STEPS, len(forward) / 2))
    cuts = np.flatnonzero(np.diff(np.log2(forward)) > 0.5) + 1
    groups = [g for g in np.split(forward, cuts) if len(g) >= least]
    return groups or [forward]


def _stretches_of(steps: Floats, group: Floats) -> list[Floats]:
    """Steps of a group, apart where whole stretches of the log have two near rates: those of the more first.

    A clock that counts in coarse steps has two lengths of step too, but they alternate: their running mean does not
    show them.
    """
    own = steps[(steps >= group[0]) & (steps <= group[-1])]
    if own.size < 2 * LEAST_STEPS:
        return [group]
    mean = np.convolve(own, np.full(RUNNING, 1.0 / RUNNING), mode="same")
    low, high = np.quantile(mean[RUNNING:-RUNNING], (0.02, 0.98))
    part = (mean[RUNNING:-RUNNING] - low) / max(high - low, 1e-300)
    if high <= TWO_RATES * low or ((part > 0.25) & (part < 0.75)).mean() > MOST_BETWEEN:
        return [group]
    fast = mean < 0.5 * (low + high)
    changing = np.convolve(np.diff(fast, prepend=fast[:1]), np.ones(2 * RUNNING), mode="same") > 0.0
    parts = (np.sort(own[fast & ~changing]), np.sort(own[~fast & ~changing]))
    return sorted(parts, key=len, reverse=True) if min(map(len, parts)) >= LEAST_STEPS else [group]


def _centre(group: Floats) -> tuple[float, float]:
    """Mean step and its spread, without the outermost two per cent where there are many."""
    cut = len(group) // 100 if group[-1] > 1.5 * group[0] else 0
    kept = group[cut : len(group) - cut]
    return float(kept.mean()), float(kept.std())


def _nice(rate: float, error: float) -> float:
    """The shortest number within the error of a rate."""
    allowed = max(2e-6, 3.0 * error)
    for digits in range(1, 8):
        short = float(f"{rate:.{digits}g}")
        if abs(short / rate - 1.0) <= allowed:
            return short
    return float(f"{rate:.8g}")
