"""What a night keeps of a run, so that the next one sees at a glance that nothing is new, and shows the last view.

Kept are the view, and all that it was made from: the program, the hashes of the configs and of the manifest, names,
sizes and times of every file in the run's folder of the store and of every log. A glance counts only where all of it
is as it was; else the run is worked on. What depends on the hour (a rig that has stopped, a calibration that is due)
is judged again at each look. Nothing heavy is imported here.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchpipe.errors import BenchpipeError
from benchpipe.health.facts import RunFacts
from benchpipe.health.finding import Finding
from benchpipe.health.now import in_us, now_us, wall
from benchpipe.mirrors import mirror_over
from benchpipe.night.program import program
from benchpipe.store.files import write_whole
from benchpipe.store.notes import NIGHTS
from benchpipe.views.kept_view import view_of
from benchpipe.views.model import RunView

if TYPE_CHECKING:
    from benchpipe.config.watching import HealthConfig
    from benchpipe.night.task import LabMark

VIEWS = f"{NIGHTS}/views"
MANIFEST = "manifest.json"
VERSION = 1
Stats = dict[str, list[int]]  # size and time of last change [ns] by name


@dataclass(frozen=True)
class RigNow:
    """What of a run's rig depends on the hour.

    ``dated``: the logs have dates; ``utc``: they tell their distance from UTC. ``facts`` is None where the rig is not
    watched; ``findings`` are of the night that kept them, those that do not depend on the hour count on.
    """

    dated: bool
    utc: bool
    watched: bool
    facts: RunFacts | None
    findings: tuple[Finding, ...]

    def view_at(self, view: RunView, config: HealthConfig, now: datetime) -> RunView:
        """The view as it is now."""
        from benchpipe.health.rules import findings_at
        from benchpipe.views.rig_advice import with_health

        found, a_day = self.findings, 0.0
        if self.facts is not None:
            at_us = now_us(now, utc=self.utc) if self.facts.by_row else in_us(wall(now))
            found = findings_at(found, replace(self.facts, now_us=at_us, today=wall(now).date()), config)
            a_day = self.facts.a_day
        if view.pace is not None and self.dated:
            view = replace(view, pace=view.pace.seen_at(now_us(now, utc=self.utc)))
        return replace(with_health(view, found), bytes_a_day=a_day, watched=self.watched)


@dataclass(frozen=True)
class MadeFrom:
    """All that a view was made from, besides the program.

    Attributes
    ----------
    lab, lab_sha256 : str
        Lab file whose rules and signers hold.
    configs : dict
        SHA-256 of the plan, the rig file and the limit files, by path.
    manifest : str
        SHA-256 of the run's manifest.
    stored, logs : dict
        Size and time of each file in the run's folder of the store, and of each log.
    patterns : list of str
        Of the logs.
    odd : list
        What is odd about the names of the logs.
    day : str
        The date, where the verdicts depend on it, else empty.
    """

    lab: str
    lab_sha256: str
    configs: dict[str, str]
    manifest: str
    stored: Stats
    logs: Stats
    patterns: list[str]
    odd: list[list[str]]
    day: str


@dataclass(frozen=True)
class Glance:
    """The last view of a run, and what it was made from.

    ``settled``: no rule of the lab had anything to say of its samples, and the next night need not look further.
    ``files`` are the names of logs and parts by which their verification is noted.
    """

    plan: Path
    store: Path
    name: str
    settled: bool
    made_from: MadeFrom
    rig: RigNow
    view_text: str
    files: tuple[str, ...]

    def view(self, config: HealthConfig, now: datetime) -> RunView:
        """The view as it is now.

        Raises
        ------
        ValueError
            It is not what was written.
        """
        return self.rig.view_at(view_of(self.view_text), config, now)

    @property
    def configs_are_same(self) -> bool:
        """Whether lab, plan, rig and limit files are what they were."""
        kept = {self.made_from.lab: self.made_from.lab_sha256, **self.made_from.configs}
        return all(file_hash(Path(path)) == sha256 for path, sha256 in kept.items())

    def data_are_same(self, today: date) -> bool:
        """Whether the run's folder in the store and its logs are what they were, by name, size, time and manifest."""
        made = self.made_from
        folder = self.store / self.name
        try:
            if made.day not in ("", today.isoformat()) or file_hash(folder / MANIFEST) != made.manifest:
                return False
            return stats_below(folder) == made.stored and logs_seen(self.plan.parent, self.name, made.patterns) == (
                made.logs,
                made.odd,
            )
        except (OSError, BenchpipeError):
            return False


