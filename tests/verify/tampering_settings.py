"""Ways to tamper with the settings files that a store keeps, and with figures before they were signed."""

from __future__ import annotations

import hashlib
import random
import shutil

import pyarrow as pa
import pyarrow.parquet as pq

from benchpipe.ledger.heads import keep_heads
from benchpipe.store.configuration import FOLDER, Frozen, list_of, list_path, read_list
from benchpipe.store.files import sha256_of
from benchpipe.store.manifest import Manifest
from benchpipe.store.parts import forget_hashes
from benchpipe.store.run_store import RunStore
from tests.verify.labs import RUNS, write_kept
from tests.verify.tampering import Lab, drawn, flip, kind


@kind(40)
def settings_byte(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, (lab.folder(run) / FOLDER).iterdir())
    flip(path, rng)
    return f"{run}: {FOLDER}/{path.name}"


@kind(12)
def settings_removed(lab: Lab, rng: random.Random) -> str:
    run = rng.choice(RUNS)
    path = drawn(rng, (lab.folder(run) / FOLDER).iterdir())
    path.unlink()
    return f"{run}: {FOLDER}/{path.name}"


@kind(12)
def settings_swapped(lab: Lab, rng: random.Random) -> str:
    """One settings file under the name of another."""
    run = rng.choice(RUNS)
    one, other = rng.sample(sorted((lab.folder(run) / FOLDER).iterdir()), 2)
    write_kept(one, other.read_bytes())
    return f"{run}: {FOLDER}/{one.name}"


@kind(6)
def settings_of_another_run(lab: Lab, rng: random.Random) -> str:
    one, other = rng.sample(RUNS, 2)
    used = lab.manifest(one).configuration["check"]
    shutil.rmtree(lab.folder(one) / FOLDER)
    shutil.copytree(lab.folder(other) / FOLDER, lab.folder(one) / FOLDER)
    return f"{one}: {list_path(used)}"


@kind(12)
def settings_edited_under_their_own_name(lab: Lab, rng: random.Random) -> str:
    """An edited file, a list that names it, and a manifest with a new seal that names the list."""
    run = rng.choice(RUNS)
    manifest, folder = lab.manifest(run), lab.folder(run)
    files = list(read_list(folder, manifest.configuration["check"]))
    place = rng.choice([n for n, one in enumerate(files) if one.role in ("plan", "limits")])
    data = (folder / files[place].path).read_bytes() + f"# {rng.randrange(10**6)}\n".encode()
    files[place] = Frozen(files[place].role, files[place].name, hashlib.sha256(data).hexdigest(), len(data))
    (folder / files[place].path).write_bytes(data)
    document = list_of(files)
    name = hashlib.sha256(document).hexdigest()
    (folder / list_path(name)).write_bytes(document)
    forged = manifest.model_copy(update={"configuration": dict.fromkeys(manifest.configuration, name)})
    lab.reseal(run, forged, copy=rng.random() < 0.5)
    return f"{run}: manifest"


@kind(4)
def settings_rolled_back(lab: Lab, rng: random.Random) -> str:
    """A run of which the settings are forgotten, with a new seal."""
    run = rng.choice(RUNS)
    shutil.rmtree(lab.folder(run) / FOLDER)
    lab.reseal(run, lab.manifest(run).model_copy(update={"configuration": {}}), copy=True)
    return f"{run}: manifest"


def forge_a_figure(lab: Lab, run: str, rng: random.Random) -> str:
    """Change one figure of a table that verdicts or cycles are in, in a part that reads well and that a sealed
    manifest names, and keep the heads of that outside: only the raw logs know better. Returns the table."""
    store = RunStore(lab.store, run)
    manifest = store.manifest()
    places = [
        (step, number, name)
        for step in ("process", "check")
        for number, part in enumerate(manifest.steps[step].parts)
        for name in _numbers(pq.read_schema(store.folder / part.path))
        if part.rows
    ]
    step, number, name = rng.choice(places)
    part = manifest.steps[step].parts[number]
    path = store.folder / part.path
    rows = pq.read_table(path)
    known = [k for k, value in enumerate(rows.column(name).to_pylist()) if value is not None]
    row = rng.choice(known) if known else 0
    values = rows.column(name).to_pylist()
    values[row] = 1.0 if values[row] is None else values[row] * (1.0 + 1e-6) + 1e-9
    at = rows.schema.get_field_index(name)
    field = rows.schema.field(at)
    pq.write_table(rows.set_column(at, field, pa.array(values, field.type)), path)
    forged = part.model_copy(update={"bytes": path.stat().st_size, "sha256": sha256_of(path)})
    old = manifest.steps[step]
    parts = tuple(forged if k == number else one for k, one in enumerate(old.parts))
    steps = {**manifest.steps, step: old.model_copy(update={"parts": parts})}
    forget_hashes()
    _follow(lab, run, manifest.model_copy(update={"steps": steps}))
    return part.table


def _numbers(schema: pa.Schema) -> list[str]:
    return [field.name for field in schema if pa.types.is_floating(field.type)]


def _follow(lab: Lab, run: str, manifest: Manifest) -> None:
    """A state that follows from the one before, as benchpipe writes it, noted outside the store."""
    RunStore(lab.store, run).commit(manifest)
    assert keep_heads(lab.lab, lab.store, [run]) == ()
