"""The file of judged figures, byte by byte: a record is verified against it."""

from __future__ import annotations

from math import inf, nan

import pytest

from benchpipe.check.figures_file import figures_file

EXPECTED = """\
{
 "budgets": [
  {
   "note": "",
   "part": "scatter",
   "standard_u": 0.25
  }
 ],
 "run": "one",
 "state": 7,
 "verdicts": [
  {
   "due": false,
   "limit": "peak",
   "of": 0
  },
  {
   "limit": "energy",
   "measured": 1.5
  }
 ],
 "version": 1
}"""


def test_rows_keep_their_order_and_what_is_not_known_has_no_key() -> None:
    verdicts = [
        {"of": 0, "limit": "peak", "due": False, "measured": None, "dof": inf, "guard": -inf, "margin": nan},
        {"measured": 1.5, "limit": "energy"},
    ]
    budgets = [{"part": "scatter", "standard_u": 0.25, "note": "", "share": nan}]
    assert figures_file("one", 7, verdicts, budgets) == EXPECTED.encode()


def test_a_column_that_is_not_known_changes_nothing() -> None:
    rows = [{"limit": "peak"}]
    assert figures_file("one", 7, [{"limit": "peak", "new": None}], rows) == figures_file("one", 7, rows, rows)


def test_what_is_no_number_is_never_written_as_if_it_were_json() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        figures_file("one", 7, [{"limit": "peak", "several": [nan]}], [])
