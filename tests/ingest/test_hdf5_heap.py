"""Texts of no fixed length in HDF5: damaged, they end in an error that names the file, never in a crash or a circle.

Whatever could take the process along is tried in another one, with a limit of time.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from benchpipe.errors import InputError
from benchpipe.readers.hdf5_heap import CHUNK, MARK, heaps_must_be_sound
from benchpipe.readers.hdf5_types import attribute_text

h5py = pytest.importorskip("h5py")
COPIES = 150
TRY_ALL = """
import sys
from pathlib import Path
from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError
from benchpipe.ingest.inspect.run import inspect_logs
from benchpipe.ingest.readers import read_log

AXES = {"load": {"channel": "f"}, "motion": {"channel": "x"}}
TIME = {"column": "t", "kind": "datetime", "format": "%Y-%m-%d %H:%M:%S.%f", "sample_rate": "100 Hz"}
CHANNELS = [{"name": "f", "column": "F", "unit": "N"}, {"name": "x", "column": "x", "unit": "mm"}]
rig = RigConfig.model_validate({"name": "r", "log": {"format": "hdf5"}, "time": TIME, "channel": CHANNELS, **AXES})

def read(path):
    with path.open("rb") as file:
        for _ in read_log(path, file, rig):
            pass

for path in sorted(Path(sys.argv[1]).iterdir()):
    for step in (lambda: inspect_logs([path]), lambda: read(path)):
        try:
            step()
        except InputError as error:
            if path.name not in str(error) or error.exit_code != 12:
                raise
            print(error.what)
"""


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


def tried(folder: Path) -> list[str]:
    """Inspect and read all files of a folder in another process: the errors it gave, all of them named."""
    child = subprocess.run(
        [sys.executable, "-c", TRY_ALL, str(folder)], capture_output=True, text=True, timeout=120, check=False
    )
    assert child.returncode == 0, child.stderr
    return child.stdout.splitlines()


@pytest.mark.parametrize("dates", [False, True])
def test_damaged_texts_of_no_fixed_length_end_in_a_named_error(tmp_path: Path, dates: bool) -> None:
    whole = write(tmp_path / "whole.h5", dates=dates)
    heap = whole.index(MARK)
    near = [place + k for name in (b"unit\0", b"comment\0", b"made by\0") for place in _all(whole, name)
            for k in range(-24, 40)]  # fmt: skip
    heaps = [place + k for place in _all(whole, MARK) for k in range(4096) if place + k < len(whole)]
    draw = np.random.default_rng(heap)
    folder = tmp_path / "damaged"
    folder.mkdir()
    for copy in range(COPIES):
        damaged = bytearray(whole)
        for _ in range(int(draw.integers(1, 4))):
            near_text = [heap + k for k in range(700)] if draw.random() < 0.5 else heaps
            place = int(draw.choice(near if draw.random() < 0.3 else near_text))
            damaged[place] = int(draw.choice([0, 1, 8, 128, 255]))
        (folder / f"{copy:03}.h5").write_bytes(damaged)
    for number, place in enumerate(_all(whole, MARK)):
        (folder / f"round {number}.h5").write_bytes(without_end(whole, place))
    said = tried(folder)
    assert said.count("its texts of no fixed length are damaged") >= (4 if dates else 1)


def without_end(whole: bytes, heap: int) -> bytes:
    """The second text of a heap is free, and nothing long: the library would go round there for ever."""
    size = int.from_bytes(whole[heap + 24 : heap + 32], "little")
    second = heap + 32 + (size + 7) // 8 * 8
    return whole[:second] + bytes(16) + whole[second + 16 :]


def _all(data: bytes, text: bytes) -> list[int]:
    found, at = [], data.find(text)
    while at >= 0:
        found.append(at)
        at = data.find(text, at + 1)
    return found


def test_a_sound_heap_is_told_from_a_damaged_one_wherever_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "log.h5"
    whole = write(path, dates=True)
    heaps = _all(whole, MARK)
    assert len(heaps) > 1
    with h5py.File(path, "r") as file:
        heaps_must_be_sound(path, file)
    for place in heaps:
        for at, value in ((16 + 8, 255), (9, 0), (12, 1)):  # a text's size, the heap's
            damaged = bytearray(whole)
            damaged[place + at] = value
            path.write_bytes(damaged)
            with h5py.File(path, "r") as file, pytest.raises(InputError, match="texts of no fixed length") as told:
                heaps_must_be_sound(path, file)
            assert (told.value.exit_code, "log.h5" in str(told.value)) == (12, True)


@pytest.mark.parametrize("back", range(6))
def test_a_heap_across_two_pieces_of_the_file_is_found(tmp_path: Path, back: int) -> None:
    path = tmp_path / "log.h5"
    whole = write(tmp_path / "small.h5", dates=False)
    place = whole.index(MARK)
    damaged = bytearray(whole[place:])
    damaged[9] = 0
    path.write_bytes(bytes(CHUNK - back) + damaged)
    fault = f"byte {CHUNK - back:,}"
    with h5py.File(tmp_path / "small.h5", "r") as file, pytest.raises(InputError, match=fault) as told:
        heaps_must_be_sound(path, file)
    assert "log.h5" in str(told.value)


def test_a_text_of_no_fixed_length_is_read_only_where_its_heap_is_looked_through(tmp_path: Path) -> None:
    path = tmp_path / "log.h5"
    looked: list[int] = []
    with h5py.File(path, "w") as file:
        file["Angle"] = np.zeros(3)
        file["Angle"].attrs["unit"] = "deg"
        file["Angle"].attrs["fixed"] = np.bytes_("deg")
        assert attribute_text(file["Angle"], "unit") is None
        assert attribute_text(file["Angle"], "unit", sound=lambda: looked.append(1)) == "deg"
        assert attribute_text(file["Angle"], "fixed", sound=lambda: looked.append(2)) == "deg"
        assert attribute_text(file["Angle"], "nothing") is None
    assert looked == [1]
