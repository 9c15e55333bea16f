"""Formats that installed packages add are inspected as ours are: found, drafted, and driven to the same cycles."""

from __future__ import annotations

import importlib
import io
import sys
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pacsv
import pytest

from benchpipe.errors import InputError
from benchpipe.inspect.run import inspect_logs
from tests.ingest.driven import drafted, driven, equal, logs_of, rig_text, simulated
from tests.ingest.test_readers_plugins import PLUGIN, write_fixed

COLUMNS = '''
UNITS = {"Time": "s", "Torque": "N*m", "Angle": "deg", "Oil": "degC"}

def columns(path, file):
    """The names of the second line, if the first says whose log it is."""
    if file.readline().decode("ascii", "replace").rstrip() != MAGIC:
        return None
    line = file.readline().decode().rstrip("\\n")
    names = [line[k : k + 24].strip() for k in range(0, len(line), 24)]
    units = {n: {"unit": UNITS[n]} if n in UNITS else None for n in names}
    return pa.schema([pa.field(n, pa.float64(), metadata=units[n]) for n in names])

def not_mine(path, file):
    raise InputError("not a log of mine", where=path)

def faulty(path, file):
    raise ZeroDivisionError("a slip in the package")
'''
POINTS = """[benchpipe.readers]
fixed = fixed_cells_too:read_log
[benchpipe.columns]
fixed = fixed_cells_too:columns
other = fixed_cells_too:not_mine
"""


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder of packages; one adds the format ``fixed`` and tells its columns."""
    folder = tmp_path / "site"
    info = folder / "fixed_cells_too-1.0.dist-info"
    info.mkdir(parents=True)
    (folder / "fixed_cells_too.py").write_text(PLUGIN + COLUMNS)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: fixed-cells-too\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(POINTS)
    monkeypatch.syspath_prepend(folder)
    importlib.invalidate_caches()
    yield folder
    sys.modules.pop("fixed_cells_too", None)


@pytest.mark.usefixtures("site")
def test_a_log_of_an_added_format_is_found_and_driven(tmp_path: Path) -> None:
    text = simulated(tmp_path / "text")
    table = pacsv.read_csv(io.BytesIO(logs_of(text)[0].read_bytes()))
    table = pa.table({name: table.column(name).cast(pa.float64()) for name in table.column_names})
    (tmp_path / "run" / "logs").mkdir(parents=True)
    write_fixed(tmp_path / "run" / "logs" / "log.fix", table)
    found, draft = drafted(tmp_path / "run")
    assert (found.questions, found.notes, found.outline.format) == ((), (), "fixed")
    assert (found.sample.rows, found.sample.whole, found.time.rate_hz) == (table.num_rows, True, 50.0)
    assert found.roles == {"load": "torque", "motion": "angle", "temperature": "oil", "counter": "count"}
    got = driven(tmp_path / "run", draft, "drafted")
    assert equal(got["cycles"], driven(text, rig_text("", 'column = "Time"'), "by-hand")["cycles"])
    assert got["cycles"].num_rows > 30


@pytest.mark.usefixtures("site")
def test_bad_rows_of_an_added_format_are_told_and_a_log_of_one_column_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "log.fix"
    n = [float(k) for k in range(60)]
    write_fixed(log, pa.table({"Time": [k / 50 for k in n], "Torque": n, "Angle": n[::-1]}))
    log.write_text(log.read_text().replace("42.0".rjust(24), "OVER".rjust(24), 1))
    assert inspect_logs([log]).sample.rejects == (("no number in 'Angle'", 1),)
    write_fixed(log, pa.table({"Time": n}))
    with pytest.raises(InputError, match="no two columns of numbers") as told:
        inspect_logs([log])
    assert (told.value.exit_code, "log.fix" in str(told.value)) == (12, True)


def test_a_package_that_fails_over_a_log_is_told_and_other_logs_are_inspected(site: Path, tmp_path: Path) -> None:
    points = site / "fixed_cells_too-1.0.dist-info" / "entry_points.txt"
    points.write_text(POINTS + "slip = fixed_cells_too:faulty\nlost = fixed_cells_too:nothing\n")
    importlib.invalidate_caches()
    (log,) = logs_of(simulated(tmp_path / "text"))
    found = inspect_logs([log])
    assert found.outline.format == "text"
    assert [note.partition(" failed over ")[0] for note in found.notes] == [
        "the package that reads 'slip'", "the package that reads 'lost'",
    ]  # fmt: skip
    assert "ZeroDivisionError: a slip in the package" in found.notes[0]
