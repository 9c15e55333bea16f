"""Damage is found on read and named: a flipped bit, a truncated or missing file, a manifest that is not its copy."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.errors import StoreError
from benchpipe.samples.inputs import sample_inputs
from benchpipe.samples.stream import stream_samples
from benchpipe.store.manifest import UNSEALED, Manifest, SignOff, canonical, key_of, sealed
from benchpipe.store.mending import QUARANTINE, mend
from benchpipe.store.parts import open_part, read_part
from benchpipe.store.run_store import HISTORY, MANIFEST, RunStore
from tests.store.kept import night, tables, tree


@pytest.fixture
def store(tmp_path: Path) -> RunStore:
    """A store of three nights."""
    made = RunStore(tmp_path, "run")
    for number in range(3):
        night(made, number)
    return made


def spoil(path: Path, change: Callable[[bytes], bytes]) -> bytes:
    """Change a file; return what it was."""
    plain = path.read_bytes()
    path.write_bytes(change(plain))
    return plain


def flip(at: int, bit: int) -> Callable[[bytes], bytes]:
    """Flip one bit of the byte ``at``."""
    return lambda data: data[:at] + bytes([data[at] ^ (1 << bit)]) + data[at + 1 :]


@pytest.mark.parametrize("table", ["samples", "remarks"])
def test_any_flipped_bit_of_a_table_is_found_and_named(store: RunStore, table: str) -> None:
    part = store.manifest().table(table)[0]
    path = store.folder / part.path
    draw = random.Random(7)
    for at in range(0, part.bytes, 7):
        plain = spoil(path, flip(at, draw.randrange(8)))
        with pytest.raises(StoreError) as caught:
            read_part(store.folder, part)
        assert caught.value.where == str(path)
        path.write_bytes(plain)
    assert read_part(store.folder, part).num_rows == part.rows


def test_pages_are_checked_on_every_later_read_too(store: RunStore) -> None:
    part = store.manifest().table("samples")[0]
    with open_part(store.folder, part) as file:
        meta = file.metadata
        at = meta.row_group(0).column(2).data_page_offset + 100
    spoil(store.folder / part.path, flip(at, 0))
    with pytest.raises(OSError, match="CRC checksum"), open_part(store.folder, part, meta) as file:
        file.read()


@pytest.mark.parametrize("cut", [0, 1, 8, 100])
def test_a_truncated_table_is_found_and_named(store: RunStore, cut: int) -> None:
    part = store.manifest().table("samples")[1]
    spoil(store.folder / part.path, lambda data: data[:cut])
    with pytest.raises(StoreError, match=rf"damaged or missing \({cut} bytes instead of {part.bytes}\)") as caught:
        store.read(store.manifest(), "samples")
    assert caught.value.where == str(store.folder / part.path)


def test_a_missing_table_is_found_and_named(store: RunStore) -> None:
    part = store.manifest().table("samples")[1]
    (store.folder / part.path).unlink()
    with pytest.raises(StoreError, match="No such file") as caught:
        tables(store)
    assert caught.value.where == str(store.folder / part.path)
    assert caught.value.do_next is not None
    assert "benchpipe nightly" in caught.value.do_next


def test_streamed_samples_are_held_against_their_hash(store: RunStore) -> None:
    inputs = sample_inputs(store.manifest())
    assert sum(batch.time_us.size for batch in stream_samples(store.folder, inputs, ["torque"])) == 600
    spoil(store.folder / inputs[2].part.path, flip(inputs[2].part.bytes - 60, 3))
    with pytest.raises(StoreError, match="not those that were written"):
        list(stream_samples(store.folder, inputs, ["torque"]))
    assert len(list(stream_samples(store.folder, inputs, ["torque"], until_us=7_000_000))) == 2


def test_a_window_of_the_samples_is_the_same_cut_of_all(store: RunStore) -> None:
    inputs = sample_inputs(store.manifest())
    for first, last in [(0, 0), (3_990_000, 4_000_000), (1_000_000, 9_000_000), (12_000_000, 13_000_000)]:
        batches = list(stream_samples(store.folder, inputs, ["row"], first, last))
        got = [t for batch in batches for t in batch.time_us.tolist()]
        assert got == [t for t in range(0, 12_000_000, 20_000) if first <= t <= last]


@pytest.mark.parametrize("alone", [True, False])
def test_any_flipped_bit_of_the_manifest_is_found(store: RunStore, alone: bool) -> None:
    path = store.folder / MANIFEST
    if alone:  # it proves itself, without its copies
        shutil.rmtree(store.folder / HISTORY)
    size = path.stat().st_size
    draw = random.Random(7)
    for at in range(0, size, 11):
        plain = spoil(path, flip(at, draw.randrange(8)))
        with pytest.raises(StoreError, match="manifest") as caught:
            store.manifest()
        assert caught.value.where == str(path)
        path.write_bytes(plain)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "3", "{}", '{"schema_version": 1}', "\xff"])
def test_a_manifest_that_is_another_document_is_told(store: RunStore, text: str) -> None:
    (store.folder / MANIFEST).write_text(text, encoding="latin-1")
    with pytest.raises(StoreError, match="the manifest is damaged"):
        store.manifest()


def test_a_manifest_of_another_version_says_so(store: RunStore) -> None:
    _, data = sealed(store.manifest().model_copy(update={"schema_version": 99}))
    (store.folder / MANIFEST).write_bytes(data)
    with pytest.raises(StoreError, match="has schema 99, this version reads 1"):
        mend(store, {})
    document = data.replace(b'"schema_version": 99', b'"schema_version": 1,"new": 0')
    (store.folder / MANIFEST).write_bytes(sealed_anew(document))
    with pytest.raises(StoreError, match="is of another version"):
        mend(store, {})
    assert not (store.folder / QUARANTINE).exists()


def sealed_anew(document: bytes) -> bytes:
    """The document with a seal that holds."""
    before, _, after = document.rpartition(b'"seal": "')
    plain = before + b'"seal": "' + UNSEALED.encode() + after[64:]
    return plain.replace(UNSEALED.encode(), hashlib.sha256(plain).hexdigest().encode())


def test_a_missing_manifest_is_not_taken_for_a_new_run(store: RunStore) -> None:
    (store.folder / MANIFEST).unlink()
    with pytest.raises(StoreError, match="it is missing"):
        store.manifest()


def test_a_job_that_died_over_its_first_commit_left_a_new_run(tmp_path: Path) -> None:
    store = RunStore(tmp_path, "run")
    night(store, 0)
    (store.folder / MANIFEST).unlink()
    assert store.manifest().sequence == 0
    assert night(store, 0).sequence == 1


def test_the_history_is_a_chain_of_hashes(store: RunStore) -> None:
    kept = sorted((store.folder / HISTORY).iterdir())
    assert [path.name for path in kept] == ["000001.json", "000002.json", "000003.json"]
    assert kept[-1].read_bytes() == (store.folder / MANIFEST).read_bytes()
    links = [Manifest.model_validate_json(path.read_bytes()).previous for path in kept]
    assert links == [None, *(hashlib.sha256(path.read_bytes()).hexdigest() for path in kept[:-1])]


def test_old_copies_go_but_for_the_signed_ones(store: RunStore, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchpipe.store.copies.COPIES_KEPT", 3)
    signed = dict.fromkeys(["who", "when", "note", "manifest_sha256", "process", "verdicts", "verdict"], "x")
    manifest = store.manifest()
    manifest = store.commit(manifest.model_copy(update={"signed": (SignOff(sequence=2, **signed),)}))
    for _ in range(4):
        manifest = store.commit(manifest)
    assert [path.name for path in store.history()] == ["000002.json", "000006.json", "000007.json", "000008.json"]
    assert store.manifest() == manifest


def test_a_new_run_is_an_empty_manifest(tmp_path: Path) -> None:
    manifest = RunStore(tmp_path, "new").manifest()
    assert (manifest.run, manifest.sequence, manifest.parts()) == ("new", 0, [])
    assert not (tmp_path / "new").exists()


def test_a_manifest_that_may_not_be_read_is_told(store: RunStore) -> None:
    (store.folder / MANIFEST).unlink()
    (store.folder / MANIFEST).mkdir()
    with pytest.raises(StoreError, match="the manifest cannot be read"):
        store.manifest()


def test_the_same_rows_give_the_same_file(tmp_path: Path) -> None:
    made = [night(RunStore(tmp_path / str(i), "run"), 0) for i in range(2)]
    assert made[0] == made[1]
    assert tree(tmp_path / "0") == tree(tmp_path / "1")


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)  # fmt: skip


@given(st.dictionaries(st.text(max_size=5), JSON, max_size=5))
def test_a_key_does_not_depend_on_the_order_of_the_settings(value: dict[str, object]) -> None:
    turned = dict(reversed(value.items()))
    assert key_of(value) == key_of(turned)
    assert json.loads(canonical(value)) == json.loads(canonical(turned))
