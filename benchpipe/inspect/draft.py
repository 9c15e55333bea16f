"""A draft of the rig file: a comment a key, and a question where the log cannot decide.

A question is written above its line, and the line holds ``"?"`` or several values: the loader
refuses the file until the question is answered.
"""

from __future__ import annotations

import math
from typing import Any

from benchpipe.inspect.findings import ChannelFinding, ColumnKey, Inspection, Question
from benchpipe.inspect.heading import known_unit
from benchpipe.inspect.questions import as_toml
from benchpipe.units import INSIDE_UNIT

ENCODINGS = "utf-8, utf-16, latin-1, cp1252 or gbk"
WIDTH = 44  # where comments begin


def draft_rig(found: Inspection, name: str, second_files: tuple[str, ...] = ()) -> str:
    """Text of a rig file for the logs that were inspected; ``second_files``: patterns of a second logger's logs."""
    asked = {question.key: question for question in found.questions}
    state = "works unchanged"
    if asked:
        state = f"does not work before {len(asked)} QUESTION(s) are answered"
    logs = ", ".join(path.name for path in found.files[:3])
    logs += f" and {len(found.files) - 3} more" if len(found.files) > 3 else ""
    lines = [
        f"# Rig file drafted by 'benchpipe inspect' from {logs}.",
        f"# It {state}. Signs, zeros and calibration are for you to check.",
        *toml_line("name", name, "shown in reports"),
        "",
        *_log(found, asked),
        "",
        *_time(found, asked),
    ]
    if found.second is not None:
        lines += ["", *_second(found, found.second, second_files, asked)]
    for logger, one in (("", found), ("second", found.second)):
        for channel in one.channels if one is not None else ():
            lines += ["", *_channel(channel, one or found, asked, logger)]
    for axis in ("load", "motion"):
        lines += ["", f"[{axis}]", *_axis(axis, found, asked)]
    roles = [
        line for role, why in (
            ("temperature", "of the specimen: stiffness and creep are read beside it"),
            ("counter", "the rig's own cycle counter, compared with the cycles found"),
            ("mode", "tells blocks of the plan apart (locked, free)"),
        ) for line in _role(role, why, found, asked)
    ]  # fmt: skip
    at = lines.index("[log]") - 1
    return "\n".join([*lines[:at], *roles, *lines[at:]]) + "\n"


def _log(found: Inspection, asked: dict[str, Question]) -> list[str]:
    outline, choices = found.outline, found.outline.choices
    lines = ["[log]", *toml_line("format", outline.format, "how the log is stored")]
    if "variables" in choices:
        values = list(choices["variables"].values[0])
        if values or "log.variables" in asked:
            lines += toml_line("variables", values, "what holds the channels, in order", asked.get("log.variables"))
    if outline.format not in ("text", "xlsx"):
        return lines
    if outline.format == "text":
        lines += _dialect(found, asked)
    if not outline.log["header"]:
        lines += toml_line("header", False, "no line names the columns: they go by number")
    if outline.log["units_row"]:
        lines += toml_line("units_row", True, "the line after the header holds units, and is checked")
    return lines


def _dialect(found: Inspection, asked: dict[str, Question]) -> list[str]:
    """How the cells of a text log are written."""
    outline, choices = found.outline, found.outline.choices
    form, encoding = choices["numbers"].values[0], choices["encoding"]
    lines = toml_line("encoding", encoding.values[0], encoding.why or ENCODINGS, asked.get("log.encoding"))
    lines += toml_line("separator", choices["separator"].values[0], "between columns", asked.get("log.separator"))
    lines += toml_line("decimal", form.decimal, "decimal mark", asked.get("log.decimal"))
    if form.thousands or "log.thousands" in asked:
        lines += toml_line("thousands", form.thousands, "between groups of three digits", asked.get("log.thousands"))
    if outline.log["quoted"]:
        lines += toml_line("quoted", True, "cells stand in quotes")
    return lines


def _time(found: Inspection, asked: dict[str, Question]) -> list[str]:
    time = found.time
    kinds = "elapsed, datetime, or sample: rows are counted"
    lines = ["[time]", *toml_line("kind", time.kind, kinds, asked.get("time.kind"))]
    if time.column is not None:
        lines += _column(time.column, found, asked, "its column")
    if "date_column" in time.keys:
        lines += toml_line("date_column", time.keys["date_column"], "the day has a column of its own")
    if time.kind == "elapsed":
        lines += toml_line("unit", time.keys.get("unit", "s"), time.rate_from or "its unit", asked.get("time.unit"))
        said = next((column.unit for column in found.outline.columns if column.key == time.column), "")
        lines += _unit_in_log(said, found)
        if "since" in time.keys:
            lines += toml_line("since", time.keys["since"], "the day from which it counts, in UTC: its times are dates")
    if time.kind == "datetime":
        lines += _format(found, asked.get("time.format"))
    rate = f"{time.rate_hz:.10g} {INSIDE_UNIT['frequency']}" if math.isfinite(time.rate_hz) else "?"
    also = f"; stretches at {', '.join(f'{hz:g} Hz' for hz in time.also_hz)} too" if time.also_hz else ""
    why = "while cycling" + also if time.kind != "sample" else time.rate_from or "rows a second"
    lines += toml_line("sample_rate", rate, why, asked.get("time.sample_rate"))
    return lines + (toml_line("resolution", f"{time.coarse_s:g} s", "step of its clock") if time.coarse_s else [])


