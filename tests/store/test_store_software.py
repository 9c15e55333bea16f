"""Each step's software and machine are in the manifest, as they were when the step last changed."""

from __future__ import annotations

from pathlib import Path

from benchpipe import __version__
from benchpipe.store.manifest import Manifest, Step
from benchpipe.store.run_store import RunStore
from benchpipe.store.software import LIBRARIES, made_with, other_software, software


def test_software_names_what_computes() -> None:
    found = software()
    assert found["benchpipe"] == __version__
    assert {"kernels", "python", *LIBRARIES, "system", "machine", "processor"} <= set(found)
    assert "" not in found.values()
    assert len(found["kernels"]) == 12


def test_a_step_keeps_what_it_was_made_with(tmp_path: Path) -> None:
    store = RunStore(tmp_path, "one")
    one = store.commit(Manifest(run="one", steps={"ingest": Step(key="a", version=1)}))
    assert one.made_with == {"ingest": software()}
    old = {"ingest": software() | {"numpy": "0.1"}}
    kept = made_with(one.steps, one.steps, old)
    assert kept == old
    assert made_with({**one.steps, "check": Step(key="b", version=1)}, one.steps, old) == {**old, "check": software()}
    assert made_with({"ingest": Step(key="c", version=1)}, one.steps, old) == {"ingest": software()}
    assert made_with(one.steps, one.steps, {}) == {}  # a store of an older version: not known


def test_what_differs_is_said_once() -> None:
    assert other_software({}) == ""
    assert other_software({"ingest": software()}) == ""
    old = software() | {"numpy": "0.1", "polars": "0.2"}
    assert other_software({"ingest": old, "process": old, "check": software()}) == (
        f"made by other software (ingest, process): numpy 0.1, now {software()['numpy']}; "
        f"polars 0.2, now {software()['polars']}"
    )
