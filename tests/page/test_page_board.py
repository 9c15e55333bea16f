"""The board of a lab, and pages as files: written whole, only where something changed, never among logs."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from benchpipe.cli.main import call
from benchpipe.cli.naming import names_in
from benchpipe.errors import ConfigError, StoreError
from benchpipe.night.lab import NightResult, work_lab
from benchpipe.night.pages import Written, write_pages
from benchpipe.report.page.board import board_document
from benchpipe.store.record_note import NOTE, WrittenRecord, named_in, note_record
from benchpipe.views.model import Alarm
from benchpipe.views.page.board import Board, board
from tests.page.browser import axe_source, chromium, opened
from tests.page.pages import Parsed

MADE = datetime(2031, 5, 1, 6, tzinfo=UTC)
EVIL = "<script>alert(1)</script>\"'"


def _no_bug(error: BaseException, arguments: list[str]) -> str:
    raise error


@pytest.fixture(scope="module")
def worked(sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, NightResult]:
    """A copy of the worked-through lab, and a night over it."""
    folder = tmp_path_factory.mktemp("board")
    shutil.copytree(sample_lab.parents[1], folder, dirs_exist_ok=True)
    lab = folder / "sample_runs" / "lab.toml"
    return lab, work_lab(lab, bug=_no_bug, now=MADE, new_store=True)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for all tests of the file."""
    with chromium() as made:
        yield made


def _written(lab: Path, night: NightResult) -> Written:
    written = write_pages(lab, night, partial(names_in, lab))
    assert written is not None
    return written


def _board(night: NightResult, runs: int, made: datetime = MADE) -> Board:
    views = [replace(night.views[k % 3], run=f"run-{k:02d}") for k in range(runs)]
    return board("Lab (invented)", made, views, {view.run: f"{view.run}.html" for view in views})


def test_a_row_says_state_cycles_end_margin_alarms_and_health(worked: tuple[Path, NightResult]) -> None:
    lab, night = worked
    text = Parsed(_written(lab, night).board.read_text(encoding="utf-8")).text
    for words in (
        "Sample lab (invented)",
        "Made 2031-05-01 06:00 UTC",
        "3 runs: 2 failed, 1 within limits",
        "1,487/2M",
        "loop energy changed, up",
        "-53.1 % ± 2.3",
        "2031-06-20",
        "unwatched",
        "test lockable ankle",
    ):
        assert words in text, words


def test_pages_are_written_only_where_something_changed(worked: tuple[Path, NightResult]) -> None:
    lab, night = worked
    _written(lab, night)
    folder = lab.parent / "pages"
    assert {path.name for path in folder.iterdir()} == {
        "index.html", "wearing.html", "healthy.html", "creeping-lock.html"
    }  # fmt: skip
    before = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    written = _written(lab, night)
    assert (written.new, written.same) == (0, 3)
    after = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    assert {name for name in after if after[name] != before[name]} == {"index.html"}
    alarm = Alarm("healthy", "x", "y", "something new", MADE)
    changed = tuple(replace(v, alarms=(alarm,)) if v.run == "healthy" else v for v in night.views)
    assert _written(lab, replace(night, views=changed)).new == 1
    assert "something new" in (folder / "healthy.html").read_text(encoding="utf-8")


def test_links_of_the_board_lead_to_pages(worked: tuple[Path, NightResult]) -> None:
    lab, night = worked
    written = _written(lab, night)
    links = {a["href"] for a in Parsed(written.board.read_text(encoding="utf-8")).of("a")}
    assert links == {"wearing.html", "healthy.html", "creeping-lock.html"}
    page = Parsed((written.board.parent / "wearing.html").read_text(encoding="utf-8"))
    assert "index.html" in {a["href"] for a in page.of("a")}


def test_the_board_leads_to_the_newest_record_that_is_there(worked: tuple[Path, NightResult]) -> None:
    lab, night = worked
    store, run = lab.parent / "store", night.views[0].run
    for name, state in (("first.pdf", 1), ("second one.pdf", 2), ("gone.pdf", 3)):
        file = lab.parent / name
        file.write_bytes(b"%PDF")
        note_record(store, run, WrittenRecord(named_in(store, file), state, "0" * 64, 4, "0" * 64))
    (lab.parent / "gone.pdf").unlink()
    made = _written(lab, night).board
    (link,) = [a["href"] for a in Parsed(made.read_text(encoding="utf-8")).of("a") if "pdf" in a["href"]]
    (store / run / NOTE).unlink()
    assert (made.parent / unquote(link)).resolve() == (lab.parent / "second one.pdf").resolve()


def test_a_folder_that_holds_logs_is_refused(worked: tuple[Path, NightResult]) -> None:
    lab, night = worked
    text = lab.read_text(encoding="utf-8")
    lab.write_text(text.replace('folder = "pages"', 'folder = "wearing/logs"'), encoding="utf-8")
    try:
        with pytest.raises(ConfigError, match="holds logs of run 'wearing'"):
            _written(lab, night)
    finally:
        lab.write_text(text, encoding="utf-8")


