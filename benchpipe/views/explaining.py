"""Explain one verdict: rule, limit, value, values used and left out, and the budget of its uncertainty."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from benchpipe.check.decision import NOT_APPLICABLE, applies
from benchpipe.check.rounding import probability_text, rounded
from benchpipe.check.signing import standing
from benchpipe.errors import ConfigError, nearest
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore
from benchpipe.views.caution import CAUTION, UNVERIFIED

WIDTH = 44


def explained(
    run: RunConfig, store: RunStore, manifest: Manifest, block: str, limit: str, limits_file: Path | None = None
) -> dict[str, Any]:
    """A row of the verdicts table with the rows of its budget.

    Parameters
    ----------
    block, limit : str
        As they stand in the verdicts.
    limits_file : Path, optional
        The limit file, where two have a limit of that name.

    Raises
    ------
    ConfigError
        The run was not judged, there is no such verdict, or more than one.
    """
    if "check" not in manifest.steps:
        raise ConfigError(f"run '{run.name}' was not judged yet", do_next="judge it first: benchpipe nightly LAB")
    rows = store.read(manifest, "verdicts").to_pylist()
    here = [row for row in rows if row["block"] == block]
    if not here:
        known = list(dict.fromkeys(row["block"] for row in rows))
        raise ConfigError(f"no limit was judged on a block '{block}'", expected=nearest(block, known))
    found = [row for row in here if row["limit"] == limit]
    if not found:
        known = [row["limit"] for row in here]
        raise ConfigError(f"block '{block}' has no limit '{limit}'", expected=nearest(limit, known))
    if limits_file is not None:
        names = {s.config.name for s in run.limits if s.file.path.resolve() == limits_file.resolve()}
        found = [row for row in found if row["limits_file"] in names]
    if len(found) != 1:
        files = {s.config.name: s.file.path for s in run.limits}
        choices = ", ".join(str(files.get(row["limits_file"], row["limits_file"])) for row in found)
        raise ConfigError(
            f"{len(found) or 'no'} limits '{limit}' of block '{block}' fit", expected=choices or None,
            do_next="name one limit file of the plan: --limits FILE",
        )  # fmt: skip
    (row,) = found
    of = ("limits_file", "limit", "block")
    budget = [b for b in store.read(manifest, "budgets").to_pylist() if all(b[k] == row[k] for k in of)]
    signed = standing(store, manifest)
    return {"run": run.name, **row, "budget": budget, "signed": signed.who if signed else ""}


def explained_lines(found: dict[str, Any]) -> Iterator[str]:
    """The same in lines for a terminal, at most 80 columns where names allow it."""
    unit, scale = ("%", 100.0) if found["unit"] == "1" else (found["unit"], 1.0)
    yield f"{found['run']}, block {found['block']}: {found['limit']} ({found['limits_file']})"
    waits = "" if found["due"] else " (not due yet)" if applies(found) else f" ({NOT_APPLICABLE})"
    yield f"  verdict    {found['verdict']}{waits}"
    if found["remark"]:
        yield f"             {found['remark']}"
    yield f"  rule       {found['rule']}"
    ends = [found["value"]] + ([found["other_value"]] if found["other_value"] is not None else [])
    asked = " to ".join(f"{scale * end:.6g}" for end in sorted(ends))
    yield f"  limit      {found['operator']} {asked} {unit}: {found['measure']}, {found['statistic']}"
    by = f"verified by {found['verified_by']}" if found["verified"] else f"{UNVERIFIED}, or the lab's own"
    yield f"             source: {found['source']} ({by})"
    if found["measured"] is None:
        yield "  measured   nothing"
    else:
        yield from _measured(found, unit, scale)
    yield f"  used       {found['used']:,} of {found['of']:,}{_span(found)}"
    if found["left_out"]:
        yield f"  left out   {found['left_out']}"
    yield from _budget(found["budget"], unit, scale)
    yield CAUTION


def _span(found: dict[str, Any]) -> str:
    return "" if found["first"] is None else f", numbers {found['first']:,} to {found['last']:,}"


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
        yield f"  margin     {scale * found['margin']:.4g} {unit}{guard}"
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
    yield f"  {'uncertainty from':<{WIDTH}}{'standard u':>12}{'share':>8}{'dof':>7}"
    for part in parts:
        u = "not known" if part["standard_u"] is None else f"{scale * part['standard_u']:.2g} {unit}"
        share = "" if part["share"] is None else f"{part['share']:.1%}"
        dof = "inf" if part["dof"] is None else f"{part['dof']:.3g}"
        name = f"{part['kind']}  {part['part']}"
        yield f"  {name:<{WIDTH}}{u:>12}{share:>8}{dof if part['standard_u'] is not None else '':>7}"
        if part["note"]:
            yield f"       {part['note']}"