def _format(found: Inspection, question: Question | None) -> list[str]:
    choice = found.outline.choices["date"]
    if question is None:
        return toml_line("format", choice.values[0], choice.why)
    return [*_asked(question), *(f"# format = {as_toml(form)}" for form in choice.values)]


def _second(found: Inspection, second: Inspection, files: tuple[str, ...], asked: dict[str, Question]) -> list[str]:
    """What a second logger writes, and how its clock compares."""
    own = {key.removeprefix("second."): question for key, question in asked.items() if key.startswith("second.")}
    dialect, clock = _log(second, own), _time(second, own)
    why = "its clock less the first one's: both are taken to show the same" if found.time.kind == "datetime" else ""
    return [
        "[second]", *toml_line("files", list(files), "its logs; rows are joined at the times of the first"),
        *toml_line("offset", "0 s", why, own.get("offset")),
        *toml_line("offset_uncertainty", "?", "expanded, k = 2", own.get("offset_uncertainty")),
        "# a channel of each logger that show the same quantity: the offset is then found from them:",
        '# same = ["CHANNEL", "CHANNEL_2"]',
        "", "[second.log]", *dialect[1:], "", "[second.time]", *clock[1:],
    ]  # fmt: skip


def _channel(channel: ChannelFinding, found: Inspection, asked: dict[str, Question], logger: str) -> list[str]:
    where = f"channel.{channel.name}"
    unit = asked.get(f"{where}.unit")
    out = channel.unit is None and unit is None and bool(channel.said)
    lines = ["[[channel]]"]
    lines += toml_line("name", channel.name, f"{_number(channel.lowest)} to {_number(channel.highest)} in the log")
    lines += _column(channel.key, found, asked, "")
    lines += toml_line("logger", logger, "") if logger else []
    said = f"from the {channel.unit_from}" if channel.unit_from else "the log gives none: plain numbers"
    said = "counts" if channel.name == found.roles.get("counter") else said
    lines += toml_line("unit", channel.unit or "1", said, unit)
    lines += _unit_in_log(channel.said, found) if channel.unit is None else []
    if channel.states:
        words = ", ".join(f"{as_toml(word)} = {number}" for word, number in channel.states)
        lines.append(f"map = {{ {words} }}  # the number of each word; a row with another word is not taken")
    missing = asked.get(f"{where}.missing")
    if channel.words or missing is not None:
        lines += toml_line("missing", list(channel.words), "stands for no value", missing)
    if channel.name in (found.roles.get("load"), found.roles.get("motion")) or unit is not None:
        lines += [
            "# certificate, due, scale, offset: from its calibration",
            "# expanded uncertainty (k = 2), a part of the value and a least value, from its certificate; without it",
            "# limits on this channel are not evaluated:",
            '# uncertainty = "0.5 %"',
            f'# uncertainty_floor = "0.1 {channel.unit or "1"}"',
        ]
    if not out:
        return lines
    return [f"# left out: the unit '{channel.said}' is not known here", *(f"# {line}" for line in lines)]


def _column(key: ColumnKey, found: Inspection, asked: dict[str, Question], why: str) -> list[str]:
    """A column by its name; by its number where the name is another one in each encoding that is asked."""
    if "log.encoding" not in asked or isinstance(key, int) or key.isascii():
        return toml_line("column", key, why)
    place = [column.key for column in found.outline.columns].index(key) + 1
    return toml_line("column", place, f"its name depends on the encoding: '{key}' in the first of them")


def _unit_in_log(said: str, found: Inspection) -> list[str]:
    """What a units row calls the unit, where that is none that is known: without it the log is refused."""
    text = said.strip("[]() ")
    if not found.outline.log.get("units_row") or not text or known_unit(text) is not None:
        return []
    return toml_line("unit_in_log", text, "what the units row calls it")


def _axis(axis: str, found: Inspection, asked: dict[str, Question]) -> list[str]:
    lines = toml_line("channel", found.roles.get(axis, "?"), "", asked.get(f"{axis}.channel"))
    for key in found.axes.get(axis, {}):
        lines += toml_line(key, "?", "from pivot to where it acts", asked.get(f"{axis}.{key}"))
    if f"{axis}.sign" in asked:
        lines += toml_line("sign", "?", "", asked[f"{axis}.sign"])
    return lines


def _role(role: str, why: str, found: Inspection, asked: dict[str, Question]) -> list[str]:
    if role in asked:
        return toml_line(role, "?", why, asked[role])
    return toml_line(role, found.roles[role], why) if role in found.roles else []


def toml_line(key: str, value: Any, why: str, question: Question | None = None) -> list[str]:
    """One key with its comment; a question comes above and takes the value away."""
    if question is not None:
        return [*_asked(question), f'{key} = "?"']
    text = f"{key} = {as_toml(value)}"
    return [f"{text:<{WIDTH}}  # {why}" if why else text]


def _asked(question: Question) -> list[str]:
    choices = f"# Write one of: {' | '.join(question.choices)}" if question.choices else "# Write what fits."
    return [f"# QUESTION: {question.ask}", choices]


def _number(value: float) -> str:
    return f"{value:.6g}" if math.isfinite(value) else "nothing"
