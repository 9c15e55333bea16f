"""Result of an inspection as lines of at most 80 letters, each with the name of a style."""

from __future__ import annotations

import math
from collections.abc import Iterator
from textwrap import wrap

from benchpipe.inspect.findings import ChannelFinding, Inspection, Question
from benchpipe.inspect.heading import split_name
from benchpipe.report.signs import ASCII, UNICODE, Marks, number, unit_shown, with_unit

WIDTH = 80
LABEL = 12
NUMBER_WIDTH = 11
PLOT_ROWS = 3
MOST_PAIRS = 6
StyledLine = tuple[str, str]


def inspection_lines(found: Inspection, marks: Marks = UNICODE) -> list[StyledLine]:
    """The screen of an inspection, top to bottom."""
    lines: list[StyledLine] = [*_head(found, marks), *_facts(found, marks), *_time(found, marks), ("", "")]
    lines += [*_channels(found, marks), ("", "")]
    if found.second is not None:
        second = found.second
        lines += [*_head(second, marks), *_facts(second, marks), *_time(second, marks), ("", "")]
        lines += [*_channels(second, marks), ("", "")]
    lines += _glimpse(found, marks)
    lines += [line for note in _odd(found, marks) for line in _wrapped("! ", note, "yellow", marks)]
    lines += _questions(found.questions, marks)
    return lines


def _head(found: Inspection, marks: Marks) -> Iterator[StyledLine]:
    sample = found.sample
    first, others = found.logs[0].name, len(found.logs) - 1
    yield from _wrapped("", first + (f" and {others} more" if others else ""), "bold", marks)
    rows = f"{sample.rows:,} rows" if sample.rows is not None else f"{sample.looked_at:,} rows looked at"
    seen = "all looked at" if sample.whole else "beginning, middle and end looked at"
    if sample.rows is None:
        seen = "of its beginning, middle and end"
    yield f"{found.outline.format}, {_bytes(found.size)}, {rows}, {seen}", "dim"


def _facts(found: Inspection, marks: Marks) -> Iterator[StyledLine]:
    for name, text in found.outline.facts:
        yield from _labelled(name, text, marks)
    pairs = [f"{key}: {value}" for key, value in found.outline.preamble if value]
    if pairs:
        more = [f"and {len(pairs) - MOST_PAIRS} more"] if len(pairs) > MOST_PAIRS else []
        yield from _labelled("preamble", "; ".join([*pairs[:MOST_PAIRS], *more]), marks)


def _time(found: Inspection, marks: Marks) -> Iterator[StyledLine]:
    time = found.time
    if time.column is None:
        yield from _labelled("time", "no column: rows are counted", marks)
    else:
        kind = "date and time" if time.kind == "datetime" else "elapsed"
        kind += f" since {time.keys['since']}" if "since" in time.keys else ""
        name = split_name(str(time.column))[0]
        unit = f" [{time.keys['unit']}]" if "unit" in time.keys else ""
        form = found.outline.choices["date"].values[0] if time.kind == "datetime" else ""
        yield from _labelled("time", f"{name}{unit}, {kind} {form}".rstrip(), marks)
    if math.isfinite(time.rate_hz):
        step = with_unit(1.0 / time.rate_hz, "s") if time.rate_hz < 1 else f"{number(1e3 / time.rate_hz)} ms"
        jitter = f", jitter up to {number(1e3 * time.jitter_s, 2)} ms" if time.jitter_s else ", no jitter"
        also = f"; stretches at {', '.join(f'{hz:g}' for hz in time.also_hz)} Hz" if time.also_hz else ""
        jitter = jitter if time.column is not None else ""
        yield from _labelled("sample rate", f"{time.rate_hz:.8g} Hz (a step of {step}{jitter}){also}", marks)
    if time.column is not None:
        gaps = f"{time.gaps:,}, the longest {with_unit(time.longest_gap_s, 's', 3)}" if time.gaps else "none"
        back = f"; {time.back:,} step(s) back" if time.back else ""
        still = f"; {time.still:,} step(s) of no time" if time.still else ""
        yield from _labelled("gaps", gaps + back + still, marks)


def _channels(found: Inspection, marks: Marks) -> Iterator[StyledLine]:
    roles = {name: role for role, name in found.roles.items()}
    rows = [("channel", "unit", "lowest", "highest", "resolution", "likely")]
    rows += [
        (
            _cut(c.name, 22), _cut(unit_shown(c.unit, marks) if c.unit else _unknown(c.said, marks), 8),
            _fixed(c.lowest, c.resolution, marks), _fixed(c.highest, c.resolution, marks),
            _narrow(number(c.resolution, 1, marks), c.resolution), roles.get(c.name, ""),
        )
        for c in found.channels
    ]  # fmt: skip
    for n, (name, unit, low, high, step, role) in enumerate(rows):
        yield f"{name:<22} {unit:<8} {low:>11} {high:>11} {step:>11}  {role}".rstrip(), "bold" if n == 0 else ""


def _unknown(said: str, marks: Marks) -> str:
    return f"{_said(said, marks)}?" if said else "-"


def _odd(found: Inspection, marks: Marks) -> Iterator[str]:
    """What does not look like measuring, worst first."""
    for channel in found.channels:
        yield from _odd_channel(channel, found, marks)
    for reason, rows in found.sample.rejects:
        yield f"{rows:,} row(s) would be rejected: {reason}"
    yield from found.notes


