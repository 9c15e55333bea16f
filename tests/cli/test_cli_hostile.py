"""A text from a log, a file name or a config reaches no terminal as a control sequence, and no sheet as a formula."""

from __future__ import annotations

import csv
import io
import json
import re
import tempfile
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchpipe.cli.main import call
from benchpipe.cli.runs import work_night
from benchpipe.escapes import visible
from benchpipe.notify.message import body, title
from benchpipe.report.document import to_json
from benchpipe.report.terminal import console, show
from benchpipe.views.lab_view import Besides
from benchpipe.views.model import Alarm, RunView
from benchpipe.views.table_files import FORMULA, Style, write_table
from benchpipe.views.texts import change_texts
from tests.cli.hostile import NAMES, TEXTS, hostile_lab, obeyed
from tests.conftest import examples


def said(*arguments: str | Path) -> tuple[int, str]:
    """Exit code of a command, and all it said on both streams."""
    stream = io.StringIO()
    with redirect_stdout(stream), redirect_stderr(stream):
        code = call([str(argument) for argument in arguments])
    return code, stream.getvalue()


@settings(max_examples=examples(12), suppress_health_check=[HealthCheck.too_slow])
@given(TEXTS, NAMES)
def test_no_command_gives_a_terminal_what_it_would_obey(text: str, name: str) -> None:
    with tempfile.TemporaryDirectory() as held:
        folder = Path(held).resolve()
        lab = hostile_lab(folder, text, f"{name}.csv")
        plan, log = folder / "plan.toml", folder / "logs" / f"{name}.csv"
        for arguments in (
            ["nightly", lab], ["nightly", lab, "--brief"], ["nightly", lab, "--json"], ["show", plan],
            ["ingest", plan, "--again"], ["process", plan], ["check", plan], ["doctor", lab],
            ["doctor", lab, "--json"], ["inspect", log],
            ["trace", plan, "main", "--cycle", "2"], ["explain", plan, "main", text],
            ["explain", plan, "main", text, "--json"], ["explain", plan, text, text], ["export", plan],
            ["export", plan, text], ["show", folder / name], ["inspect", folder / name],
            ["inspect", log, "--write-rig", folder / f"{name}.toml", "--write-plan", folder / f"{name}-plan.toml"],
        ):  # fmt: skip
            code, shown = said(*arguments)
            assert code != 70, shown
            assert obeyed(shown) == set(), (arguments, shown)
            assert "\nid\n" not in shown
        assert said("show", plan)[0] == 10  # it was worked on: the limit fails
        _, found = said("export", plan, "--store", folder / "store")
        assert "rejects" in found
        for table in ("verdicts", "remarks", "rejects", "samples"):
            assert said("export", plan, table, "--out", folder / f"{table}.csv")[0] == 0
            with (folder / f"{table}.csv").open(newline="", encoding="utf-8") as file:
                cells = [cell for line in csv.reader(file) for cell in line]
            assert not any(re.match(r"[=+\-@\t\r]", cell) and not is_number(cell) for cell in cells)
            assert said("export", plan, table, "--out", folder / f"{table}.json")[0] == 0
            raw = (folder / f"{table}.json").read_bytes().decode("ascii")
            assert obeyed(raw) == set()
            if table == "verdicts":
                assert json.loads(raw)["rows"][0]["limit"] == text  # plain: as it was written


def is_number(cell: str) -> bool:
    """Whether a cell is a number, which is no text of anybody's."""
    try:
        float(cell)
    except ValueError:
        return False
    return True


class Views(list[RunView]):
    """Views that a failing example does not print."""

    def __repr__(self) -> str:
        return "views"


@pytest.fixture(scope="module")
def views(sample_lab: Path) -> Views:
    """What a night shows of the sample runs."""
    return Views(work_night(sample_lab, new_store=True).views)


