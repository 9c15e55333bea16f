"""The tests that every log reader must pass, whoever wrote it.

For a package that adds a format, in its own tests::

    import pytest
    from benchpipe.readers.reader_kit import CHECKS, ReaderCase

    from my_package.my_module import read_log


    def write_log(path, table):
        ...  # write the columns of a pyarrow.Table as a log of this format


    @pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
    def test_my_reader(check, tmp_path):
        check(ReaderCase(read_log, write_log, tmp_path))

Each check writes small logs, reads them, and raises :class:`ReaderFaultError` (an
``AssertionError``) that says what went wrong. :func:`check_reader` runs them all and reports
all faults at once.

Promises of a reader, each tested by a check:

1. Every row of the log comes out once and in order, as numbers or as a reject with a reason,
   however many rows there are, none at all included.
2. The numbers are those in the log: nothing is converted, rounded or filled in. A cell without a
   value is NaN and its row is kept; a row without a time is a reject.
3. Columns are found by name, in any order; a column that is not there is an
   :class:`~benchpipe.errors.InputError` that names it.
4. Reading twice gives the same; the log and its folder stay as they were.
5. A log cut short, damaged, empty or of another format is an ``InputError``, or gives rows that are
   true and rejects for what is lost. It is never another exception, and never a wrong number of a
   row that was cut off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from benchpipe.errors import InputError
from benchpipe.readers.reader_case import RATE_HZ, ReaderCase, ReaderFaultError, ReadResult, must

__all__ = ["CHECKS", "ReadResult", "ReaderCase", "ReaderFaultError", "check_reader"]

SIZES = (0, 1, 2, 7, 1000)
CUTS = 24  # places where a log is cut short
FLIPS = 60  # damaged copies of a log


def every_row_comes_once(case: ReaderCase) -> None:
    """Promise 1, for logs of several lengths."""
    for size in SIZES:
        result = case.result(case.written(_table(size), f"rows_{size}"))
        must(
            len(result.row) + result.rejected == size,
            f"a log of {size} rows gave {len(result.row)} rows and {result.rejected} rejects",
        )
        must(result.rejected == 0, f"a clean log of {size} rows gave the rejects {result.rejects[:3]}")
        must(bool((np.diff(result.row) > 0).all()), "row numbers do not rise")
        must(size == 0 or result.row[0] >= 1, "row numbers begin below 1")


def numbers_are_the_logs(case: ReaderCase) -> None:
    """Promise 2: large, small, negative, whole."""
    values = np.array([0.0, -1.0, 1.5, 1e-12, -2.5e-7, 123456.789, 1e12, 3.0, 0.1, -0.3])
    table = _table(len(values)).set_column(1, "Torque", pa.array(values))
    result = case.result(case.written(table, "numbers"))
    _same(case, result, table)


def a_cell_without_a_value_is_nan(case: ReaderCase) -> None:
    """Promise 2: the row is kept."""
    if not case.nulls:
        return
    table = _table(20)
    torque = table.column("Torque").to_pylist()
    torque[3] = torque[19] = None
    table = table.set_column(1, "Torque", pa.array(torque, pa.float64()))
    result = case.result(case.written(table, "no_value"))
    must(len(result.row) == 20, f"20 rows, two of them with a cell without a value, gave {len(result.row)}")
    _same(case, result, table)


def a_row_without_a_time_is_rejected(case: ReaderCase) -> None:
    """Promise 2: with a reason, at its place."""
    if not case.null_times:
        return
    table = _table(20)
    time = table.column("Time").to_pylist()
    time[5] = None
    result = case.result(case.written(table.set_column(0, "Time", pa.array(time, pa.float64())), "no_time"))
    must(len(result.row) == 19, f"20 rows, one without a time, gave {len(result.row)}")
    must(result.rejected == 1, f"one row without a time gave the rejects {result.rejects}")
    row, _, reason = result.rejects[0]
    must(bool(reason.strip()), "a reject has no reason")
    must(result.row[4] < row < result.row[5], f"the reject is at row {row}, not after row {result.row[4]}")


def columns_are_found_by_name(case: ReaderCase) -> None:
    """Promise 3: in another order, among others."""
    table = _table(50)
    other = pa.array(np.arange(50.0))
    mixed = pa.table({"Other": other, **{n: table.column(n) for n in ("Angle", "Time", "Temperature", "Torque")}})
    _same(case, case.result(case.written(mixed, "mixed")), table)
    swapped = case.result(case.written(table, "swapped"), case.rig(columns={"torque": "Angle", "angle": "Torque"}))
    must(
        bool(np.allclose(swapped.channels["torque"], np.array(table.column("Angle")), rtol=case.tolerance, atol=0.0)),
        "the rig file's columns are not those that are read",
    )


def a_missing_column_is_named(case: ReaderCase) -> None:
    """Promise 3: an InputError that says which."""
    path = case.written(_table(5), "missing")
    for key in ("torque", "time"):
        try:
            case.result(path, case.rig(columns={key: "Nowhere"}))
        except InputError as error:
            must("Nowhere" in str(error), f"the error does not name the missing column: {error}")
        else:
            raise ReaderFaultError("a column that is not in the log went unnoticed")


def rows_are_counted_without_a_clock(case: ReaderCase) -> None:
    """``kind = "sample"``: time rises by one a row, and rows without a time column are taken."""
    table = _table(30).drop_columns(["Time"])
    result = case.result(case.written(table, "sample"), case.rig(kind="sample"))
    must(len(result.row) == 30, f"30 rows without a time column gave {len(result.row)}")
    must(result.time.dtype == np.int64, f"time of samples is {result.time.dtype}, not int64")
    must(bool((np.diff(result.time) == 1).all()), "time of samples does not rise by 1")


def reading_twice_gives_the_same(case: ReaderCase) -> None:
    """Promise 4, and nothing in the folder changes."""
    path = case.written(_table(200), "twice")
    before = _folder(case.folder)
    first, second = case.result(path), case.result(path)
    for name, values in {"row": first.row, "time": first.time, **first.channels}.items():
        again = {"row": second.row, "time": second.time, **second.channels}[name]
        must(values.tobytes() == again.tobytes(), f"'{name}' differs from one reading to the next")
    must(first.rejects == second.rejects, "rejects differ from one reading to the next")
    must(_folder(case.folder) == before, "reading changed a file or left one behind")


def a_log_cut_short_is_told(case: ReaderCase) -> None:
    """Promise 5: rows that come out are true, and a loss is reported or refused."""
    if not case.damage:
        return
    table = _table(400)
    whole = case.written(table, "whole").read_bytes()
    truth = case.result(case.folder / ("whole" + case.suffix))
    path = case.folder / ("cut" + case.suffix)
    for cut in np.unique(np.linspace(0, len(whole) - 1, CUTS).astype(int)):
        path.write_bytes(whole[:cut])
        with _only_input_errors(f"a log cut to {cut} of {len(whole)} bytes"):
            result = case.result(path)
            count = len(result.row)
            must(count <= len(truth.row), f"a log cut to {cut} bytes gave more rows than the whole")
            for name, values in {"time": result.time, **result.channels}.items():
                true = {"time": truth.time, **truth.channels}[name][:count]
                must(
                    np.array_equal(values, true, equal_nan=True),
                    f"a log cut to {cut} of {len(whole)} bytes gave a wrong '{name}': a half-written value was taken",
                )


def a_damaged_log_is_told(case: ReaderCase) -> None:
    """Promise 5: bytes changed, nothing there, another format. Never another exception."""
    if not case.damage:
        return
    whole = case.written(_table(100), "sound").read_bytes()
    draw = np.random.default_rng(7)
    path = case.folder / ("damaged" + case.suffix)
    for number in range(FLIPS):
        data = bytearray(whole)
        for place in draw.integers(0, len(data), 1 + number % 5):
            data[place] = int(draw.integers(0, 256))
        path.write_bytes(data)
        with _only_input_errors(f"a damaged log (copy {number})"):
            case.result(path)
    for what, content in (("no bytes", b""), ("a note", b"operator: nothing today\n"), ("zeros", bytes(4096))):
        path.write_bytes(content)
        with _only_input_errors(f"a log of {what}"):
            result = case.result(path)
            must(len(result.row) == 0, f"a log of {what} gave {len(result.row)} rows")


CHECKS: tuple[Callable[[ReaderCase], None], ...] = (
    every_row_comes_once,
    numbers_are_the_logs,
    a_cell_without_a_value_is_nan,
    a_row_without_a_time_is_rejected,
    columns_are_found_by_name,
    a_missing_column_is_named,
    rows_are_counted_without_a_clock,
    reading_twice_gives_the_same,
    a_log_cut_short_is_told,
    a_damaged_log_is_told,
)


def check_reader(case: ReaderCase) -> None:
    """Run all checks, each in a folder of its own.

    Raises
    ------
    ReaderFaultError
        All faults, one a line.
    """
    faults = []
    for check in CHECKS:
        folder = case.folder / check.__name__
        folder.mkdir()
        try:
            check(replace(case, folder=folder))
        except Exception as fault:
            faults.append(f"{check.__name__}: {fault if isinstance(fault, ReaderFaultError) else repr(fault)}")
    if faults:
        raise ReaderFaultError("\n".join(faults))


def _table(rows: int) -> pa.Table:
    """A log to be written: numbers of few digits, so that any format can hold them."""
    n = np.arange(rows)
    columns = {
        "Time": n / RATE_HZ,
        "Torque": np.round(40.0 + 35.0 * np.sin(n / 9.0), 3),
        "Angle": np.round(12.0 * np.sin(n / 9.0 - 0.2), 4),
        "Temperature": np.round(22.0 + n / 500.0, 2),
    }
    return pa.table({name: pa.array(values) for name, values in columns.items()})


def _same(case: ReaderCase, result: ReadResult, table: pa.Table) -> None:
    for name, values in {"time": result.time, **result.channels}.items():
        true = np.array(table.column(name.capitalize()).fill_null(float("nan")), np.float64)
        must(len(values) == len(true), f"'{name}' has {len(values)} values, the log {len(true)}")
        near = np.isclose(values, true, rtol=case.tolerance, atol=0.0, equal_nan=True)
        if not near.all():
            k = int(np.flatnonzero(~near)[0])
            raise ReaderFaultError(f"'{name}' of row {k + 1} is {values[k]!r}; the log says {true[k]!r}")


def _folder(folder: Path) -> dict[str, tuple[int, bytes]]:
    return {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in sorted(folder.iterdir()) if p.is_file()}




@contextmanager
def _only_input_errors(what: str) -> Iterator[None]:
    try:
        yield
    except InputError:
        return
    except ReaderFaultError:
        raise
    except Exception as error:
        raise ReaderFaultError(f"{what} raised {type(error).__name__}: {error}; only InputError is allowed") from error
