"""Workbooks written by hand: a zip archive with the few parts that a sheet of numbers and texts needs."""

from __future__ import annotations

import zipfile
from pathlib import Path
from xml.sax.saxutils import escape

Cell = float | str | None
_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="xml" ContentType="application/xml"/>'
    '<Override PartName="/xl/workbook.xml" '
    'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>'
)
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_RELATED = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKED = "http://schemas.openxmlformats.org/package/2006/relationships"


def write_workbook(path: Path, sheets: dict[str, list[list[Cell]]]) -> None:
    """Write a workbook: a list of rows for each sheet; None leaves a cell empty."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("[Content_Types].xml", _TYPES)
        packed.writestr("_rels/.rels", _relations([("rId1", "officeDocument", "xl/workbook.xml")]))
        listed = "".join(
            f'<sheet name="{escape(name)}" sheetId="{n}" r:id="rId{n}"/>' for n, name in enumerate(sheets, 1)
        )
        packed.writestr(
            "xl/workbook.xml", f'<workbook xmlns="{_MAIN}" xmlns:r="{_RELATED}"><sheets>{listed}</sheets></workbook>'
        )
        related = [(f"rId{n}", "worksheet", f"worksheets/sheet{n}.xml") for n in range(1, len(sheets) + 1)]
        packed.writestr("xl/_rels/workbook.xml.rels", _relations(related))
        for n, rows in enumerate(sheets.values(), 1):
            packed.writestr(f"xl/worksheets/sheet{n}.xml", _sheet(rows))


def _relations(found: list[tuple[str, str, str]]) -> str:
    inner = "".join(f'<Relationship Id="{i}" Type="{_RELATED}/{kind}" Target="{to}"/>' for i, kind, to in found)
    return f'<Relationships xmlns="{_PACKED}">{inner}</Relationships>'


def _sheet(rows: list[list[Cell]]) -> str:
    body = "".join(
        f'<row r="{n}">' + "".join(_cell(value, n, k) for k, value in enumerate(row)) + "</row>"
        for n, row in enumerate(rows, 1)
    )
    return f'<worksheet xmlns="{_MAIN}"><sheetData>{body}</sheetData></worksheet>'


def _cell(value: Cell, row: int, column: int) -> str:
    place = f"{chr(ord('A') + column)}{row}"
    if value is None:
        return ""
    if isinstance(value, str):
        return f'<c r="{place}" t="inlineStr"><is><t>{escape(value)}</t></is></c>'
    return f'<c r="{place}"><v>{value!r}</v></c>'
