"""Texts of no fixed length in HDF5: damaged, they end in an error that names the file, never in a crash or a circle."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchpipe.config.rig import RigConfig
from benchpipe.errors import ExitCode, InputError
from benchpipe.inspect.run import inspect_logs
from benchpipe.readers import allowances
from benchpipe.readers.registry import read_log

h5py = pytest.importorskip("h5py")
COPIES = 60
MARK = b"GCOL\x01"  # a heap in which such texts are kept
RIG = RigConfig.model_validate({
    "name": "r", "log": {"format": "hdf5"},
    "time": {"column": "t", "kind": "datetime", "format": "%Y-%m-%d %H:%M:%S.%f", "sample_rate": "100 Hz"},
    "channel": [{"name": "f", "column": "F", "unit": "N"}, {"name": "x", "column": "x", "unit": "mm"}],
    "load": {"channel": "f"}, "motion": {"channel": "x"},
})  # fmt: skip


def write(path: Path, *, dates: bool) -> bytes:
    """A log whose units, and dates if asked for, are texts of no fixed length."""
    n = np.arange(200)
    stamps = [f"2031-03-01 10:00:0{k // 100}.{k % 100:02}0" for k in n]
    with h5py.File(path, "w") as file:
        file["t"] = np.array(stamps, dtype=h5py.string_dtype()) if dates else n / 100
        file["F"], file["x"] = np.sin(n / 16), np.cos(n / 16)
        for name, unit in (("F", "N"), ("x", "mm")):
            file[name].attrs["unit"] = unit
            file[name].attrs["comment"] = "invented, and as long as people write it " * 2
        file.attrs["made by"] = "a rig"
    return path.read_bytes()


def read(path: Path) -> None:
    with path.open("rb") as file:
        for _ in read_log(path, file, RIG):
            pass


def refusal(step: Callable[[Path], object], path: Path) -> str:
    """What a step says of a log that it does not take; empty where it takes it."""
    try:
        step(path)
    except InputError as error:
        if path.name not in str(error) or error.exit_code != ExitCode.BAD_INPUT:
            raise
        return error.what
    return ""


def without_end(whole: bytes, heap: int) -> bytes:
    """The second text of a heap is free, and nothing long: the library goes round there for ever."""
    size = int.from_bytes(whole[heap + 24 : heap + 32], "little")
    second = heap + 32 + (size + 7) // 8 * 8
    return whole[:second] + bytes(16) + whole[second + 16 :]


def places_of(data: bytes, text: bytes) -> list[int]:
    found, at = [], data.find(text)
    while at >= 0:
        found.append(at)
        at = data.find(text, at + 1)
    return found


@pytest.mark.parametrize("dates", [False, True])
def test_damaged_texts_of_no_fixed_length_end_in_a_named_error(
    tmp_path: Path, dates: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(allowances, "PATIENCE_S", 3.0)
    path = tmp_path / "log.h5"
    whole = write(path, dates=dates)
    inspect_logs([path])
    heap = whole.index(MARK)
    near = [place + k for name in (b"unit\0", b"comment\0", b"made by\0") for place in places_of(whole, name)
            for k in range(-24, 40)]  # fmt: skip
    heaps = [place + k for place in places_of(whole, MARK) for k in range(4096) if place + k < len(whole)]
    draw = np.random.default_rng(heap)
    refused, circles = 0, 0
    for copy in range(COPIES + 1):
        damaged = bytearray(whole) if copy else bytearray(without_end(whole, heap))
        for _ in range(int(draw.integers(1, 4)) if copy else 0):
            near_text = [heap + k for k in range(700)] if draw.random() < 0.5 else heaps
            place = int(draw.choice(near if draw.random() < 0.3 else near_text))
            damaged[place] = int(draw.choice([0, 1, 8, 128, 255]))
        path.write_bytes(damaged)
        said = [refusal(step, path) for step in (lambda log: inspect_logs([log]), read)]
        refused += sum(map(bool, said))
        circles += sum("no progress" in one for one in said)
    assert refused > (COPIES // 4 if dates else 1)
    assert circles >= dates
