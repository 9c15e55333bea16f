"""Runs with made-up tables, for tests of what limits say of them. All figures are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pyarrow as pa

from benchpipe.blocks.locking.plan import LockingBlock
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.blocks.relaxation.plan import RelaxationBlock
from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.blocks.stance.plan import StanceBlock
from benchpipe.check.validate_limits import limits_fit
from benchpipe.config.model import Quantity
from benchpipe.run import RunConfig, load_run
from benchpipe.store.manifest import Manifest, Placed, Remark, Source, Step
from benchpipe.store.run_store import RunStore
from benchpipe.tables import TABLES, schema
from tests.config.written import RIG, write_lab
from tests.steps_done import check_run

TODAY = date(2031, 6, 1)
ZERO = {"string": "", "bool": True, "int64": 0, "int32": 0, "uint16": 0, "float64": 0.0, "float32": 0.0}
SURE_RIG = RIG.replace('uncertainty = "0.5 %"\nuncertainty_floor = "0.1 N*m"\n', 'uncertainty = "0 %"\n')  # exact

# Blocks of the plan that need more than the small lab's rig file tells; they are given as they are.
STRENGTH = (
    ProofBlock(name="strength", kind="proof", load=Quantity(110.0, "torque"), settling_load=Quantity(5.0, "torque")),
    StanceBlock(name="stood", kind="stance", load_min=Quantity(25.0, "torque"), load_max=Quantity(35.0, "torque")),
    RelaxationBlock(name="stiff", kind="relaxation", motion=Quantity(3.0, "angle"), report_at=(60.0, 600.0)),
    LockingBlock(name="lock", kind="locking", carry_load=Quantity(2.0, "torque"), still=Quantity(0.1, "angle")),
    RollBlock(
        name="rolled", kind="roll", axes="ankle-foot", cop="angle", force="torque", tilt="angle", ankle_at=(0.0, 80.0),
        window="force", compare_with="rolled-free",
    ),
)  # fmt: skip


def limit(measure: str, value: str, *, operator: str = "<=", block: str = "durability", **keys: Any) -> str:
    """One limit as it is in a file."""
    named = {"name": measure, "block": block, "measure": measure, "operator": operator, "value": value, **keys}
    rows = [f"{key} = {text!r}" if isinstance(text, str) else f"{key} = {text}" for key, text in named.items()]
    return "\n".join(["[[limit]]", *rows, 'source = "invented"', ""])


def run_with(folder: Path, *limits: str, rig: str = RIG, head: str = "") -> RunConfig:
    """The small run with these limits."""
    folder.mkdir(parents=True, exist_ok=True)
    plan = write_lab(folder)
    (folder / "rig.toml").write_text(rig)
    (folder / "limits.toml").write_text('name = "own"\nbasis = "invented"\n' + head + "\n" + "\n".join(limits))
    run = load_run(plan)
    run = replace(run, plan=run.plan.model_copy(update={"block": (*run.plan.block, *STRENGTH)}))
    limits_fit(run)
    return run


def rows(table: str, count: int, **columns: Any) -> list[dict[str, Any]]:
    """Rows of a table: lists give a value a row, anything else stands in every row; the rest is zero."""
    made = []
    for i in range(count):
        row = {c.name: None if c.null else ZERO[c.dtype] for c in TABLES[table]}
        made.append(row | {k: v[i] if isinstance(v, list) else v for k, v in columns.items()})
    return made


def cycles(count: int, **columns: Any) -> list[dict[str, Any]]:
    """Complete cycles 1 … count of the block ``durability``, 100 samples each."""
    plain = {"block": "durability", "cycle": list(range(1, count + 1)), "samples": 100, "load_range": 75.0,
             "motion_range": 3.6, "peak_load": 80.0, "valley_load": 5.0, "complete": True}  # fmt: skip
    return rows("cycles", count, **(plain | columns))


def judge(
    run: RunConfig,
    *,
    today: date = TODAY,
    logs: bool = True,
    samples: int = 9,
    remarks: tuple[Remark, ...] = (),
    **tables: list[dict[str, Any]],
) -> list[dict[str, Any]]:
    """Verdicts of a run whose tables hold these rows."""
    store = RunStore(run.store, run.name)
    parts = []
    for name, content in tables.items():
        parts.append(store.write(name, pa.Table.from_pylist(content, schema=schema(name)), "0" * 64))
    source = Source(
        file="logs/a.csv", size=1, mtime_ns=1, sha256="0", key="0", rows=9, samples=samples, rejects=9 - samples,
        first_us=0, last_us=1, native_last_us=1, parts=(),
    )  # fmt: skip
    manifest = Manifest(
        run=run.name,
        sequence=store.manifest().sequence,  # of a run that was judged before
        sources=(source,) if logs else (),
        placed=(Placed(file=source.file, shift_us=0, after_us=None, repeats=0),) if logs else (),
        steps={"process": Step(key="0", version=1, parts=tuple(parts), remarks=remarks)},
    )
    new = check_run(run, store, manifest, today=today)
    assert store.read(new, "verdicts").schema.equals(schema("verdicts"))
    return store.read(new, "verdicts").to_pylist()
