"""Parts stay open while threads read them, one a thread, and no longer."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchpipe.errors import DamageError
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import SampleBatch, map_samples
from benchpipe.store import open_parts
from benchpipe.store.open_parts import OpenParts
from benchpipe.store.run_store import RunStore
from tests.store.kept import night


@pytest.fixture
def store(tmp_path: Path) -> RunStore:
    """A store of four nights."""
    made = RunStore(tmp_path, "run")
    for number in range(4):
        night(made, number)
    return made


def opened_now(folder: Path) -> list[str]:
    """Files of the store that this process holds open."""
    held = []
    for one in Path("/proc/self/fd").iterdir():
        try:
            held.append(str(one.readlink()))
        except OSError:
            continue
    return [path for path in held if path.startswith(str(folder))]


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="only Linux shows a process its open files")
@pytest.mark.parametrize("workers", [1, 3])
def test_no_part_is_open_afterwards(store: RunStore, workers: int) -> None:
    inputs = sample_inputs(store.manifest())
    most = 0

    def look(batch: SampleBatch) -> int:
        nonlocal most
        most = max(most, len(opened_now(store.folder)))
        return batch.time_us.size

    assert sum(map_samples(look, store.folder, inputs, [], workers=workers)) == sum(i.part.rows for i in inputs)
    assert 1 <= most <= workers + 1  # the calling thread looks at a footer meanwhile
    assert opened_now(store.folder) == []


def test_a_part_is_opened_once_by_a_thread_that_goes_on_with_it(
    store: RunStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second, *_ = (one.part for one in sample_inputs(store.manifest()))
    real: Callable[..., Any] = open_parts.open_part
    opened = []

    def counted(folder: Path, part: Any, meta: Any) -> Any:
        opened.append(part.path)
        return real(folder, part, meta)

    monkeypatch.setattr(open_parts, "open_part", counted)
    with OpenParts(store.folder) as parts:
        for part in (first, first, second, second, first):
            assert parts.open(part, None).metadata.num_rows == part.rows  # type: ignore[arg-type]
    assert opened == [first.path, second.path, first.path]


def test_a_part_that_was_lost_is_asked_for_again_and_again(store: RunStore) -> None:
    first, second, *_ = (one.part for one in sample_inputs(store.manifest()))
    (store.folder / second.path).unlink()
    with OpenParts(store.folder) as parts:
        parts.open(first, None)  # type: ignore[arg-type]
        for _ in range(2):
            with pytest.raises(DamageError, match="damaged or missing"):
                parts.open(second, None)  # type: ignore[arg-type]
        assert parts.open(first, None).metadata.num_rows == first.rows  # type: ignore[arg-type]
