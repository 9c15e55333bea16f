"""A page in Debian's Chromium, without a network; tests are skipped where it is not installed."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
# Without these it asks for its maker's hosts at every start.
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
AXE = Path(__file__).resolve().parents[2] / ".ci" / "node_modules" / "axe-core" / "axe.min.js"
PATIENCE_S = 60.0


@dataclass
class Seen:
    """A page that is open, its requests and its console messages."""

    page: Any
    asked: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def until(self, expression: str) -> None:
        """Wait until an expression is true (its policy lets Playwright's own waiting run no script)."""
        end = time.monotonic() + PATIENCE_S
        while not self.page.evaluate(f"() => Boolean({expression})"):
            assert time.monotonic() < end, f"never: {expression}"
            time.sleep(0.02)

    def see_all(self) -> None:
        """Scroll from top to bottom, so that every chart becomes live, and back."""
        for k in range(self.page.locator("figure.trend").count()):
            self.page.locator("figure.trend").nth(k).scroll_into_view_if_needed()
        self.until("document.querySelectorAll('figure.trend:not([data-live])').length === 0")
        self.page.evaluate("window.scrollTo(0, 0)")

    def view(self) -> list[float]:
        """Cycles that the trends show."""
        found: list[float] = self.page.evaluate("(v => [v.from, v.to])(document.querySelector('.trends').view)")
        return found


@contextmanager
def opened(path: Path, browser: Any, **options: Any) -> Iterator[Seen]:
    """Open a file; whatever it asks of a network or says on the console is kept."""
    context = browser.new_context(**({"viewport": {"width": 1200, "height": 900}} | options))
    seen = Seen(context.new_page())
    seen.page.on("request", lambda one: None if one.url == path.as_uri() else seen.asked.append(one.url))
    seen.page.on("console", lambda one: seen.said.append(one.text))
    seen.page.on("pageerror", lambda one: seen.said.append(str(one)))
    seen.page.goto(path.as_uri())
    try:
        yield seen
    finally:
        context.close()


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser; the test is skipped with the reason where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not Path(CHROMIUM).exists():
        pytest.skip("Chromium is not installed (Debian: apt-get install chromium)")
    with sync_api.sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        try:
            yield made
        finally:
            made.close()


def axe_source() -> str:
    """The accessibility checker; the test is skipped where it is not installed."""
    if not AXE.exists():
        pytest.skip("axe-core is not installed (npm install --prefix .ci)")
    return AXE.read_text(encoding="utf-8")


def pictures_folder() -> Path | None:
    """Where pictures are kept to be looked at; None where no folder is named."""
    named = os.environ.get("BENCHPIPE_PICTURES")
    return Path(named) if named else None
