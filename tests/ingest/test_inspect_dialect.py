"""Law: what is not asked is right. Any table, written in any dialect, is read back or asked about."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchpipe.errors import InputError
from benchpipe.inspect.cells import GROUPED_FORMS, PLAIN_FORMS, SEPARATORS, NumberForm, split_line
from benchpipe.inspect.dates import find_format
from benchpipe.inspect.dialect import find_dialect
from benchpipe.inspect.encoding import find_encoding
from benchpipe.inspect.heading import find_heading, known_unit, split_name

MARK = {"space": " "}


def written(value: float, decimals: int, form: NumberForm) -> str:
    """A number as a rig writes it."""
    text = f"{value:,.{decimals}f}" if form.thousands else f"{value:.{decimals}f}"
    return text.replace(",", "\0").replace(".", form.decimal).replace("\0", form.thousands)


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[list[float]], list[int], str, NumberForm]:
    """Numbers with a number of decimals for each column, a separator and a way of writing that fit."""
    separator = draw(st.sampled_from(SEPARATORS))
    fitting = [
        f for f in PLAIN_FORMS + GROUPED_FORMS
        if MARK.get(separator, separator) not in (f.decimal, f.thousands)
    ]  # fmt: skip
    form = draw(st.sampled_from(fitting))
    decimals = draw(st.lists(st.integers(0, 4), min_size=2, max_size=5))
    size = draw(st.sampled_from([1.0, 50.0, 5000.0, 2e6]))
    rows = draw(st.integers(3, 30))
    numbers = np.random.default_rng(draw(st.integers(0, 10**6))).normal(0, size, (rows, len(decimals)))
    return numbers.tolist(), decimals, separator, form


@example(([[-1959.0, 250.0], [-826.0, -840.0], [313.0, -1129.0]], [0, 0], ";", NumberForm(".", ",")))
@given(tables())
def test_what_is_not_asked_is_right(case: tuple[list[list[float]], list[int], str, NumberForm]) -> None:
    numbers, decimals, separator, form = case
    mark = MARK.get(separator, separator)
    lines = [mark.join(written(v, d, form) for v, d in zip(row, decimals, strict=True)) for row in numbers]
    truth = [[float(f"{v:.{d}f}") for v, d in zip(row, decimals, strict=True)] for row in numbers]
    found = find_dialect(lines)
    for choice, true in ((found.separator, separator), (found.numbers, form)):
        if choice.is_open:
            assert true in choice.values or choice is found.numbers
    if found.separator.is_open or found.numbers.is_open:
        return
    for line, row in zip(lines, truth, strict=True):
        assert [found.form.value(cell) for cell in found.cells(line)] == row


@pytest.mark.parametrize(
    ("lines", "ways"),
    [
        (["1.234;5.678", "2.345;6.789", "3.456;7.890"], {1.234, 1234.0}),
        (["1,234\t5,678", "2,345\t6,789", "3,456\t7,890"], {1.234, 1234.0}),
        (["1,234 5,678", "2,345 6,789", "3,456 7,890"], {1.234, 1234.0}),
    ],
)
def test_a_thousand_or_one_and_a_bit_is_asked(lines: list[str], ways: set[float]) -> None:
    found = find_dialect(lines)
    assert found.numbers.is_open
    assert "1.234" in found.numbers.ask or "1,234" in found.numbers.ask
    cell = found.cells(lines[0])[0]
    assert {form.value(cell) for form in found.numbers.values} == ways


@pytest.mark.parametrize(
    ("more", "value"),
    [("0,123;5,678", 1.234), ("12,5;6,789", 1.234), ("1.234,5;2,0", 1.234), ("1,234.5;6,789", 1234.0)],
)
def test_some_numbers_decide(more: str, value: float) -> None:
    found = find_dialect(["1,234;5,678", "2,345;6,789", *[more] * 3])
    assert not found.numbers.is_open
    assert found.form.value("1,234") == value


def test_a_number_below_one_decides_where_it_goes_with_its_column() -> None:
    found = find_dialect([*(f"{k % 7 + 1},{k:03d};5,678" for k in range(100, 150)), "0,929;5,678"])
    assert (found.numbers.is_open, found.form.decimal) == (False, ",")
    lost = find_dialect([*(f"{k},{k:03d};5,678" for k in range(100, 150)), "0,929;5,678"])  # 100,929 that lost its head
    assert lost.numbers.is_open


def test_names_in_quotes_hold_the_separator_where_numbers_stand_without() -> None:
    lines = [
        '"Time (s)","Load, filtered (N)","Travel, ""left"" (mm)"',
        "0.00,1.5,2.25",
        "0.01,1.6,2.26",
        "0.02,1.7,2.27",
    ]
    found = find_heading(lines, find_dialect(lines))
    assert found.header == ("Time (s)", "Load, filtered (N)", 'Travel, "left" (mm)')


def test_one_broken_cell_decides_nothing() -> None:
    found = find_dialect([*["1,234;5,678"] * 50, "2,34;6,789"])
    assert found.numbers.is_open


@pytest.mark.parametrize("lines", [["hello"], ["a b c", "d e f"], [], ["12", "13"], ["some, words; here"] * 9])
def test_no_table_is_no_log(lines: list[str]) -> None:
    with pytest.raises(InputError, match="no separator makes a table"):
        find_dialect(lines)


def test_a_table_may_have_thousands_of_columns() -> None:
    found = find_dialect([";".join([f"{k / 50:.2f}", *["1.5"] * 2000]) for k in range(150)])
    assert (found.width, found.form.decimal, set(found.kinds)) == (2001, ".", {"number"})


def test_commas_for_both_are_refused() -> None:
    lines = ["Time,Force,Angle", "0,00,1,5,2,25", "0,01,1,6,2,26", "0,02,1,7,2,27"]
    with pytest.raises(InputError, match="both separator and decimal mark"):
        find_heading(lines, find_dialect(lines))


def test_heading_with_pairs_header_and_units() -> None:
    head = ["Prüfung: 7", "# Rig = Two", "Zeit;Kraft;Weg", "[s];[kN];[mm]"]
    lines = [*head, "0,0;1,5;2,5", "0,1;1,6;2,6", "0,2;1,7;2,7"]
    found = find_heading(lines, find_dialect(lines))
    assert found.preamble == (("Prüfung", "7"), ("Rig", "Two"))
    assert found.header == ("Zeit", "Kraft", "Weg")
    assert found.units == ("[s]", "[kN]", "[mm]")
    assert (found.header_line, found.units_row, found.first_row) == (3, True, 5)


def test_a_row_of_descriptions_is_no_row_of_units() -> None:
    lines = ["Lastzelle;Geber;Fühler", "Kraft;Weg;Öl", "0,0;1,5;2,5", "0,1;1,6;2,6", "0,2;1,7;2,7"]
    found = find_heading(lines, find_dialect(lines))
    assert (found.header, found.units_row) == (("Kraft", "Weg", "Öl"), False)


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("Torque [N·m]", ("Torque", "N·m")), ("Force (kN)", ("Force", "kN")), ("Weg / mm", ("Weg", "mm")),
        ("Kraft in kN", ("Kraft", "kN")), ("drop in test", ("drop in test", "")),
        ("load_Nm", ("load", "Nm")), ("Angle", ("Angle", "")), ("temp_C", ("temp", "C")), ("pos_in", ("pos_in", "")),
        ("a/b", ("a/b", "")), ("[N]", ("[N]", "")),
        ("Moment Nm", ("Moment", "Nm")), ("Rotation deg", ("Rotation", "deg")), ("Load cell 2 N", ("Load cell 2", "N")),
        ("Moment N m", ("Moment", "N m")), ("Winkel [Grad]", ("Winkel", "Grad")), ("Load min", ("Load min", "")),
        ("Sensor C", ("Sensor C", "")), ("Torsion bar", ("Torsion bar", "")), ("Phase 1", ("Phase 1", "")),
        ("t/s", ("t", "s")), ("Kraft F/kN", ("Kraft F", "kN")), ("Stiffness N/mm", ("Stiffness N/mm", "")),
        ("Date/Time", ("Date/Time", "")), ("Speed mm/s", ("Speed mm/s", "")), ("Force, kN", ("Force", "kN")),
        ("torque_nm", ("torque", "Nm")), ("load_kn", ("load", "kN")), ("wavelength_nm", ("wavelength_nm", "")),
    ],
)  # fmt: skip
def test_units_in_names(name: str, parts: tuple[str, str]) -> None:
    assert split_name(name)[:2] == parts


def test_units_are_known_or_not() -> None:
    assert [known_unit(text) for text in ("[N·m]", "°C", " (kN) ", "Grad", "furlong", "", "nm", "-")] == [
        "N*m", "degC", "kN", "deg", None, None, None, "1",
    ]  # fmt: skip


# --- dates --------------------------------------------------------------------------------------------------


FORMS = [
    "%Y-%m-%d %H:%M:%S.%f", "%d.%m.%Y %H:%M:%S,%f", "%m/%d/%Y %H:%M:%S", "%d/%m/%y %H:%M:%S.%f",
    "%Y/%m/%dT%H:%M:%S",
]  # fmt: skip


@given(st.sampled_from(FORMS), st.datetimes(datetime(2029, 1, 1), datetime(2034, 1, 1)), st.integers(1, 3_000_000))
def test_a_date_that_is_not_asked_is_right(form: str, start: datetime, step_ms: int) -> None:
    times = [start + timedelta(milliseconds=step_ms * k) for k in range(40)]
    cells = [t.strftime(form) for t in times]
    pairs = [(a, b) for a, b in pairwise(cells) if a[:10] != b[:10]]
    found = find_format(cells, pairs)
    assert found is not None
    assert form in found.values
    if not found.is_open:
        assert found.values == (form,)


@pytest.mark.parametrize(
    ("cells", "pairs", "hints", "formats"),
    [
        (["03/04/2031 10:00:00"], [], [], ("%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S")),
        (["13/04/2031 10:00:00"], [], [], ("%d/%m/%Y %H:%M:%S",)),
        (["04/13/2031 10:00:00"], [], [], ("%m/%d/%Y %H:%M:%S",)),
        (["03/04/2031 10:00:00"], [], ["2031-04-03 10:00"], ("%d/%m/%Y %H:%M:%S",)),
        (["03/04/2031 10:00:00"], [], ["2031-03-04"], ("%m/%d/%Y %H:%M:%S",)),
        (["03/03/2031 10:00:00"], [], ["2031-03-03"], ("%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S")),
        (["03.05.31 10:00:00"], [], [], ("%d.%m.%y %H:%M:%S", "%m.%d.%y %H:%M:%S", "%y.%m.%d %H:%M:%S")),
        (["03/04/2031 23:59:59"], [("03/04/2031 23:59:59", "04/04/2031 00:00:00")], [], ("%d/%m/%Y %H:%M:%S",)),
        (["03/04/2031 23:59:59"], [("03/04/2031 23:59:59", "03/05/2031 00:00:00")], [], ("%m/%d/%Y %H:%M:%S",)),
        # a day a month later: monthly logs say nothing of the order
        (["01/03/2031 10:00:00", "01/04/2031 10:00:00"], [], [], ("%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S")),
        (["3/4/2031 9:05:00 PM", "3/14/2031 9:05:00 AM"], [], [], ("%m/%d/%Y %I:%M:%S %p",)),
        (["10:00:00,250"], [], [], ("%H:%M:%S,%f",)),
        (["2031-04-03T10:00:00.5Z"], [], [], ("%Y-%m-%dT%H:%M:%S.%fZ",)),
        (["2031-04-03 10:00:00", "2031-04-03 10:00:00.5"], [], [], ("%Y-%m-%d %H:%M:%S.%f",)),
    ],
)
def test_day_and_month(
    cells: list[str], pairs: list[tuple[str, str]], hints: list[str], formats: tuple[str, ...]
) -> None:
    found = find_format(cells, pairs, hints)
    assert found is not None
    assert found.values == formats
    assert found.is_open == (len(formats) > 1)


def test_two_kinds_of_dates_are_none() -> None:
    assert find_format(["2031-04-03 10:00:00", "03.04.2031 10:00:00"]) is None
    assert find_format(["soon"]) is None


# --- encodings ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "encoding", "asked"),
    [
        (b"Time,Force\n", "utf-8", False),
        ("Zeit;Öl [°C]\n".encode(), "utf-8", False),
        ("Zeit;Öl [°C]\n".encode("utf-8-sig"), "utf-8", False),
        ("Zeit;Öl [°C]\n".encode("utf-16"), "utf-16", False),
        ("Zeit;Öl [°C]\n".encode("utf-16-le"), "utf-16", False),
        ("Zeit;Öl [°C]\n".encode("cp1252"), "cp1252", False),  # gbk would make no unit of °C
        ("Zeit;Länge\n".encode("cp1252"), "cp1252", False),  # no pairs of GB 2312
        ("时间;力;位移\n".encode("gbk"), "cp1252", True),
        ("时间;力 [µm]\n".encode(), "utf-8", False),
        (b"a;b\n" + b"1;2\n" * 40 + bytes(4096) + b"\n" + b"1;2\n" * 40, "utf-8", False),  # a disk lost power
        (b"a;b\n1;2\n" * 600 + b"note \xff\xfe\n", "utf-8", False),  # broken far from the heading
    ],
)
def test_encodings(head: bytes, encoding: str, asked: bool) -> None:
    found = find_encoding(head)
    assert found.values[0] == encoding
    assert found.is_open == asked
    if asked:
        assert "gbk makes '时间' of it" in found.ask


@pytest.mark.parametrize("head", ["Zeit;Öl\n".encode("utf-16-be"), bytes(500), b"\x7fELF\0\0\0\1"])
def test_no_text(head: bytes) -> None:
    with pytest.raises(InputError, match=r"UTF-16, high byte first|no text"):
        find_encoding(head)


def test_a_rule_below_the_names_is_no_header() -> None:
    lines = ["| t [s] | F [N] |", "|-------|-------|", *(f"| {k / 10:5.1f} | {k:5.2f} |" for k in range(20))]
    found = find_heading(lines, find_dialect(lines))
    assert found.header == ("", "t [s]", "F [N]", "")


def test_rows_that_end_in_a_separator_have_a_header_without_it() -> None:
    lines = ["t;F", *(f"{k / 10:.1f};{k}.25;" for k in range(20))]
    assert find_heading(lines, find_dialect(lines)).header == ("t", "F", "")
    lines[5] += "3.5"
    assert find_heading(lines, find_dialect(lines)).header is None


def test_cells_between_spaces() -> None:
    assert split_line("  1.5   2.5 ", "space") == ["1.5", "2.5"]
    assert split_line('"1;5";2', ";", quoted=True) == ["1;5", "2"]