def _odd_channel(channel: ChannelFinding, found: Inspection, marks: Marks) -> Iterator[str]:
    unit = unit_shown(channel.unit or "", marks)
    for value, rows in channel.saturated:
        at = f"{number(value, 4, marks)} {unit}".rstrip()
        yield f"{channel.name} stays at {at}, an end of its range, on {rows:,} rows: saturated?"
    counts = channel.name in (found.roles.get("counter"), found.roles.get("mode"))
    if channel.stuck is not None and not counts:
        value, rows, first = channel.stuck
        where = ""
        if len(found.sample.pieces) == 1:
            place = "line" if found.outline.format == "text" else "row"
            where = f" from {place} {found.sample.pieces[0].row[first]:,}"
        at = f"{number(value, 4, marks)} {unit}".rstrip()
        yield f"{channel.name} stays at {at} for {rows:,} rows{where}: stuck?"
    if channel.unit is None and channel.said and not any(channel.name in q.key for q in found.questions):
        yield f"{channel.name} is left out of a drafted rig file: its unit '{channel.said}' is not known here"
    if channel.words:
        yield f"{channel.name} shows {', '.join(channel.words)} in place of a number"
    if channel.missing:
        yield f"{channel.name} has no value on {channel.missing:,} row(s)"


def _glimpse(found: Inspection, marks: Marks) -> Iterator[StyledLine]:
    glimpse = found.glimpse
    if glimpse is None:
        return
    units = {c.name: unit_shown(c.unit or "", marks) for c in found.channels}
    for axis, values in (("load", glimpse.load), ("motion", glimpse.motion)):
        known = [v for v in values if math.isfinite(v)]
        if len(known) < 2:
            continue
        rows = _plot(values, " " + marks.bars)
        unit = units.get(found.roles[axis], "")
        labels = [f"{axis} [{unit}]" if unit else axis, f"to {number(max(known), 3)}", f"from {number(min(known), 3)}"]
        for label, row in zip(labels, rows, strict=True):
            yield f"{_cut(label, LABEL + 2):<{LABEL + 3}}{row}".rstrip(), "cyan"
    span = f"{number(glimpse.span_s, 3)} s" if math.isfinite(glimpse.span_s) else "one stretch"
    cycles = f"about {found.frequency_hz:.3g} Hz" if math.isfinite(found.frequency_hz) else "none found"
    yield from _labelled("cycles", f"{cycles}; above: {span}", marks)
    yield "", ""


def _plot(values: tuple[float, ...], blocks: str) -> list[str]:
    """Bars of :data:`PLOT_ROWS` rows, the top row first."""
    known = [v for v in values if math.isfinite(v)]
    low, span = min(known), max(max(known) - min(known), 1e-300)
    steps = len(blocks) - 1
    heights = [1 + round((v - low) / span * (PLOT_ROWS * steps - 1)) if math.isfinite(v) else 0 for v in values]
    return [
        "".join(blocks[min(max(h - row * steps, 0), steps)] for h in heights) for row in reversed(range(PLOT_ROWS))
    ]


def _questions(questions: tuple[Question, ...], marks: Marks) -> Iterator[StyledLine]:
    if not questions:
        yield "no question is open: the drafted rig file works unchanged", "green"
        return
    yield f"{len(questions)} question(s) must be answered before a drafted rig file works:", "bold yellow"
    for question in questions:
        yield from _wrapped("? ", f"{question.key}: {question.ask}", "yellow", marks)
        if question.choices:
            yield from _wrapped("    ", "write " + " or ".join(question.choices), "", marks)


def _labelled(label: str, text: str, marks: Marks) -> Iterator[StyledLine]:
    for n, part in enumerate(wrap(_said(text, marks), WIDTH - LABEL) or [""]):
        yield f"{label if n == 0 else '':<{LABEL}}{part}", ""


def _wrapped(mark: str, text: str, style: str, marks: Marks) -> Iterator[StyledLine]:
    for n, part in enumerate(wrap(_said(text, marks), WIDTH - len(mark))):
        yield (mark if n == 0 else " " * len(mark)) + part, style


def _fixed(value: float, resolution: float, marks: Marks) -> str:
    """A value to the last decimal of its resolution."""
    if not math.isfinite(value) or resolution <= 0.0:
        return _narrow(number(value, 5, marks), value)
    decimals = min(max(-math.floor(math.log10(resolution)), 0), 12)
    return _narrow(f"{value:,.{decimals}f}", value)


def _narrow(text: str, value: float) -> str:
    """A number as written, or with an exponent where that is too wide for its column."""
    return text if len(text) <= NUMBER_WIDTH else f"{value:.4e}"


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "~"


def _bytes(size: float) -> str:
    for unit in ("bytes", "kB", "MB"):
        if size < 1000:
            return f"{number(size, 3)} {unit}"
        size /= 1000
    return f"{number(size, 3)} GB"


def _said(text: str, marks: Marks) -> str:
    """Text of the log itself, in ASCII where only that can be shown: known letters spelt out, others as ``?``."""
    if marks != ASCII:
        return text
    for letter, plain in (("·", "*"), ("°C", "degC"), ("°", "deg"), ("µ", "u")):
        text = text.replace(letter, plain)
    return text.encode("ascii", "replace").decode()
