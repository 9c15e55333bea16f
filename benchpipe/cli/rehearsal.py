"""Rehearse a night on a run without writing anything."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from benchpipe.check.case import rule_of
from benchpipe.check.drafted import drafted_keys
from benchpipe.check.measures import measures_of
from benchpipe.check.rig_parts import not_stated
from benchpipe.check.validate_limits import blocks_of, limits_fit
from benchpipe.cli.finding import DoctorFinding, of_error
from benchpipe.config.renamed import name_now
from benchpipe.errors import BenchpipeError, ExitCode, InputError
from benchpipe.escapes import quoted
from benchpipe.ingest.logs import find_logs
from benchpipe.ingest.native_time import native_time
from benchpipe.ingest.source import source_key
from benchpipe.ingest.strangers import why_stranger
from benchpipe.readers.log_file import open_log
from benchpipe.readers.registry import read_log
from benchpipe.run import RunConfig, load_run
from benchpipe.store.archive_note import read_away
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import MANIFEST
from benchpipe.survey.compare import plan_against_limits, plan_against_logs
from benchpipe.survey.stretches import survey_logs

MOST_LOOKED_AT = 20  # logs of a run
MOST_ROWS = 2_000_000  # of them together


@dataclass(frozen=True)
class Rehearsed:
    """Result of the rehearsal of a run.

    ``to_read``: bytes of logs that are new; ``newest_us``: its last row, if it has dates;
    ``written``: time of its manifest [s since 1970].
    """

    findings: tuple[DoctorFinding, ...]
    name: str = ""
    format: str = ""
    to_read: int = 0
    newest_us: int | None = None
    written: tuple[tuple[float, Path], ...] = ()


def rehearse(plan: Path, store: Path, names: dict[str, Path]) -> Rehearsed:
    """Rehearse one run of a lab; ``names`` collects the names so far."""
    topic = f"plan {plan.parent.name}/{plan.name}"
    try:
        run = load_run(plan, store)
        limits_fit(run)
    except BenchpipeError as error:
        found = of_error(topic, error)
        if str(error.where).endswith("key rig") and "does not exist" in error.what:
            logs, rig = quoted(plan.parent / "logs"), quoted(plan.parent / "rig.toml")
            found = replace(found, do_next=f"draft it: benchpipe inspect {logs} --write-rig {rig}")
        elif not plan.exists():
            found = replace(found, do_next=f"draft it: {_draft_command(plan)}")
        return Rehearsed((found,))
    topic = f"run {run.name}"
    if names.setdefault(run.name, plan) != plan:
        text = f"the name '{run.name}' is taken by {names[run.name]}"
        return Rehearsed((DoctorFinding("wrong", topic, text, "give each plan a name of its own", ExitCode.USAGE),))
    try:
        return _looked_at(run, topic)
    except BenchpipeError as error:
        return Rehearsed((of_error(topic, error),), run.name, run.rig.log.format)


def _draft_command(plan: Path) -> str:
    """The command that drafts a plan that is not there, and its rig file where that is not either."""
    here, rig = quoted(plan.parent / "logs"), plan.parent / "rig.toml"
    option = "--rig" if rig.exists() else "--write-rig"
    return f"benchpipe inspect {here} {option} {quoted(rig)} --write-plan {quoted(plan)}"


def _looked_at(run: RunConfig, topic: str) -> Rehearsed:
    away = read_away(run.store / run.name)
    if away is not None and away.state == "leaving":
        there = (away.archive / run.name).is_dir()
        text = f"in the archive {away.archive / run.name}"
        gone = DoctorFinding("look", topic, f"{text}, which is not there now", "mount its disk or share")
        return Rehearsed((DoctorFinding("ok", topic, text) if there else gone,), run.name, run.rig.log.format)
    folder = run.store / run.name
    if folder.exists() and not os.access(folder, os.W_OK | os.X_OK):
        text = f"{folder} may not be written"
        denied = DoctorFinding("wrong", topic, text, "give this account the right to write there", ExitCode.BAD_INPUT)
        return Rehearsed((denied,), run.name, run.rig.log.format)
    manifest = run.open_store().manifest() if folder.is_dir() else Manifest(run=run.name)
    places = {p.file: p.shift_us for p in manifest.placed}
    ends = [s.last_us + places.get(s.file, 0) for s in manifest.sources if s.last_us is not None]
    kept = run.store / run.name / MANIFEST
    written = ((kept.stat().st_mtime, kept),) if kept.exists() else ()
    findings, to_read = _logs(run, manifest, topic)
    findings += _not_stated(run, topic)
    findings += _drafted(run, topic)
    findings += _renamed(run, topic)
    findings += [DoctorFinding("look", topic, one.text, one.do_next) for one in plan_against_limits(run)]
    if not manifest.closed and not any(one.state == "wrong" for one in findings):
        findings += _against_logs(run, topic)
    return Rehearsed(
        tuple(findings),
        run.name,
        run.rig.log.format,
        to_read,
        max(ends, default=None) if run.rig.time.shown_as_dates else None,
        written,
    )


def _renamed(run: RunConfig, topic: str) -> Iterator[DoctorFinding]:
    """Limits on measures by the names that they had before."""
    for limits in run.limits:
        for i, values in enumerate(limits.file.values.get("limit", [])):
            before = values.get("measure")
            if name_now(before) != before:
                where = limits.file.where(("limit", i, "measure"))
                yield DoctorFinding(
                    "look", topic, f"{where}: the measure '{before}' is called '{name_now(before)}' now",
                    f'write measure = "{name_now(before)}"; the old name is still read',
                )  # fmt: skip


def _not_stated(run: RunConfig, topic: str) -> Iterator[DoctorFinding]:
    """Channels that state no uncertainty, and how many limits wait for it."""
    waiting: dict[str, int] = {}
    for limits in run.limits:
        for limit in limits.config.limit:
            guarded = rule_of(limit, limits.config).guarded
            if guarded and limits.config.rule_of(limit, "undeclared") == "refuse":
                measure = measures_of(run)[limit.measure]
                blocks = blocks_of(limit, measure, run)
                unstated = [n for block in blocks for n in not_stated(measure, run.rig, block)]
                for name in dict.fromkeys(unstated or not_stated(measure, run.rig)):
                    waiting[name] = waiting.get(name, 0) + 1
    for name, count in waiting.items():
        text = f"channel '{name}' of the rig file states no uncertainty: {count} limit(s) on it are not evaluated"
        do_next = f'add uncertainty = "..." (expanded, k = 2, from its certificate) to it in {run.rig_path}'
        yield DoctorFinding("look", topic, text, do_next)


def _drafted(run: RunConfig, topic: str) -> Iterator[DoctorFinding]:
    """Drafted values, and how many limits wait for their confirmation."""
    for block in run.plan.block:
        if block.drafted:
            waiting = sum(
                bool(drafted_keys(limit, measures_of(run)[limit.measure], block))
                for limits in run.limits for limit in limits.config.limit if limit.block in (block.name, block.kind)
            )  # fmt: skip
            text = f"block '{block.name}': {', '.join(block.drafted)} drafted from the log"
            text += f": {waiting} limit(s) wait" if waiting else ", and not confirmed"
            do_next = f"compare with the protocol, then remove from drafted in {run.plan_path}"
            yield DoctorFinding("look", topic, text, do_next)


def _against_logs(run: RunConfig, topic: str) -> Iterator[DoctorFinding]:
    """Contradictions between plan and some of the logs; logs that cannot be read are reported elsewhere."""
    files = find_logs(run).files
    step = max(-(-len(files) // MOST_LOOKED_AT), 1)
    looked = dict(list(files.items())[::step])
    sound = {name: path for name, path in looked.items() if not list(_first_rows(run, topic, name, path))}
    for one in plan_against_logs(run, survey_logs(run.rig, sound, most_rows=MOST_ROWS)):
        yield DoctorFinding("look", topic, one.text, one.do_next)


def _strangers(run: RunConfig, topic: str, files: dict[str, Path]) -> Iterator[DoctorFinding]:
    """Files beside the logs that the plan's patterns do not take."""
    folders = {path.parent for path in files.values()} - {run.folder}
    taken = set(files.values())
    left = sorted(
        p.name for folder in folders for p in folder.iterdir()
        if p.is_file() and not p.name.startswith(".") and p not in taken
    )  # fmt: skip
    if left:
        more = f" and {len(left) - 3} more" if len(left) > 3 else ""
        text = f"{len(left)} file(s) beside the logs are not taken: {', '.join(left[:3])}{more}"
        yield DoctorFinding(
            "look", topic, text, "see that no log is among them; 'logs' in the plan says which are taken"
        )


