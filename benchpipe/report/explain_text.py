"""An explained verdict in lines: verdict, rule, limit, figure and its budget, formula, settings, samples, logs."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator
from typing import Any

from benchpipe.check.decision import NOT_APPLICABLE, applies
from benchpipe.check.rounding import probability_text, rounded
from benchpipe.views.caution import CAUTION, UNVERIFIED
from benchpipe.views.origin import NOT_SHOWN

PART_WIDTH = 44
COLUMNS = 80


def explained_lines(found: dict[str, Any]) -> Iterator[str]:
    """The chain from a verdict to the logs in lines for a terminal, at most 80 columns where names allow it."""
    unit, scale = ("%", 100.0) if found["unit"] == "1" else (found["unit"], 1.0)
    yield f"{found['run']}, block {found['block']}: {found['limit']} ({found['limits_file']})"
    waits = "" if found["due"] else " (not due yet)" if applies(found) else f" ({NOT_APPLICABLE})"
    yield f"  verdict    {found['verdict']}{waits}{' (signed by ' + found['signed'] + ')' if found['signed'] else ''}"
    if found["remark"]:
        yield from _wrapped("", found["remark"])
    yield from _wrapped("rule", found["rule"])
    ends = [found["value"]] + ([found["other_value"]] if found["other_value"] is not None else [])
    asked = " to ".join(f"{scale * end:.6g}" for end in sorted(ends))
    yield f"  limit      {found['operator']} {asked} {unit}: {found['measure']}, {found['statistic']}"
    by = f"verified by {found['verified_by']}" if found["verified"] else f"{UNVERIFIED}, or the lab's own"
    yield from _wrapped("", f"source: {found['source']} ({by})")
    if found["measured"] is None:
        yield "  measured   nothing"
    else:
        yield from _measured(found, unit, scale)
    yield from _budget(found["budget"], unit, scale)
    yield f"  used       {found['used']:,} of {found['of']:,}{_span(found)}"
    if found["left_out"]:
        yield from _wrapped("left out", found["left_out"])
    yield from _origin(found["origin"])
    yield from textwrap.wrap(CAUTION, COLUMNS)


def _wrapped(label: str, text: str) -> Iterator[str]:
    """A line with its label, the rest of it below."""
    yield from textwrap.wrap(
        text, COLUMNS, initial_indent=f"  {label:<11}", subsequent_indent=" " * 13, break_on_hyphens=False,
        break_long_words=False,
    ) or [f"  {label}"]  # fmt: skip


def _origin(origin: dict[str, Any]) -> Iterator[str]:
    """Baseline, formula, settings, samples and logs."""
    what, base = origin["what"].replace("_", " "), origin["baseline"]
    if base is not None:
        yield f"  baseline   {_numbers(what, base['first'], base['last'])}: {base['events']:,}"
    yield from _wrapped("formula", origin["formula"])
    measure = origin["measured_as"]
    columns = f" ({', '.join(measure['columns'])} of the table {measure['table']})" if measure["table"] else ""
    yield from _wrapped("", f"{measure['meaning']}{columns}")
    yield from _settings(origin["settings"])
    logs: dict[str, tuple[str, list[str]]] = {}
    for name, of in (("", origin["figure"]), (" (baseline)", base)):
        if of is None:
            continue
        label = "samples" if not name else ""
        yield f"  {label:<11}{of['samples']:,} in {of['events']:,} {what}{'' if of['events'] == 1 else 's'}{name}"
        for one in of["logs"]:
            stretch = f"rows {one['first']:,} to {one['last']:,}{name}"
            logs.setdefault(one["file"], (one["sha256"], []))[1].append(stretch)
    for one in origin["logs_of_run"]:
        logs[one["file"]] = (one["sha256"], [])
    for number, (file, (sha256, rows)) in enumerate(logs.items()):
        yield from _wrapped("" if number else "logs", ", ".join([file, *rows]))
        yield f"             {sha256}"


def _settings(settings: dict[str, Any]) -> Iterator[str]:
    """Files as the store keeps them, and keys of the limit that choose what is judged."""
    if not settings["files"]:
        yield from _wrapped("settings", settings["note"])
        return
    own = [one for one in settings["files"] if _of_figure(settings, one)]
    for number, text in enumerate(f"{one['role']} {one['name']} {one['sha256'][:12]}" for one in own):
        yield from _wrapped("" if number else "settings", text)
    keys = [f"{key} = {_value(value)}" for key, value in settings["limit"].items() if key not in NOT_SHOWN]
    if keys:
        yield from _wrapped("", f"of the limit: {', '.join(keys)}")
    if settings["note"]:
        yield from _wrapped("", settings["note"])


def _of_figure(settings: dict[str, Any], one: dict[str, Any]) -> bool:
    """Whether a settings file has a part in a figure: not another limit file, nor the lab file."""
    return one["role"] in ("plan", "rig") or (one["role"] == "limits" and one["name"] == settings["limit_file"])


def _value(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def _span(found: dict[str, Any]) -> str:
    if found["first"] is None:
        return ""
    what = found["origin"]["what"].replace("_", " ")
    return f": {_numbers(what, found['first'], found['last'])}" if what else ""


def _numbers(what: str, first: int, last: int) -> str:
    return f"{what} {first:,}" if first == last else f"{what}s {first:,} to {last:,}"


def _measured(found: dict[str, Any], unit: str, scale: float) -> Iterator[str]:
    u = found["expanded_u"]
    value, shown = rounded(scale * found["measured"], None if u is None else scale * u)
    bound = f"{found['bound']} " if found["bound"] else ""
    at = f", {found['at']}" if found["at"] else ""
    freedom = "" if found["dof"] is None else f", {found['dof']:.3g} degrees of freedom"
    u_text = f" ± {shown} {unit} (95 %{freedom})" if u else f" {unit}"
    yield f"  measured   {bound}{value}{u_text}{at}"
    if found["margin"] is not None:
        guard = "" if found["guard"] is None else f", guard band {scale * found['guard']:.3g}"
        yield f"  margin     {scale * found['margin']:.4g} {'points' if unit == '%' else unit}{guard}"
    if found["conformance"] is not None:
        yield f"  conforms   with {probability_text(found['conformance'])} (JCGM 106)"
    if found["consumer_risk"] is not None:
        risks = (probability_text(found[name]) for name in ("consumer_risk", "producer_risk"))
        yield "  risks      of a specimen from the prior: consumer's {}, producer's {}".format(*risks)
    if found["correction"] is not None:
        took, took_u = rounded(100.0 * found["correction"], 200.0 * (found["correction_u"] or 0.0))
        yield f"  as read    {100.0 * found['not_corrected']:.4g} %; temperature took off {took} ± {took_u} %"


def _budget(parts: list[dict[str, Any]], unit: str, scale: float) -> Iterator[str]:
    if not parts:
        yield "  uncertainty: none, the value is counted"
        return
    yield f"  {'uncertainty from':<{PART_WIDTH}}{'standard u':>12}{'share':>8}{'dof':>7}"
    for part in parts:
        u = "not known" if part["standard_u"] is None else f"{scale * part['standard_u']:.2g} {unit}"
        share = "" if part["share"] is None else f"{part['share']:.1%}"
        dof = "inf" if part["dof"] is None else f"{part['dof']:.3g}"
        name = f"{part['kind']}  {part['part']}"
        yield f"  {name:<{PART_WIDTH}}{u:>12}{share:>8}{dof if part['standard_u'] is not None else '':>7}"
        if part["note"]:
            yield from textwrap.wrap(part["note"], COLUMNS, initial_indent=" " * 7, subsequent_indent=" " * 7)
