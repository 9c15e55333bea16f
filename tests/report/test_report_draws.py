"""report draws views and computes nothing: no arithmetic is imported, and no statistic is taken in it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchpipe.blocks.figures import Figure
from benchpipe.report.values import figure_text

REPORT = Path(__file__).parents[2] / "benchpipe" / "report"
# Results, words and notation. Of check: what verdicts are called, and how a figure is rounded. Of the store: the hash
# that names a state, and the words for a file that cannot be written.
DRAWN_FROM = (
    "benchpipe", "benchpipe.views", "benchpipe.report", "benchpipe.blocks.charts", "benchpipe.blocks.figures",
    "benchpipe.check.decision", "benchpipe.check.rounding", "benchpipe.drift.words", "benchpipe.errors",
    "benchpipe.escapes", "benchpipe.health.finding", "benchpipe.inspect.findings", "benchpipe.inspect.heading",
    "benchpipe.survey.seen", "benchpipe.store.manifest",
    "benchpipe.store.refusals", "benchpipe.survey.stretches", "benchpipe.tables",
)  # fmt: skip
STATISTICS = {
    "average", "corrcoef", "cov", "mean", "median", "nanmean", "nanmedian", "nanstd", "percentile", "polyfit",
    "quantile", "std", "var", "lstsq", "false_passes_together",
}  # fmt: skip
RANGE_OF_AN_AXIS = {("page/trend.py", "least_range"), ("trend_text.py", "trend_lines")}  # no figure: it is not shown


def computing(name: str, tree: ast.Module) -> Iterator[str]:
    """What of a module is no drawing."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("benchpipe"):
            module = node.module or ""
            if not any(module == one or (module.startswith(f"{one}.") and one != "benchpipe") for one in DRAWN_FROM):
                yield f"{name}: imports {module}"
        if isinstance(node, ast.FunctionDef) and (name, node.name) not in RANGE_OF_AN_AXIS:
            for call in (one for one in ast.walk(node) if isinstance(one, ast.Call)):
                called = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
                if called in STATISTICS:
                    yield f"{name}: {node.name} calls {called}"


def test_report_computes_nothing() -> None:
    found = [
        fault
        for path in sorted(REPORT.rglob("*.py"))
        for fault in computing(path.relative_to(REPORT).as_posix(), ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert found == []


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("from benchpipe.check.rules import false_passes_together", "x.py: imports benchpipe.check.rules"),
        ("from benchpipe.kernels.robust import scale", "x.py: imports benchpipe.kernels.robust"),
        ("def f(x):\n    return np.median(x)", "x.py: f calls median"),
    ],
)
def test_what_computes_is_found(text: str, fault: str) -> None:
    assert list(computing("x.py", ast.parse(text))) == [fault]


@pytest.mark.parametrize(
    ("u", "expanded_u", "shown"),
    [(None, None, "1.234 mm"), (0.01, None, "1.234 ± 0.020 mm"), (0.01, 0.05, "1.234 ± 0.050 mm")],
)
def test_a_figure_has_the_width_of_its_judgement_or_twice_u(
    u: float | None, expanded_u: float | None, shown: str
) -> None:
    assert figure_text(Figure("x", 1.234, "mm", u=u, expanded_u=expanded_u)) == shown