def _logs(run: RunConfig, manifest: Manifest, topic: str) -> tuple[list[DoctorFinding], int]:
    """New logs, and whether their first rows can be ingested."""
    if manifest.closed:
        return [DoctorFinding("ok", topic, "its samples were dropped after the sign-off: nothing is read any more")], 0
    found = find_logs(run)
    new: list[tuple[str, Path]] = []
    to_read = 0
    strangers = []
    for name, path in found.files.items():
        with open_log(path) as file:
            file.read(1)
        stat, known = path.stat(), manifest.source(name)
        if known is None and (why := why_stranger(path, run.rig.of_file(name))) is not None:
            strangers.append(DoctorFinding("look", topic, f"{name} is no log, but {why}: it is not taken",
                                     "let 'logs' in the plan name the logs only, such as 'logs/*.csv'"))  # fmt: skip
            continue
        if known is not None and source_key(run.rig.of_file(name), known.sha256, known.last_us) == known.key:
            if (stat.st_size, stat.st_mtime_ns) == (known.size, known.mtime_ns):
                continue
            to_read += max(stat.st_size - known.taken, 0)
        else:
            to_read += stat.st_size
        new.append((name, path))
    what = f"{len(new)} of {len(found.files)} log(s) to read, {to_read / 1e6:,.1f} MB" if new else (
        f"{len(found.files)} log(s), nothing new"
    )  # fmt: skip
    findings = list(_begin_of(run, topic, new[-MOST_LOOKED_AT:]))
    if not any(one.state == "wrong" for one in findings):
        findings.insert(0, DoctorFinding("ok", topic, what))
    findings += [*_strangers(run, topic, found.files), *strangers]
    findings += [
        DoctorFinding("look", topic, f"{r.where}: {r.text}", "see that no log is missing") for r in found.remarks
    ]
    return findings, to_read


