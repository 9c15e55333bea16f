"""The JSON document: strict, in ASCII, versioned, every field listed."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchpipe import __version__
from benchpipe.blocks.figures import Figure
from benchpipe.check.specimens import lab_test_result
from benchpipe.cli.runs import work_night
from benchpipe.config.lab_tests import LabTestConfig
from benchpipe.errors import ExitCode
from benchpipe.health.finding import Finding
from benchpipe.report.document import FIELDS, VERSION, document, to_json
from benchpipe.tables import TABLES, columns
from benchpipe.views.lab_view import Besides
from benchpipe.views.model import Alarm, RunView, StepUse
from benchpipe.views.run_view import failed_view


def strict(text: str) -> Any:
    """Parse JSON, and refuse what only Python takes."""

    def refuse(word: str) -> Any:
        raise ValueError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


def paths(value: Any, above: str = "") -> Iterator[str]:
    """Paths of all fields."""
    if isinstance(value, dict):
        for key, inner in value.items():
            here = f"{above}.{key}" if above else key
            yield here
            yield from paths(inner, here)
    elif isinstance(value, list):
        for inner in value:
            yield from paths(inner, f"{above}[]")


@pytest.fixture(scope="module")
def views(sample_lab: Path) -> list[RunView]:
    """The sample runs."""
    return list(work_night(sample_lab, new_store=True).views)


def test_every_field_is_listed_and_every_listed_field_is_there(views: list[RunView]) -> None:
    alarm = Alarm("x", "gap", "b", "a gap", datetime(2026, 11, 25, tzinfo=UTC))
    unwell = (Finding("rig-stopped", "b", "stopped", "look"),)
    odd = replace(views[0], reasons=(("no number", 3),), alarms=(alarm,), steps=(StepUse("check", 0.1, 90.0),))
    drift = {name: ({c.name: None for c in TABLES[name]},) for name in ("events", "phases", "forecasts")}
    odd = replace(odd, health=unwell, **drift)
    test = LabTestConfig.model_validate(
        {"name": "t", "required": 1, "specimen": [{"name": "A", "stage": [{"run": "wearing"}]}]}, context="file"
    )
    runs = [*views, odd, failed_view(Path("x/plan.toml"), "why")]
    besides = Besides(unwell, ("nobody",), (lab_test_result(test, {}),))
    found = set(paths(strict(to_json(runs, ExitCode.OK, besides))))
    assert found == set(FIELDS)
    assert all(FIELDS.values())


def test_limits_and_remarks_are_the_columns_of_their_tables(views: list[RunView]) -> None:
    for run in strict(to_json(views, ExitCode.OK))["runs"]:
        assert all(set(row) == set(columns("verdicts")) for row in run["limits"])
        assert all(set(row) == set(columns("remarks")) for row in run["remarks"])


def test_the_head_says_what_it_is() -> None:
    made = document([], ExitCode.LIMIT_FAILED)
    assert (made["document"], made["version"], made["code"]) == ("benchpipe runs", VERSION, __version__)
    assert (made["exit_code"], made["runs"]) == (10, [])
    assert VERSION == 2  # raise it when a field changes its meaning or goes, and say so in FIELDS


def test_what_is_not_a_number_is_null(views: list[RunView]) -> None:
    block = replace(views[0].blocks[0], figures=(Figure("x", math.nan, "N", math.inf, (1.0, math.nan)),))
    figure = strict(to_json([replace(views[0], blocks=(block,))], ExitCode.OK))["runs"][0]["blocks"][0]["figures"][0]
    assert figure == {
        "name": "x", "value": None, "unit": "N", "change": None, "trend": [1.0, None], "u": None, "group": "",
        "after": None, "expanded_u": None,
    }  # fmt: skip


@given(st.text(max_size=40))
def test_any_name_survives_in_ascii(name: str) -> None:
    text = to_json([replace(failed_view(Path("x/plan.toml"), name), specimen=name)], ExitCode.OK)
    assert text.isascii()
    run = strict(text)["runs"][0]
    assert (run["specimen"], run["failed"]) == (name, name)


def test_verdicts_are_words(views: list[RunView]) -> None:
    runs = {run["run"]: run for run in strict(to_json(views, ExitCode.OK))["runs"]}
    assert runs["wearing"]["verdict"] == "fail"
    assert {row["verdict"] for run in runs.values() for row in run["limits"]} <= {
        "pass", "fail", "inconclusive", "not evaluated"
    }  # fmt: skip


def test_passes_together_are_of_the_view(views: list[RunView]) -> None:
    view = next(view for view in views if view.run == "healthy")
    assert view.together is not None
    guarded = [r for r in view.limits if r["due"] and r["expanded_u"] and r["verdict"] == "pass"]
    assert view.together.passes == len(guarded) > 1
    assert view.together.expected == pytest.approx(sum(r["risk"] for r in guarded))
