"""The page of a run as a document: sections, policy, figures, and runs of which little is known."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.blocks.charts import Axis, Chart, FigureTable, Panel, Series
from benchpipe.errors import ConfigError
from benchpipe.report.page.run_document import run_document
from benchpipe.report.page.single import figures_of, single_figure
from benchpipe.report.page.words import standing
from benchpipe.run import load_run
from benchpipe.store.archive_note import Away
from benchpipe.store.manifest import Remark
from benchpipe.views.page.bounds import MOST_POINTS, MOST_ROWS, bounded
from benchpipe.views.page.coding import decode_trend
from benchpipe.views.page.model import Drift, RunPage, ShownEvent, ShownPhase
from benchpipe.views.page.run_page import bare_page, run_page
from benchpipe.views.run_view import archived_view, failed_view, run_view
from tests.page.pages import RUNS, SECTIONS, Parsed, page

SMALL = 300_000  # bytes of the page of a small run


@pytest.fixture(scope="module")
def pages(sample_lab: Path) -> dict[str, RunPage]:
    """Pages of the sample runs."""
    return {run: page(sample_lab, run) for run in RUNS}


@pytest.mark.parametrize("run", RUNS)
def test_sections_are_there_in_order_and_the_navigation_names_them(pages: dict[str, RunPage], run: str) -> None:
    parsed = Parsed(run_document(pages[run]))
    assert [a["id"] for a in parsed.of("section")] == list(SECTIONS)
    links = [a["href"] for a in parsed.of("a") if str(a["href"]).startswith("#")]
    ids = {a["id"] for _, a in parsed.elements if "id" in a}
    assert {link[1:] for link in links if link} <= ids
    assert len(ids) == sum("id" in a for _, a in parsed.elements)  # each once


@pytest.mark.parametrize("run", RUNS)
def test_a_page_is_small_and_asks_for_nothing(pages: dict[str, RunPage], run: str) -> None:
    document = run_document(pages[run])
    assert len(document.encode()) < SMALL
    parsed = Parsed(document)
    for name, attributes in parsed.elements:
        assert not {"src", "srcset", "style", "onclick", "onload", "action", "poster"} & set(attributes), name
        assert not str(attributes.get("href", "#")).startswith(("http", "//", "data:"))
    style = re.search(r"<style>(.*?)</style>", document, re.DOTALL)
    assert style is not None
    assert "url(" not in style[1]
    assert "@import" not in style[1]


def test_the_policy_lets_this_script_and_this_style_alone(pages: dict[str, RunPage]) -> None:
    document = run_document(pages["wearing"])
    policy = next(a["content"] for a in Parsed(document).of("meta") if a.get("http-equiv"))
    assert policy is not None
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    for name in ("script", "style"):
        inside = re.search(rf"<{name}>(.*?)</{name}>", document, re.DOTALL)
        assert inside is not None
        digest = base64.b64encode(hashlib.sha256(inside[1].encode()).digest()).decode()
        assert f"{name}-src 'sha256-{digest}'" in policy


@pytest.mark.parametrize("run", RUNS)
def test_every_figure_has_an_answer_a_size_a_table_and_a_command(pages: dict[str, RunPage], run: str) -> None:
    document = run_document(pages[run])
    figures = re.findall(r"<figure.*?</figure>", document, re.DOTALL)
    assert len(figures) >= 4
    for figure in figures:
        answer = re.search(r"<figcaption><b>(.+?)</b>", figure)
        assert answer is not None
        assert answer[1].endswith(".")
        assert re.search(r"\d", figure.split("</figcaption>")[0]) or "limits-strip" in figure
        assert "<code>benchpipe export " in figure
        if "<svg" in figure and "limits-strip" not in figure:
            assert 'class="twin"' in figure
        assert figure.count("<svg") == figure.count('role="img"')


def test_the_same_state_gives_the_same_bytes(sample_lab: Path, pages: dict[str, RunPage]) -> None:
    assert run_document(page(sample_lab, "healthy")) == run_document(pages["healthy"])


def test_figures_equal_the_tables(sample_lab: Path, pages: dict[str, RunPage]) -> None:
    config = load_run(sample_lab.parent / "wearing" / "plan.toml")
    store = config.open_store()
    cycles = store.read(store.manifest(), "cycles").to_pandas()
    cycles = cycles[cycles["complete"]].sort_values("cycle")
    for shown in pages["wearing"].trends:
        wanted = cycles[shown.trend.measure].to_numpy(float)
        assert np.array_equal(shown.trend.values, wanted, equal_nan=True)
        assert np.nanmax(np.abs(decode_trend(shown.coded) - wanted)) <= 0.5 * shown.coded.step * (1 + 1e-9)
        assert shown.coded.worst_error <= 0.5 * max(shown.coded.scatter, shown.coded.step)


def test_a_limit_on_a_change_is_drawn_where_the_measure_would_reach_it(pages: dict[str, RunPage]) -> None:
    shown = next(t for t in pages["wearing"].trends if t.trend.measure == "secant_stiffness")
    (limit,) = shown.limits
    assert shown.trend.base is not None
    assert limit.value == pytest.approx(0.85 * shown.trend.base)
    assert limit.label == "stiffness lost"


def test_the_first_sentence_says_what_failed_what_changed_and_how_far_it_is(pages: dict[str, RunPage]) -> None:
    words = standing(pages["wearing"])
    assert words.startswith("2 of 14 limits failed: loop energy changed, up (38.28 ± 0.57 %, limit ≤ 25 %) and ")
    assert "Since the baseline loop energy rose by 38 %" in words
    assert "1,487 of 2,000,000 cycles" in words


def test_no_markup_of_a_name_or_log_is_obeyed(pages: dict[str, RunPage]) -> None:
    evil = '<script>alert(1)</script>"><img src=x onerror=alert(1)>\x1b[31m\u202e'
    view = replace(
        pages["wearing"].view, run=evil, specimen=evil, rig=evil, note=evil, do_next=(evil,), pauses=evil,
        remarks=(Remark(step="ingest", code="x", where=evil, count=1, text=evil),),
    )  # fmt: skip
    chart = replace(pages["wearing"].charts[0], block=evil, title=evil, answer=(evil,), command=f"benchpipe {evil}")
    margins = tuple(replace(m, row={**m.row, "limit": evil, "source": evil}) for m in pages["wearing"].margins)
    trends = tuple(replace(t, trend=replace(t.trend, block=evil, label=evil)) for t in pages["wearing"].trends)
    parsed = Parsed(run_document(replace(pages["wearing"], view=view, charts=(chart,), margins=margins, trends=trends)))
    assert parsed.of("img") == []
    assert sum("type" not in a for a in parsed.of("script")) == 1  # ours
    assert not any(key.startswith("on") for _, attributes in parsed.elements for key in attributes)
    assert "\x1b" not in parsed.text
    assert "\u202e" not in parsed.text
    assert "alert(1)" in parsed.text  # it can be read


def test_drift_has_its_place(pages: dict[str, RunPage]) -> None:
    events = tuple(
        ShownEvent("durability", "secant_stiffness", k, "step down", -0.1, -0.12, -0.08) for k in range(1, 10_001)
    )
    drift = Drift(events, (ShownPhase("durability", 1, 200, "run-in"),), ("It reaches the limit at 9,000 cycles.",))
    document = run_document(replace(pages["wearing"], drift=drift))
    assert "Drift was not analysed" not in document
    assert "run-in" in document
    assert len(document) < 8_000_000
    assert "Drift was not analysed" in run_document(pages["wearing"])


def test_ten_thousand_rows_and_points_are_bounded_and_it_is_said() -> None:
    x = np.arange(10_000.0)
    series = Series("a", x, x, x - 1, x + 1, "dots")
    rows = FigureTable((Axis("x"),), tuple((float(v),) for v in x))
    panels = (Panel("", Axis("x"), Axis("y"), (series,)),)
    chart = Chart("c", "load", "b", "t", ("x.",), panels, rows, 10_000, "holds", "benchpipe export RUN holds")
    cut = bounded(chart)
    assert cut.panels[0].series[0].x.size <= MOST_POINTS
    assert len(cut.rows.rows) == MOST_ROWS
    assert "one point in 7 drawn" in cut.reduced
    assert "9,760 rows of the table are not listed" in cut.reduced


def test_a_run_that_could_not_be_worked_on_has_a_page(tmp_path: Path) -> None:
    view = failed_view(tmp_path / "plan.toml", "the rig file is missing\n  where: <here>", "lost")
    parsed = Parsed(run_document(bare_page(view)))
    assert "The run could not be processed: the rig file is missing" in parsed.text
    assert "where: <here>" in parsed.text
    assert [a["id"] for a in parsed.of("section")] == ["stands", "limits"]


def test_an_archived_run_has_a_page_of_its_verdicts(sample_lab: Path, tmp_path: Path) -> None:
    config = load_run(sample_lab.parent / "wearing" / "plan.toml")
    store = config.open_store()
    verdicts = store.read(store.manifest(), "verdicts").to_pylist()
    away = Away("leaving", tmp_path, "0" * 64, "2031-05-01T00:00:00Z", tuple(verdicts))
    parsed = Parsed(run_document(bare_page(archived_view(config, away))))
    assert [a["id"] for a in parsed.of("section")] == ["stands", "limits"]
    assert "benchpipe restore" in parsed.text
    assert "loop energy changed, up" in parsed.text


@pytest.mark.parametrize("step", ["check", "process"])
def test_a_run_that_was_never_judged_or_processed_has_a_page(sample_lab: Path, step: str) -> None:
    config = load_run(sample_lab.parent / "healthy" / "plan.toml")
    store = config.open_store()
    manifest = store.manifest()
    dropped = {"check"} | ({"process"} if step == "process" else set())
    manifest = manifest.model_copy(update={"steps": {k: v for k, v in manifest.steps.items() if k not in dropped}})
    made = run_page(config, manifest, store, run_view(config, manifest, store))
    parsed = Parsed(run_document(made))
    assert "Nothing was judged yet" in parsed.text
    assert [a["id"] for a in parsed.of("section")] == list(SECTIONS)
    if step == "process":
        assert "No complete cycle was measured." in parsed.text


@pytest.mark.parametrize("n", [1, 2, 3])
def test_a_run_of_few_cycles_has_a_page(sample_lab: Path, monkeypatch: pytest.MonkeyPatch, n: int) -> None:
    config = load_run(sample_lab.parent / "wearing" / "plan.toml")
    store = config.open_store()
    manifest = store.manifest()
    read = store.read_parts

    def few(parts: list[object], table: str, columns: list[str] | None = None) -> pa.Table:
        rows = read(parts, table, columns)  # type: ignore[arg-type]
        if table == "loops":
            return rows.slice(0, 40)
        return rows.slice(0, n) if table == "cycles" else rows

    monkeypatch.setattr(store, "read_parts", few)
    made = run_page(config, manifest, store, run_view(config, manifest, store))
    assert {t.trend.values.size for t in made.trends} == {n}
    assert "Over the cycles" in run_document(made)


def test_a_run_whose_values_are_all_null_has_a_page(sample_lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config = load_run(sample_lab.parent / "wearing" / "plan.toml")
    store = config.open_store()
    manifest = store.manifest()
    view, read = run_view(config, manifest, store), store.read_parts

    def nulls(parts: list[object], table: str, columns: list[str] | None = None) -> pa.Table:
        rows = read(parts, table, columns)  # type: ignore[arg-type]
        empty = [pa.nulls(rows.num_rows, f.type) if pa.types.is_floating(f.type) else rows[f.name] for f in rows.schema]
        return pa.Table.from_arrays(empty, names=rows.column_names) if table == "cycles" else rows

    monkeypatch.setattr(store, "read_parts", nulls)
    made = run_page(config, manifest, store, view)
    assert made.trends == ()
    assert "No complete cycle was measured." in run_document(made)


def test_a_single_figure_is_found_by_a_short_name(pages: dict[str, RunPage]) -> None:
    made = single_figure(pages["wearing"], "stiffness")
    assert made.startswith('<svg xmlns="http://www.w3.org/2000/svg" width="860"')
    assert "secant stiffness" in made
    assert "<style>" in made
    assert "creep-1" in " ".join(figures_of(pages["creeping-lock"]))
    with pytest.raises(ConfigError, match="several figures"):
        single_figure(pages["creeping-lock"], "creep")
    with pytest.raises(ConfigError, match="no figure"):
        single_figure(pages["wearing"], "torsion")