def _begin_of(run: RunConfig, topic: str, new: list[tuple[str, Path]]) -> Iterator[DoctorFinding]:
    """Whether the first rows of each log can be ingested: the newest that cannot, and how many others."""
    found = [one for name, path in reversed(new) for one in _first_rows(run, topic, name, path)]
    for state in ("wrong", "look"):
        alike = [one for one in found if one.state == state]
        if alike:
            more = f"; {len(alike) - 1} more log(s) have something of that kind" if len(alike) > 1 else ""
            yield replace(alike[0], text=alike[0].text + more)


def _first_rows(run: RunConfig, topic: str, name: str, path: Path) -> Iterator[DoctorFinding]:
    """Whether the first rows of a log can be taken as the rig file says."""
    do_next = f"check the rig file against the log: benchpipe inspect {quoted(path)}"
    try:
        with open_log(path) as file:
            batch = next(iter(read_log(path, file, run.rig.of_file(name))), None)
    except InputError as error:
        yield of_error(topic, error, name)
        return
    if batch is None or (not len(batch.row) and not batch.rejects):
        yield DoctorFinding("look", topic, f"{name} holds no rows yet", "see that the rig writes")
        return
    _, good = native_time(batch.time, run.rig.of_file(name).time)
    taken, refused = int(good.sum()), sum(one.rows for one in batch.rejects) + int((~good).sum())
    if not taken:
        why = batch.rejects[0].reason if batch.rejects else "a time beyond all calendars"
        yield DoctorFinding("wrong", topic, f"{name}: no row of the first {refused:,} can be taken: {why}", do_next,
                      ExitCode.BAD_INPUT)  # fmt: skip
    elif refused > taken:
        why = batch.rejects[0].reason if batch.rejects else "a time beyond all calendars"
        text = f"{name}: {refused:,} of the first {taken + refused:,} rows are rejected: {why}"
        yield DoctorFinding("look", topic, text, do_next)