def test_a_folder_that_cannot_be_written_is_an_error_that_can_be_followed(worked: tuple[Path, NightResult]) -> None:
    lab, night = worked
    text = lab.read_text(encoding="utf-8")
    (lab.parent / "a-file").write_text("x", encoding="utf-8")
    lab.write_text(text.replace('folder = "pages"', 'folder = "a-file"'), encoding="utf-8")
    try:
        with pytest.raises(StoreError, match="cannot be written") as caught:
            _written(lab, night)
        assert "the night itself is done" in str(caught.value)
    finally:
        lab.write_text(text, encoding="utf-8")


def test_without_the_section_no_page_is_written(worked: tuple[Path, NightResult], tmp_path: Path) -> None:
    lab, night = worked
    text = lab.read_text(encoding="utf-8")
    lab.write_text(text.replace("[page]", "").replace('folder = "pages"', ""), encoding="utf-8")
    try:
        assert write_pages(lab, night, partial(names_in, lab)) is None
    finally:
        lab.write_text(text, encoding="utf-8")


def test_names_that_no_file_can_have_get_one(worked: tuple[Path, NightResult]) -> None:
    lab, night = worked
    odd = ("a/b", "A/B", "index", "..", EVIL)
    views = tuple(replace(night.views[0], run=name, failed="it broke") for name in odd)
    written = _written(lab, replace(night, views=views))
    names = {path.name.lower() for path in written.board.parent.iterdir()}
    assert {"a-b.html", "a-b-2.html", "index-2.html", "run.html"} <= names
    parsed = Parsed(written.board.read_text(encoding="utf-8"))
    assert len(parsed.of("script")) == 1
    assert "alert(1)" in parsed.text


def test_forty_runs_are_small_and_quick(worked: tuple[Path, NightResult]) -> None:
    _, night = worked
    began = time.process_time()
    document = board_document(_board(night, 40))
    assert time.process_time() - began < 0.5
    assert len(document.encode()) < 1_000_000


def test_the_commands_write_files(worked: tuple[Path, NightResult], tmp_path: Path, capsys: Any) -> None:
    lab, _ = worked
    out = tmp_path / "w.html"
    assert call(["page", "wearing", "--lab", str(lab), "--out", str(out)]) == 0
    assert "wearing" in Parsed(out.read_text(encoding="utf-8")).text
    assert call(["page", "wearing", "--lab", str(lab), "--figure", "loops", "--out", str(tmp_path / "l.svg")]) == 0
    assert (tmp_path / "l.svg").read_text(encoding="utf-8").startswith("<svg xmlns=")
    assert call(["page", "wearing", "--lab", str(lab), "--out", str(tmp_path)]) == 2
    assert call(["page", "wearing", "--lab", str(lab), "--figure", "nothing", "--out", str(out)]) == 2
    assert call(["page", "wearing", "--lab", str(lab), "--out", str(out / "where.html")]) == 12
    assert "name another file with --out" in capsys.readouterr().err


def test_sort_filter_and_search(browser: Any, worked: tuple[Path, NightResult], tmp_path: Path) -> None:
    path = tmp_path / "board.html"
    path.write_text(board_document(_board(worked[1], 12, datetime.now(UTC))), encoding="utf-8")
    with opened(path, browser) as seen:
        page = seen.page
        visible = (
            "[...document.querySelectorAll('#runs tbody tr')].filter(r => !r.hidden).map(r => r.cells[0].dataset.value)"
        )
        assert len(page.evaluate(visible)) == 12
        page.get_by_role("button", name="run").click()
        page.get_by_role("button", name="run").click()
        assert page.evaluate(visible)[0] == "run-11"
        assert page.locator("th[aria-sort=descending]").inner_text().startswith("run")
        page.locator("#search").fill("run-0 invented")
        assert len(page.evaluate(visible)) == 10
        page.locator("#state").select_option("within limits")
        assert 0 < len(page.evaluate(visible)) < 10
        assert "of 12 runs shown" in page.locator("#shown").inner_text()
        assert not page.locator("#made").evaluate("e => e.classList.contains('old')")
        assert (seen.asked, seen.said) == ([], [])


def test_a_board_without_a_night_since_a_day_is_plainly_old(browser: Any, worked: tuple[Path, NightResult],
                                                           tmp_path: Path) -> None:  # fmt: skip
    path = tmp_path / "board.html"
    path.write_text(board_document(_board(worked[1], 3, datetime.now(UTC) - timedelta(days=2, hours=1))), "utf-8")
    with opened(path, browser) as seen:
        assert "OLD: no night for 2 days" in seen.page.locator("#made").inner_text()


@pytest.mark.parametrize("look", [{}, {"color_scheme": "dark"}, {"viewport": {"width": 320, "height": 640}}])
def test_the_board_is_for_everyone(browser: Any, worked: tuple[Path, NightResult], tmp_path: Path, look: Any) -> None:
    path = tmp_path / "board.html"
    path.write_text(board_document(_board(worked[1], 6)), encoding="utf-8")
    source = axe_source()
    with opened(path, browser, **look) as seen:
        seen.page.evaluate(source)
        found = "async () => (await axe.run(document)).violations.map(v => `${v.id}: ${v.nodes[0].html.slice(0, 160)}`)"
        assert seen.page.evaluate(found) == []
        assert seen.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
