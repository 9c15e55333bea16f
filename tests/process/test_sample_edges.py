"""First and last rows of a stretch of time, by the ends alone: those of reading all of it."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from benchpipe.samples.edges import edge_rows
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import stream_samples
from benchpipe.store.run_store import RunStore
from tests.store.kept import night


def test_they_are_those_of_all_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchpipe.store.parts.ROW_GROUP", 37)  # several in each log
    store = RunStore(tmp_path, "one")
    manifest = None
    for number in range(3):
        manifest = night(store, number, manifest)
    assert manifest is not None
    inputs, draw = sample_inputs(manifest), Random(7)
    spans = [tuple(sorted(draw.sample(range(620 * 20_000), 2))) for _ in range(60)]
    spans += [(0, 0), (0, 10**9), (20_000 * 199, 20_000 * 200), (20_000 * 36 + 1, 20_000 * 37 - 1), (10**9, 10**10)]
    for first, last in spans:
        wanted: dict[str, tuple[int, int]] = {}
        for batch in stream_samples(store.folder, inputs, ["row"], first, last):
            row = batch.columns["row"]
            if row.size:
                wanted[batch.file] = (wanted.get(batch.file, (int(row[0]), 0))[0], int(row[-1]))
        assert edge_rows(store.folder, inputs, first, last) == wanted