def file_hash(path: Path) -> str:
    """SHA-256 of a file; empty where it cannot be read."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def stats_below(folder: Path) -> Stats:
    """Size and time of every file below a folder."""
    return dict(sorted(_below(str(folder), "")))


def _below(folder: str, before: str) -> Iterator[tuple[str, list[int]]]:
    with os.scandir(folder) as entries:
        for entry in entries:
            name = f"{before}{entry.name}"
            if entry.is_dir(follow_symlinks=False):
                yield from _below(entry.path, f"{name}/")
            else:
                stat = entry.stat(follow_symlinks=False)
                yield name, [stat.st_size, stat.st_mtime_ns]


def logs_seen(folder: Path, run: str, patterns: list[str]) -> tuple[Stats, list[list[str]]]:
    """Logs of a run, and what is odd about their names.

    Raises
    ------
    InputError
        There are none, or a name cannot be written down.
    """
    from benchpipe.ingest.logs import logs_in

    found = logs_in(folder, run, patterns)
    stats = {name: path.stat() for name, path in found.files.items()}
    odd = [[one.code, one.where, str(one.count), one.text] for one in found.remarks]
    return {name: [stat.st_size, stat.st_mtime_ns] for name, stat in stats.items()}, odd


def glance_text(
    *, plan: Path, name: str, settled: bool, made_from: MadeFrom, rig: RigNow, view_text: str, files: tuple[str, ...]
) -> str:  # fmt: skip
    """A glance as it is kept: a line with the hash of the rest, and JSON."""
    facts = rig.facts
    document = {
        "version": VERSION, "program": program(), "plan": str(plan), "name": name, "settled": settled,
        "made_from": asdict(made_from), "view": view_text, "files": files,
        "rig": {
            "dated": rig.dated, "utc": rig.utc, "watched": rig.watched,
            "findings": [asdict(one) for one in rig.findings],
            "facts": None if facts is None else _facts(facts),
        },
    }  # fmt: skip
    body = json.dumps(document, separators=(",", ":"))
    return f"{hashlib.sha256(body.encode()).hexdigest()}\n{body}"


def _facts(facts: RunFacts) -> dict[str, Any]:
    """What the rules that depend on the hour look at."""
    return {
        "seen_us": facts.seen_us, "by_row": facts.by_row, "block": facts.block, "over": facts.over,
        "standing_s": None if math.isnan(facts.standing_s) else facts.standing_s, "a_day": facts.a_day,
        "longest_cycle_s": facts.longest_cycle_s, "due": [[name, day.isoformat()] for name, day in facts.due],
    }  # fmt: skip


def read_glance(store: Path, plan: Path) -> Glance | None:
    """What the last night kept of a run; None where there is nothing that this program has written."""
    try:
        seal, _, body = _path(store, plan).read_text(encoding="utf-8").partition("\n")
        if hashlib.sha256(body.encode()).hexdigest() != seal:
            return None
        document = json.loads(body)
        if (document["version"], document["program"], document["plan"]) != (VERSION, program(), str(plan)):
            return None
        return Glance(
            plan, store, document["name"], document["settled"], MadeFrom(**document["made_from"]),
            _rig(document["rig"]), document["view"], tuple(document["files"]),
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _rig(kept: dict[str, Any]) -> RigNow:
    facts = kept["facts"]
    if facts is not None:
        due = tuple((name, date.fromisoformat(day)) for name, day in facts.pop("due"))
        standing = facts.pop("standing_s")
        facts = RunFacts(
            now_us=0, today=date.min, cycles=None, channels=(), due=due,
            standing_s=math.nan if standing is None else standing, **facts,
        )  # fmt: skip
    findings = tuple(Finding(**one) for one in kept["findings"])
    return RigNow(kept["dated"], kept["utc"], kept["watched"], facts, findings)


def keep_glance(store: Path, plan: Path, text: str) -> None:
    """Keep what a night saw of a run, or remove what is there (an empty text); the caller holds the store.

    A glance that cannot be written only makes the next night slower.
    """
    if mirror_over(store) is not None:
        return
    path = _path(store, plan)
    with suppress(OSError, BenchpipeError):
        if not text:
            path.unlink(missing_ok=True)
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            write_whole(path, text.encode())


def unchanged(store: Path, plan: Path, lab: LabMark | None) -> Glance | None:
    """The glance of a run whose configs are what they were; None where it has to be loaded."""
    if mirror_over(store) is not None:  # another machine may have written to it since
        return None
    found = read_glance(store, plan)
    if found is None or lab is None or found.made_from.lab != str(lab.path):
        return None
    return found if found.made_from.lab_sha256 == lab.sha256 and found.configs_are_same else None


def _path(store: Path, plan: Path) -> Path:
    return store / VIEWS / f"{hashlib.sha256(os.fsencode(plan)).hexdigest()[:24]}.json"
