"""A log that is read and hashed by a thread of its own: the same bytes and hashes whatever the pieces."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe.errors import InputError
from benchpipe.readers import log_file
from benchpipe.readers.log_file import HashedLog, hash_of_beginning


@given(data=st.binary(max_size=300), piece=st.integers(1, 60), start=st.integers(0, 50), back=st.integers(0, 400))
def test_bytes_and_hash_are_those_of_the_file(
    tmp_path_factory: pytest.TempPathFactory, data: bytes, piece: int, start: int, back: int
) -> None:
    path = tmp_path_factory.mktemp("log") / "log.csv"
    path.write_bytes(data)
    start = min(start, len(data))
    with pytest.MonkeyPatch.context() as patch, path.open("rb") as file:
        patch.setattr(log_file, "CHUNK", piece)
        begun = hash_of_beginning(path, start)
        with HashedLog(file, len(data), start, begun) as log:
            read = b""
            while some := log.read(piece):
                assert len(some) <= piece
                read += some
            assert read == data[start:]
            taken = max(len(data) - back, 0)
            assert log.sha256(path, None) == (len(data), hashlib.sha256(data).hexdigest())
            assert log.sha256(path, taken) == log.sha256(path, taken)
            assert log.sha256(path, taken) == (taken, hashlib.sha256(data[:taken]).hexdigest())


def test_no_byte_after_the_size_at_first_is_read(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"0123456789")
    with path.open("rb") as file, HashedLog(file, 4) as log:
        assert (log.read(), log.read()) == (b"0123", b"")


def test_a_log_that_shrinks_below_what_was_taken_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(log_file, "CHUNK", 2)
    path = tmp_path / "log.csv"
    path.write_bytes(b"0123456789")
    with path.open("rb") as file, HashedLog(file, 10) as log:
        while log.read(2):
            pass
        path.write_bytes(b"0")
        with pytest.raises(InputError, match="the log changed while it was read"):
            log.sha256(path, 3)


def test_a_reader_that_stops_early_leaves_no_thread(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"x" * 1000)
    with path.open("rb") as file, HashedLog(file, 1000) as log:
        assert log.read(10) == b"x" * 10
    with pytest.raises(RuntimeError, match="shutdown"):
        log.read(10)
