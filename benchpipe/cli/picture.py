"""Draw README's pictures: ``python -m benchpipe.cli.picture SUMMARY.svg [FIGURE.svg]``.

The first is the terminal summary of a sample run, the second a figure of its page.
"""

from __future__ import annotations

import re
import sys
import tempfile
from io import StringIO
from pathlib import Path

from rich._export_format import CONSOLE_SVG_FORMAT
from rich.console import Console
from rich.terminal_theme import MONOKAI

from benchpipe.pipeline import work
from benchpipe.report.page.single import single_figure
from benchpipe.report.terminal import show
from benchpipe.run import load_run
from benchpipe.views.page.run_page import run_page
from benchpipe.views.run_view import run_view

BACKGROUND = '<rect width="100%" height="100%" rx="8" fill="#0c0c0c"/>'
SAMPLES = Path(__file__).parents[2] / "sample_runs"
# The library's drawing, without its window frame and without fonts from elsewhere.
_REMOTE = re.compile(r"@font-face \{\{.*?\}\}|<!--.*?-->", re.DOTALL)
FORMAT = _REMOTE.sub("", CONSOLE_SVG_FORMAT).replace("{chrome}", BACKGROUND)


def draw(run: str, samples: Path = SAMPLES) -> str:
    """SVG of a sample run's summary, computed in a temporary store."""
    with tempfile.TemporaryDirectory() as folder:
        config = load_run(samples / run / "plan.toml", Path(folder))
        outcome = work(config)
        view = run_view(config, outcome.manifest, config.open_store())
        console = Console(record=True, width=80, file=StringIO(), force_terminal=True, highlight=False)
        show(console, [view])
        return console.export_svg(title="", theme=MONOKAI, code_format=FORMAT, unique_id="benchpipe")


def draw_figure(run: str, figure: str, samples: Path = SAMPLES) -> str:
    """SVG of a figure of a sample run's page, computed in a temporary store."""
    with tempfile.TemporaryDirectory() as folder:
        config = load_run(samples / run / "plan.toml", Path(folder))
        manifest, store = work(config).manifest, config.open_store()
        page = run_page(config, manifest, store, run_view(config, manifest, store))
        return single_figure(page, figure)


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(draw("wearing"), encoding="utf-8")
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_text(draw_figure("wearing", "stiffness"), encoding="utf-8")
