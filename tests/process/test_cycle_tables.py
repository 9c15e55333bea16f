"""Tables of cycles are cut at so many rows, however the samples come: the same bytes in the store."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.blocks.cyclic import cycle_tables
from benchpipe.blocks.cyclic.cycle_tables import rows_at_once
from benchpipe.blocks.cyclic.cycles import CycleRows
from benchpipe.kernels.loops import N_FIELDS
from benchpipe.pipeline import work
from benchpipe.run import load_run
from benchpipe.store import parts
from tests.conftest import copy_samples


def rows(first: int, count: int) -> CycleRows:
    """Rows whose every value is the row's number."""
    numbers = np.arange(first, first + count)
    true = np.ones(count, bool)
    times = (numbers, numbers, numbers, numbers, numbers)
    measures = np.asfortranarray(np.repeat(numbers[:, None], N_FIELDS, axis=1).astype(float))
    return CycleRows(measures, true, true, *times, true, numbers.astype(float), numbers, numbers, numbers)


@given(st.lists(st.lists(st.integers(0, 9), max_size=3), max_size=8), st.integers(1, 12))
def test_rows_are_cut_at_so_many_and_none_is_lost(sizes: list[list[int]], most: int) -> None:
    pieces, count = [], 0
    for some in sizes:
        pieces.append([rows(count + sum(some[:k]), size) for k, size in enumerate(some)])
        count += sum(some)
    found = list(rows_at_once(pieces, most))
    assert [len(one) for one in found[:-1]] == [most] * (len(found) - 1)
    assert all(0 < len(one) <= most for one in found) or count == 0
    whole = np.concatenate([one.first_us for one in found]) if found else np.empty(0, np.int64)
    assert whole.tolist() == list(range(count))
    assert all((one.measures[:, 0] == one.last_us).all() for one in found)


@pytest.mark.parametrize("group", [1 << 11, 1 << 13, 1 << 18])
def test_the_bytes_of_cycles_do_not_depend_on_how_samples_come(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, group: int
) -> None:
    monkeypatch.setattr(cycle_tables, "ROWS_AT_ONCE", 100)
    run = load_run(copy_samples(tmp_path).parent / "wearing" / "plan.toml", tmp_path / "store")
    monkeypatch.setattr(parts, "ROW_GROUP", group)
    work(run, until="ingest")
    monkeypatch.setattr(parts, "ROW_GROUP", 1 << 18)
    store = work(run, first="process", until="process").manifest
    (part,) = store.table("cycles")
    file = pq.ParquetFile(run.store / run.name / part.path)
    sizes = [file.metadata.row_group(k).num_rows for k in range(file.num_row_groups)]
    assert max(sizes) == 100  # before stretches are left out in which nothing moves
    assert min(sizes[:-1]) > 80
    assert file.read().num_rows == part.rows > 1000
    # The name of a part ends in the beginning of its hash; the key before it is of the logs, and is the same too.
    assert part.sha256 == _sha256_of_whole(tmp_path, monkeypatch)


def _sha256_of_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Hash of the part where all samples come at once."""
    run = load_run(tmp_path / "sample_runs" / "wearing" / "plan.toml", tmp_path / "other")
    manifest = work(run, until="process").manifest
    return manifest.table("cycles")[0].sha256
