"""Formats from installed packages, extras that are not installed."""

from __future__ import annotations

import builtins
import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.config.rig import RigConfig
from benchpipe.errors import ConfigError, MissingExtraError
from benchpipe.readers.reader_kit import ReaderCase, check_reader
from benchpipe.readers.registry import READERS, as_reader, find_reader, from_arrow
from tests.ingest.absent import absent

PLUGIN = '''
import pyarrow as pa
from benchpipe.errors import InputError
from benchpipe.readers.batch import needed_columns

MAGIC = "a log of fixed cells"

def read_log(path, file, rig):
    """Lines of cells of 24 letters, each line 24 bytes a column long; the last cell ends in a line end."""
    text = file.read().decode("ascii", "replace").split("\\n")
    if text[0] != MAGIC:
        raise InputError("not a log of fixed cells", where=path)
    if len(text) < 2 or len(text[1]) % 24:
        raise InputError("the names are cut short", where=path)
    cells = [[line[k : k + 24].strip() for k in range(0, len(text[1]), 24)] for line in text[1:]]
    names, rows = cells[0], cells[1:-1]
    columns, why = {}, [None] * len(rows)
    for key, column in needed_columns(rig).items():
        if column not in names:
            raise InputError(f"no column '{column}'", where=path)
        values = []
        for i, row in enumerate(rows):
            try:
                values.append(float(row[names.index(column)] or "nan"))
            except (ValueError, IndexError):
                values.append(None)
                why[i] = f"no number in '{column}'"
        columns[key] = pa.array(values, pa.float64())
    if text[-1]:
        why.append("half a line")
        columns = {k: pa.concat_arrays([v, pa.nulls(1, pa.float64())]) for k, v in columns.items()}
    columns["row"] = pa.array(range(3, 3 + len(why)), pa.int64())
    columns["reject"] = pa.array(why, pa.string())
    yield pa.RecordBatch.from_pydict(columns)
'''


def write_fixed(path: Path, table: pa.Table) -> None:
    cells = [["" if v is None else repr(v) for v in row.values()] for row in table.to_pylist()]
    rows = ["".join(cell.rjust(24) for cell in row) for row in cells]
    names = "".join(name.rjust(24) for name in table.column_names)
    path.write_text("\n".join(["a log of fixed cells", names, *rows]) + "\n")


@pytest.fixture
def plugin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """An installed package that adds the format ``fixed``, and one that cannot be loaded."""
    site = tmp_path / "site"
    info = site / "fixed_cells-1.0.dist-info"
    info.mkdir(parents=True)
    (site / "fixed_cells.py").write_text(PLUGIN)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: fixed-cells\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[benchpipe.readers]\nfixed = fixed_cells:read_log\nbroken = fixed_cells:nothing\n"
    )
    monkeypatch.syspath_prepend(site)
    importlib.invalidate_caches()
    yield
    sys.modules.pop("fixed_cells", None)


@pytest.mark.usefixtures("plugin")
def test_a_package_adds_a_format_and_passes_the_kit(tmp_path: Path) -> None:
    logs = tmp_path / "logs"
    logs.mkdir()
    check_reader(ReaderCase(find_reader("fixed"), write_fixed, logs))


@pytest.mark.usefixtures("plugin")
def test_rejects_come_as_rows_of_a_batch(tmp_path: Path) -> None:
    case = ReaderCase(find_reader("fixed"), write_fixed, tmp_path)
    path = case.written(pa.table({n: [0.0, 0.01, 0.02] for n in ("Time", "Torque", "Angle", "Temperature")}))
    lines = path.read_text().splitlines()
    lines[3] = lines[3].replace("0.01", "OVER", 2).replace("OVER", "0.01", 1)
    path.write_text("\n".join(lines) + "\n" + "0.0")
    result = case.result(path)
    assert result.row.tolist() == [3, 5]
    assert result.rejects == [(4, 1, "no number in 'Torque'"), (6, 1, "half a line")]


@pytest.mark.usefixtures("plugin")
def test_a_format_nobody_reads() -> None:
    with pytest.raises(ConfigError, match="unknown log format 'fixd'") as told:
        find_reader("fixd")
    assert "did you mean 'fixed'?" in str(told.value)
    with pytest.raises(ConfigError, match="the reader of the log format 'broken' cannot be loaded") as told:
        find_reader("broken")
    assert "reinstall" in str(told.value)


def rig(kind: str = "elapsed") -> RigConfig:
    return ReaderCase(lambda *_: iter(()), lambda *_: None, Path()).rig(kind=kind)


def batch(**columns: Any) -> pa.RecordBatch:
    plain = {"torque": [1.0, 2.0], "angle": [0.0, 1.0], "temperature": [20, 21]}
    return pa.RecordBatch.from_pydict({"time": [0.0, 0.1], **plain, **columns})


def test_rows_are_counted_on_where_a_reader_numbers_none() -> None:
    two = [batch(), batch(time=[0.2, None])]
    first, second = as_reader(lambda *_: iter(two))(Path("log"), None, rig())  # type: ignore[arg-type]
    assert first.row.tolist() == [1, 2]
    assert second.row.tolist() == [3]
    assert [(r.row, r.rows) for r in second.rejects] == [(4, 1)]
    assert second.channels["temperature"].dtype == np.float64


def test_samples_are_counted_by_their_row() -> None:
    given = from_arrow(Path("log"), batch(row=[7, 9]), 1, rig("sample"))
    assert given.time.tolist() == [7, 9]
    assert given.time.dtype == np.int64


def test_a_reader_that_forgets_a_channel_is_at_fault_not_the_log() -> None:
    with pytest.raises(ConfigError, match="gave no column 'angle'"):
        from_arrow(Path("log"), batch().drop_columns(["angle"]), 1, rig())


@pytest.mark.parametrize(
    ("name", "library", "extra"), [("hdf5", "h5py", ".[hdf5]"), ("mdf", "asammdf", ".[mdf]")]
)
def test_a_missing_extra_says_what_to_install(
    name: str, library: str, extra: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "log"
    log.write_bytes(b"MDF     4.10    ".ljust(64, b"\0"))
    with absent(library, tmp_path, monkeypatch), log.open("rb") as file, pytest.raises(MissingExtraError) as told:
        list(find_reader(name)(log, file, rig()))
    assert f"pipx install --force '{extra}'" in str(told.value)
    assert told.value.exit_code == 2


def test_every_format_of_ours_is_found_without_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.partition(".")[0] in ("h5py", "asammdf"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    for name in READERS:
        assert callable(find_reader(name))


def test_entry_points_are_only_asked_for_what_is_not_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    point = SimpleNamespace(name="text", value="other:read", load=lambda: None)
    monkeypatch.setattr("benchpipe.readers.registry.entry_points", lambda group: [point])
    assert find_reader("text").__name__ == "read_text"


def test_rows_without_a_time_keep_the_numbers_that_the_reader_gave() -> None:
    given = from_arrow(Path("log"), batch(time=pa.array([None, None], pa.float64()), row=[7, 9]), 1, rig())
    assert [(r.row, r.rows) for r in given.rejects] == [(7, 1), (9, 1)]
