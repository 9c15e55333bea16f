"""The page in a browser: no request, no message, zoom by keys and pointer, values within half a step, for everyone."""

from __future__ import annotations

import base64
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchpipe.hints import Names
from benchpipe.night.pages import page_of
from benchpipe.report.page.run_document import run_document
from tests.page.browser import Seen, axe_source, chromium, opened, pictures_folder
from tests.page.many_cycles import measured, with_cycles
from tests.page.pages import NOW, RUNS, written

CYCLES = 60_000
PHONE = {"width": 320, "height": 640}
VALUES = """name => { const y = document.getElementById(name).trend.values, u = new Uint8Array(y.buffer); let o = '';
for (let i = 0; i < u.length; i += 32768) o += String.fromCharCode(...u.subarray(i, i + 32768)); return btoa(o); }"""
VIOLATIONS = (
    """async () => (await axe.run(document)).violations.map(v => `${v.id}: ${v.nodes[0].html.slice(0, 160)}`)"""
)
OVERFLOW = "document.documentElement.scrollWidth - innerWidth"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """One browser for all tests of the file."""
    with chromium() as made:
        yield made


@pytest.fixture(scope="module")
def files(browser: Any, sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Pages of the sample runs, and of one with many cycles."""
    folder = tmp_path_factory.mktemp("pages")
    found = {run: written(sample_lab, run, folder) for run in RUNS}
    shutil.copytree(sample_lab.parents[1], folder / "many")
    lab = folder / "many" / "sample_runs" / "lab.toml"
    config, _ = with_cycles(lab, CYCLES)
    found["many"] = folder / "many.html"
    found["many"].write_text(run_document(page_of(config, lab, Names("wearing", ""), NOW)), encoding="utf-8")
    return found


@pytest.mark.parametrize("run", RUNS)
def test_no_request_no_message_and_every_chart_is_live(browser: Any, files: dict[str, Path], run: str) -> None:
    with opened(files[run], browser) as seen:
        seen.see_all()
        assert seen.page.locator("figure.trend[data-live=yes]").count() == seen.page.locator("figure.trend").count() > 3
        assert seen.asked == []
        assert seen.said == []


def test_every_value_is_decoded_within_half_a_step(browser: Any, files: dict[str, Path]) -> None:
    wanted = measured(CYCLES)
    with opened(files["many"], browser) as seen:
        seen.see_all()
        for name, values in wanted.items():
            figure = f"durability-{name.replace('_', '-')}"
            got = np.frombuffer(base64.b64decode(seen.page.evaluate(VALUES, figure)), "<f8")
            step = seen.page.evaluate(f"document.getElementById('{figure}').trend.data.step")
            assert (np.isnan(got) == np.isnan(values)).all()
            assert np.nanmax(np.abs(got - values)) <= 0.5 * step * (1 + 1e-9)


def test_keys_zoom_move_and_announce(browser: Any, files: dict[str, Path]) -> None:
    with opened(files["many"], browser) as seen:
        seen.see_all()
        chart = seen.page.locator("#durability-secant-stiffness > svg")
        said = seen.page.locator("#durability-secant-stiffness-said")
        chart.focus()
        wide = [CYCLES]
        for key in ("+", "+"):
            chart.press(key)
            _drawn(seen)
            first, last = seen.view()
            wide.append(last - first)
        assert wide == [CYCLES, CYCLES / 2, CYCLES / 4]
        before = seen.view()
        chart.press("ArrowRight")
        _drawn(seen)
        assert seen.view()[0] == pytest.approx(before[0] + 0.2 * CYCLES / 4)
        chart.press("w")
        _drawn(seen)
        first, last = seen.view()
        assert last - first == 120
        assert "every cycle drawn" in said.inner_text()
        assert re.search(r"cycles [\d,]+ to [\d,]+: 1\d\d", said.inner_text())
        chart.press("0")
        _drawn(seen)
        assert seen.view() == [0, CYCLES]
        assert chart.get_attribute("role") == "application"
        assert "Arrow keys move" in str(chart.get_attribute("aria-label"))


def test_pointer_wheel_and_links_zoom(browser: Any, files: dict[str, Path]) -> None:
    with opened(files["many"], browser) as seen:
        seen.see_all()
        chart = seen.page.locator("#durability-secant-stiffness > svg")
        chart.scroll_into_view_if_needed()
        box = chart.bounding_box()
        y, x = box["y"] + box["height"] / 2, box["x"]
        seen.page.mouse.move(x + 0.3 * box["width"], y)
        seen.page.mouse.wheel(0, -300)  # without focus the page scrolls
        _drawn(seen)
        assert seen.view() == [0, CYCLES]
        chart.scroll_into_view_if_needed()
        box = chart.bounding_box()
        y = box["y"] + box["height"] / 2
        seen.page.mouse.move(x + 0.3 * box["width"], y)
        seen.page.mouse.down()
        seen.page.mouse.move(x + 0.5 * box["width"], y, steps=4)
        seen.page.mouse.up()
        _drawn(seen)
        first, last = seen.view()
        assert last - first == pytest.approx(0.2 * CYCLES * box["width"] / (box["width"] - 124), rel=0.02)
        seen.page.locator("button[data-from='0']").first.click()
        _drawn(seen)
        assert seen.view() == [0, CYCLES]
        seen.page.locator("#changed a[data-cycle]").first.click()
        _drawn(seen)
        first, last = seen.view()
        assert last - first == 120


def test_loops_are_singled_out_and_compared(browser: Any, files: dict[str, Path]) -> None:
    with opened(files["wearing"], browser) as seen:
        slider = seen.page.locator("#loops input.one")
        slider.focus()
        slider.press("Home")
        assert seen.page.locator("#loops .loop.on").get_attribute("data-cycle") == "1"
        seen.page.locator("#loops select.other").select_option(label="cycle 1,487 (last)")
        assert seen.page.locator("#loops .loop.beside").get_attribute("data-cycle") == "1487"
        said = seen.page.locator("#loops output").inner_text()
        assert said.startswith("cycle 1: smallest load [N] ")
        assert "dashed: cycle 1,487 (last): smallest load" in said


def test_without_script_all_pictures_and_tables_are_there(browser: Any, files: dict[str, Path]) -> None:
    with opened(files["wearing"], browser, java_script_enabled=False) as seen:
        assert seen.page.locator("figure.trend > svg path.median").count() == 5
        assert seen.page.locator(".js").first.is_hidden()
        seen.page.locator("#durability-secant-stiffness summary").click()
        assert seen.page.locator("#durability-secant-stiffness td").first.is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("run", RUNS)
def test_the_accessibility_checker_finds_nothing(browser: Any, files: dict[str, Path], run: str, scheme: str) -> None:
    source = axe_source()
    with opened(files[run], browser, color_scheme=scheme) as seen:
        seen.see_all()
        seen.page.evaluate(source)
        assert seen.page.evaluate(VIOLATIONS) == []


@pytest.mark.parametrize("run", RUNS)
def test_no_sideways_scroll_in_320_px_and_at_200_percent(browser: Any, files: dict[str, Path], run: str) -> None:
    for size in (PHONE, {"width": 600, "height": 450}):  # 1200 px at 200 %
        with opened(files[run], browser, viewport=size) as seen:
            seen.see_all()
            assert seen.page.evaluate(OVERFLOW) <= 0


def test_two_fingers_zoom(browser: Any, files: dict[str, Path]) -> None:
    with opened(files["many"], browser, viewport=PHONE, has_touch=True) as seen:
        seen.see_all()
        chart = seen.page.locator("#durability-secant-stiffness > svg")
        chart.scroll_into_view_if_needed()
        box = chart.bounding_box()
        client = seen.page.context.new_cdp_session(seen.page)
        y = box["y"] + box["height"] / 2

        def touch(kind: str, *xs: float) -> None:
            points = [{"x": x, "y": y, "id": k} for k, x in enumerate(xs)]
            client.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        middle = box["x"] + box["width"] / 2
        touch("touchStart", middle - 20)
        touch("touchStart", middle - 20, middle + 20)
        for apart in (30, 40, 60):
            touch("touchMove", middle - apart, middle + apart)
        touch("touchEnd")
        _drawn(seen)
        first, last = seen.view()
        assert last - first < 0.6 * CYCLES


def test_print_shows_all_cycles_on_a4(browser: Any, files: dict[str, Path], tmp_path: Path) -> None:
    with opened(files["many"], browser) as seen:
        seen.see_all()
        seen.page.locator("#changed a[data-cycle]").first.click()
        _drawn(seen)
        seen.page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert seen.view() == [0, CYCLES]
        seen.page.evaluate("dispatchEvent(new Event('afterprint'))")
        _drawn(seen)
        assert seen.view()[1] - seen.view()[0] == 120
        made = seen.page.pdf(prefer_css_page_size=True)
        assert b"/MediaBox [0 0 594" in made or b"/MediaBox [0 0 595" in made
        assert seen.page.evaluate("matchMedia('print').matches") is False


def test_pictures_are_kept_to_be_looked_at(browser: Any, files: dict[str, Path]) -> None:
    folder = pictures_folder()
    if folder is None:
        pytest.skip("BENCHPIPE_PICTURES names no folder")
    folder.mkdir(parents=True, exist_ok=True)
    looks: dict[str, dict[str, Any]] = {
        "light": {}, "dark": {"color_scheme": "dark"}, "320px": {"viewport": PHONE},
        "forced": {"forced_colors": "active"}, "noscript": {"java_script_enabled": False},
    }  # fmt: skip
    for run in RUNS:
        for look, options in looks.items():
            with opened(files[run], browser, **options) as seen:
                if look != "noscript":
                    seen.see_all()
                seen.page.screenshot(path=folder / f"{run}-{look}.png", full_page=True)
                if look == "light":
                    seen.page.pdf(path=folder / f"{run}.pdf", prefer_css_page_size=True)


def _drawn(seen: Seen) -> None:
    """Let two frames pass."""
    seen.page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
