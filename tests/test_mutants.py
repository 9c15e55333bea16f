"""The verdict of ``make mutants``: a new survivor fails it, a known one does not, and what is known is still there."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from tests.mutants import __main__ as mutants

LISTED = tomllib.loads(mutants.KNOWN.read_text("utf-8"))
MODULE = "benchpipe/check/rules.py"
DIFF = "--- a\n+++ a\n@@ -1,3 +1,3 @@\n def f(a):\n-    return a <  1\n+    return a <= 1\n"
REASON = {"module": MODULE, "before": "return a < 1", "after": "return a <= 1", "reason": "a is never 1"}


def ends_with(monkeypatch: pytest.MonkeyPatch, killed: int, known: list[dict[str, str]], *asked: str) -> int:
    """Exit code where one mutant survived and ``killed`` did not."""
    found = [{"module": MODULE, "line": 7, "status": "killed", "diff": ""} for _ in range(killed)]
    alive = {"module": MODULE, "line": 7, "status": "survived", "diff": DIFF}
    monkeypatch.setattr(mutants, "run_part", lambda *given: [*found, alive])
    monkeypatch.setattr(mutants, "find_spec", lambda name: name)
    monkeypatch.setattr("tomllib.loads", lambda text: {"part": LISTED["part"], "known": known, "not_changed": []})
    monkeypatch.setattr("sys.argv", ["mutants", *asked])
    with pytest.raises(SystemExit) as ended:
        mutants.main()
    assert isinstance(ended.value.code, int), ended.value.code
    return ended.value.code


def test_a_new_survivor_fails_and_a_known_one_does_not(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ends_with(monkeypatch, 19, [], MODULE) == 1
    assert "95.0% killed, 1 survived, 1 of them new" in capsys.readouterr().out
    assert ends_with(monkeypatch, 19, [REASON], MODULE) == 0
    out = capsys.readouterr().out
    assert f"{MODULE}:7: a is never 1\n    - return a < 1\n    + return a <= 1\n" in out
    assert ends_with(monkeypatch, 19, [REASON | {"after": "return a > 1"}]) == 1
    assert ends_with(monkeypatch, 19, [REASON | {"module": "benchpipe/check/budget.py"}]) == 1


def test_fewer_than_nine_in_ten_of_all_killed_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    assert ends_with(monkeypatch, 9, [REASON]) == 0
    assert ends_with(monkeypatch, 8, [REASON]) == 1
    assert ends_with(monkeypatch, 8, [REASON], MODULE) == 0


def test_a_module_that_is_not_there_or_has_no_tests_is_named() -> None:
    with pytest.raises(SystemExit, match=r"no module benchpipe/none.py"):
        mutants.parts_of(["benchpipe/none.py"], LISTED["part"])
    with pytest.raises(SystemExit, match=r"known.toml says which tests benchpipe/units.py has"):
        mutants.parts_of(["benchpipe/units.py"], LISTED["part"])


def test_modules_that_only_compile_are_not_changed_and_are_there() -> None:
    left = LISTED["not_changed"]
    assert all((mutants.REPO / one).is_file() for one in left)
    changed = [one for modules, _ in mutants.parts_of([], LISTED["part"], left) for one in modules]
    assert not set(changed) & set(left)
    assert "benchpipe/kernels/lines.py" in changed


def test_without_the_tool_the_target_that_brings_it_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mutants, "find_spec", lambda name: None)
    monkeypatch.setattr("sys.argv", ["mutants", MODULE])
    with pytest.raises(SystemExit, match="run `make mutants`"):
        mutants.main()


def test_each_part_has_modules_and_tests_that_are_there() -> None:
    assert len(mutants.parts_of([], LISTED["part"])) == len(LISTED["part"])
    for part in LISTED["part"]:
        named = [one for one in part["tests"] if not one.startswith("-")]
        assert all((mutants.REPO / one.partition("::")[0]).exists() for one in named), named


@pytest.mark.parametrize("known", LISTED["known"], ids=lambda one: f"{one['module']}: {one['after'][:40]}")
def test_what_is_known_to_survive_is_still_in_the_code(known: dict[str, Any]) -> None:
    code = "".join((mutants.REPO / known["module"]).read_text("utf-8").split())
    assert "".join(known["before"].split()) in code
    assert known["reason"]
