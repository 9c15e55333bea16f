"""Workbooks (``.xlsx``): a sheet becomes lines of text, one a row, which are read like any other text log.

Numbers come as the doubles that the workbook holds, dates as ``2031-03-14 08:20:00.020000``: the format of a time
column is then ``%Y-%m-%d %H:%M:%S.%f``.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import IO, Any

from benchpipe.config.rig import RigConfig
from benchpipe.errors import InputError, nearest
from benchpipe.readers.batch import RawBatch
from benchpipe.readers.extras import load_extra, readable
from benchpipe.readers.log_file import open_log
from benchpipe.readers.reader_process import call_apart
from benchpipe.readers.text import read_text

LARGEST = 1 << 30  # bytes unpacked
INSIDE = "xl/workbook.xml"
AS_TEXT = {"encoding": "utf-8", "separator": "\t", "decimal": ".", "thousands": "", "quoted": False}


def is_workbook(file: IO[bytes]) -> bool:
    """Whether a zip archive is a workbook; the file is left at its beginning."""
    try:
        with zipfile.ZipFile(file) as packed:
            return INSIDE in packed.namelist()
    except (zipfile.BadZipFile, OSError, NotImplementedError):
        return False
    finally:
        file.seek(0)


def read_workbook(path: Path, file: IO[bytes], rig: RigConfig) -> Iterator[RawBatch]:
    """Read the sheets that ``variables`` names, one after the other; without it the one with the most rows.

    Raises
    ------
    InputError
        No workbook, or none of that sheet, or as for text logs.
    MissingExtraError
        The library that reads workbooks is not installed.
    """
    log = rig.log.model_copy(update=AS_TEXT)
    as_text = rig.model_copy(update={"log": log})
    for sheet in rig.log.variables or ("",):
        _, text = sheet_text(path, file, sheet)
        for batch in read_text(path, io.BytesIO(text), as_text):
            yield replace(batch, state=None)


def sheet_text(path: Path, file: IO[bytes], sheet: str = "") -> tuple[list[str], bytes]:
    """Names of the sheets, that of the one that is read first, and its rows as lines of text.

    Raises
    ------
    InputError
        It is no workbook, is too large, or has no such sheet.
    """
    _must_be_small(path, file)
    return call_apart(path, _sheet_text, path, sheet)


def _sheet_text(path: Path, sheet: str) -> tuple[list[str], bytes]:
    library = load_extra("python_calamine", "xlsx")
    with open_log(path) as file, readable(path, "a workbook"):
        book = library.load_workbook(io.BytesIO(file.read()))
        names = list(book.sheet_names)
        if sheet and sheet not in names:
            raise InputError(
                f"the workbook has no sheet '{sheet}'", where=path, expected=nearest(sheet, names),
                do_next="correct variables in [log] of the rig file",
            )  # fmt: skip
        chosen = sheet or max(names, key=lambda name: book.get_sheet_by_name(name).total_height, default="")
        if not chosen:
            raise InputError("the workbook has no sheet", where=path)
        rows = book.get_sheet_by_name(chosen).to_python(skip_empty_area=False)
    lines = ["\t".join(map(_cell, row)).rstrip("\t") if not any(row) else "\t".join(map(_cell, row)) for row in rows]
    others = [name for name in names if name != chosen]
    return [chosen, *others], "".join(f"{line}\n" for line in lines).encode()


def _must_be_small(path: Path, file: IO[bytes]) -> None:
    file.seek(0)
    try:
        with zipfile.ZipFile(file) as packed:
            size = sum(one.file_size for one in packed.infolist())
    except (zipfile.BadZipFile, OSError, NotImplementedError) as error:
        raise InputError(f"not a workbook that can be read: {error}", where=path) from None
    if size > LARGEST:
        raise InputError(
            f"the workbook is {size / 1e9:.1f} GB unpacked", where=path, expected=f"at most {LARGEST / 1e9:.1f} GB",
            do_next="let the rig write text, or export the sheet as CSV",
        )  # fmt: skip
    file.seek(0)


def _cell(value: Any) -> str:
    """A cell as text: numbers so that they come back to the last bit."""
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M:%S.%f")
    if isinstance(value, timedelta):
        return repr(value.total_seconds())
    if isinstance(value, date | time):
        return value.isoformat()
    return " ".join(str(value).split())