@settings(max_examples=examples(100))
@given(TEXTS, st.booleans(), st.sampled_from([40, 80]))
def test_no_text_of_a_view_is_obeyed(views: Views, text: str, coloured: bool, width: int) -> None:
    """Every text of every field at once: what shows a field that is new shows it safely too."""
    hostile = [change_texts(view, lambda was: was if was in KEYS else f"{was}{text}") for view in views]
    besides = Besides(not_told=(text,))
    for details in (True, False):
        stream = io.StringIO()
        screen = console(file=stream, width=width, force_terminal=coloured, _environ={})
        show(screen, hostile, details=details, besides=besides)
        assert obeyed(stream.getvalue(), coloured=coloured) == set()
    assert obeyed(to_json(hostile, 0, besides)) == set()  # type: ignore[arg-type]


# Words that a screen goes by: they are the program's own.
KEYS = frozenset({
    "cyclic", "hold", "sweep", "stance", "proof", "locking", "relaxation", "idle", "pass", "fail", "inconclusive",
    "not evaluated", "<=", ">=", "within", "", "at least", "at most",
})  # fmt: skip


@given(TEXTS)
def test_a_message_is_lines_that_nobody_forged(text: str) -> None:
    from datetime import UTC, datetime

    alarm = Alarm(text, "limit-fail", text, text)
    head = title(text, [alarm])
    assert obeyed(head) == set()
    assert "\n" not in head
    lines = body(text, datetime(2031, 1, 1, tzinfo=UTC), [], [alarm], {alarm.identity: text}, 0).split("\n")
    assert lines[2] == visible(f"{text}: {text}")
    assert lines[3] == visible(f"  next: {text}")


@given(st.lists(TEXTS | st.none() | st.sampled_from(["'=1", "''=1", "'a", "=1"]), min_size=1, max_size=5))
def test_csv_is_inert_and_can_be_taken_back(texts: list[str | None]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.csv"
        write_table(iter([pa.table({"=text": pa.array(texts, pa.string()), "-n": [-1.5] * len(texts)})]), "csv", path)
        with path.open(newline="", encoding="utf-8") as file:
            header, *rows = csv.reader(file)
    assert header == ["'=text", "'-n"]
    for (cell, number), text in zip(rows, texts, strict=True):
        assert number == "-1.5"  # a number is no text
        assert cell[:1] not in tuple("=+-@\t\r\n")
        back = cell[1:] if re.match(r"^'+[=+\-@\t\r\n]", cell) else cell
        assert obeyed(cell) == set()  # a pipe ends in a terminal, too
        assert back == visible(text or "")


@given(st.lists(TEXTS, min_size=1, max_size=4))
def test_a_workbook_holds_texts_and_no_formula(texts: list[str]) -> None:
    from zipfile import ZipFile

    from python_calamine import CalamineWorkbook

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "x.xlsx"
        write_table(iter([pa.table({"text": texts, "mark": ["x"] * len(texts)})]), "xlsx", path)
        with ZipFile(path) as book:
            sheet = book.read("xl/worksheets/sheet1.xml").decode()
        rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_index(0).to_python()
    assert "<f>" not in sheet
    assert "<hyperlink" not in sheet
    assert len(rows) == 1 + len(texts)
    for row, text in zip(rows[1:], texts, strict=True):
        if text.isprintable():
            assert row[0] == text


@given(TEXTS)
def test_csv_can_be_seen_whole(text: str) -> None:
    from benchpipe.views.table_files import _for_csv

    rows = _for_csv(pa.table({text: [text, None]}), Style())
    shown = rows.column(0).to_pylist()
    assert obeyed("".join(rows.column_names) + str(shown[0])) == set()
    assert not re.match(FORMULA, shown[0]) or shown[0].startswith("'")
    assert shown[1] is None


@given(st.text(), st.text())
def test_visible_is_one_line_and_leaves_what_can_be_seen(text: str, plain: str) -> None:
    assert obeyed(visible(text)) == set()
    assert len(visible(text).splitlines()) <= 1
    assert visible(visible(text)) == visible(text)
    if plain.isprintable():
        assert visible(plain) is plain
