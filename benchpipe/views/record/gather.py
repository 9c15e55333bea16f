"""Gather the record of a run. Nothing in it depends on the moment or the machine that makes it: the same state gives
the same record."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from benchpipe.blocks.charts import Axis, FigureTable
from benchpipe.check.measures import measures_of
from benchpipe.errors import ConfigError, StoreError
from benchpipe.run import RunConfig
from benchpipe.store.manifest import Manifest
from benchpipe.store.open_storage import read_file
from benchpipe.store.run_store import MANIFEST, RunStore
from benchpipe.views.model import RunView
from benchpipe.views.page.bounds import bounded_facts
from benchpipe.views.page.model import Facts
from benchpipe.views.page.origin import left_out_facts
from benchpipe.views.page.run_page import run_page
from benchpipe.views.record.attachments import CONTENTS, REMARKS, attachments
from benchpipe.views.record.attachments import MANIFEST as ATTACHED_MANIFEST
from benchpipe.views.record.configuration import ConfigFile, configuration_files
from benchpipe.views.record.model import Attachment, JudgedLimit, RunRecord
from benchpipe.views.record.origins import Origins
from benchpipe.views.record.written import plan_facts, rig_file_facts
from benchpipe.views.run_view import run_view

ATTACHED = {"rejected rows": "rejects.parquet", "remarks": REMARKS}  # of a title: the file with all its rows
TABLES = {"rejected rows": "rejects", "remarks": "remarks"}
OF_LIMIT = ("limits_file", "limit", "block")  # what names a verdict


def record_of(run: RunConfig, store: RunStore) -> RunRecord:
    """The record of a run as the store has it; the caller holds the store, or no job writes to it.

    Raises
    ------
    ConfigError
        Nothing of the run is stored yet, or a configuration file cannot be read.
    StoreError
        A table cannot be read, or is not what was written.
    """
    manifest, document = _stored(store)
    view = replace(
        run_view(run, manifest, store), made_with=""
    )  # which of today's software differs is not of the state
    page = run_page(run, manifest, store, view)
    files = configuration_files(run, store, manifest)
    origins, measures = Origins(run, store, manifest), measures_of(run)
    judged = []
    for margin in page.margins:
        row = margin.row
        budget = tuple(one for one in page.budgets if all(one[key] == row[key] for key in OF_LIMIT))
        known = measures.get(row["measure"])
        judged.append(JudgedLimit(margin, known.meaning if known is not None else "", budget, origins.of(row)))
    verdicts, budgets = (store.read(manifest, table).to_pylist() for table in ("verdicts", "budgets"))
    attached = attachments(manifest, document, store, files, view.remarks, verdicts, budgets)
    return RunRecord(
        page=page, state=manifest.sequence, manifest=hashlib.sha256(document).hexdigest(),
        date=_date(run, manifest, view.last_us), ledger=manifest.ledger, signed=manifest.signed, judged=tuple(judged),
        plan=plan_facts(files), rig=rig_file_facts(files),
        left_out=tuple(_left_out(view, manifest, store, {one.name for one in attached})),
        origin=tuple(_origin(manifest, files, attached)), attached=attached,
    )  # fmt: skip


def _left_out(view: RunView, manifest: Manifest, store: RunStore, attached: set[str]) -> Iterator[Facts]:
    """Rejected rows and remarks, and which attached file has all of them."""
    for one in left_out_facts(view, manifest, store):
        file = ATTACHED[one.title]
        place = f"see the table {TABLES[one.title]} in the store"
        note = one.note.partition(" All of them:")[0]  # that command has no name of the run yet
        yield bounded_facts(replace(one, note=note), f"see the attached {file}" if file in attached else place)


def _stored(store: RunStore) -> tuple[Manifest, bytes]:
    manifest = store.manifest()  # refuses what is in an archive, damaged, or of another run
    if not manifest.sequence:
        raise ConfigError(
            f"nothing of run '{store.run}' is stored yet: there is nothing to record",
            where=store.folder,
            do_next="work on it first: benchpipe nightly LAB",
        )
    path = store.folder / MANIFEST
    try:
        document = read_file(path)
    except OSError as error:
        raise StoreError(f"the manifest cannot be read: {error.strerror}", where=path) from None
    return store.proven(document), document


def _date(run: RunConfig, manifest: Manifest, last_us: int | None) -> datetime | None:
    """Last sample (by the rig's clock, taken as UTC) or last sign-off, to the second."""
    dates = [datetime.fromisoformat(one.when).astimezone(UTC) for one in manifest.signed]
    if last_us is not None and run.rig.time.shown_as_dates:
        dates.append(datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=last_us))
    return max(dates).replace(microsecond=0) if dates else None


def _origin(manifest: Manifest, files: Iterable[ConfigFile], attached: tuple[Attachment, ...]) -> Iterator[Facts]:
    logs = FigureTable(
        (Axis("log"), Axis("rows"), Axis("samples"), Axis("rejected"), Axis("bytes taken"), Axis("SHA-256 of these")),
        tuple((s.file, s.rows, s.samples, s.rejects, s.taken or s.size, s.sha256) for s in manifest.sources),
    )
    yield bounded_facts(Facts("logs", logs), f"see the attached {ATTACHED_MANIFEST}")
    steps = tuple(
        (step, made.get("benchpipe", ""), made.get("kernels", ""), made.get("python", ""),
         ", ".join(f"{k} {v}" for k, v in made.items() if k not in ("benchpipe", "kernels", "python", *MACHINE)),
         " ".join(made[k] for k in MACHINE if k in made))
        for step, made in manifest.made_with.items()
    )  # fmt: skip
    yield Facts("software and machine that made each step", FigureTable(tuple(map(Axis, (
        "step", "benchpipe", "kernels", "Python", "libraries", "machine",
    ))), steps))  # fmt: skip
    yield Facts("keys of the steps", FigureTable(
        (Axis("step"), Axis("version"), Axis("key: hash of all it was made from")),
        tuple((name, step.version, step.key) for name, step in manifest.steps.items()),
    ))  # fmt: skip
    yield Facts("attached files", FigureTable(
        (Axis("file"), Axis("what it is"), Axis("bytes"), Axis("SHA-256")),
        tuple((one.name, one.what, len(one.data), one.sha256) for one in attached),
    ))  # fmt: skip
    inside = {one.sha256 for one in attached}
    by_hash = [part for part in manifest.parts() if part.sha256 not in inside]
    rows = FigureTable(
        (Axis("table"), Axis("rows"), Axis("bytes"), Axis("SHA-256")),
        tuple((p.table, p.rows, p.bytes, p.sha256) for p in by_hash),
    )
    yield bounded_facts(Facts("tables by their hash", rows, "Not attached: they are in the store."),
                        f"see the attached {CONTENTS}")  # fmt: skip


MACHINE = ("system", "machine", "processor")
