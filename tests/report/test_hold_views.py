"""How holds are told in words (invented figures)."""

from __future__ import annotations

from io import StringIO
from typing import Any

import pyarrow as pa
import pytest
from rich.console import Console

from benchpipe.blocks.figures import Figure, duration
from benchpipe.blocks.hold.view import _over_life, _words
from benchpipe.report.signs import ASCII
from benchpipe.report.terminal import _grouped
from benchpipe.store.manifest import Manifest


class Cycles:
    """A store that holds four cycles, the last of them open."""

    def read(self, *_: Any) -> pa.Table:
        return pa.table({"cycle": pa.array([1, 2, 3, None], pa.int64()), "start_us": [0, 10, 20, 30]})


def test_creep_of_repeated_holds_is_told_against_the_cycles_done() -> None:
    holds = [
        {"creep_end": 0.01, "creep_end_u": 0.001, "start_us": 5},
        {"creep_end": None, "creep_end_u": None, "start_us": 15},
        {"creep_end": 0.02, "creep_end_u": 0.002, "start_us": 40},
    ]
    told = _over_life(holds, "deg", Manifest(run="r"), Cycles())  # type: ignore[arg-type]
    assert [(f.name, f.after, f.value, f.u, f.unit) for f in told] == [
        ("1 cycles", 1, 0.01, 0.001, "deg"), ("3 cycles", 3, 0.02, 0.002, "deg"),
    ]  # fmt: skip
    assert {f.group for f in told} == {"creep at the end of a hold after"}
    assert _over_life(holds[:1], "deg", Manifest(run="r"), Cycles()) == []  # type: ignore[arg-type]


def test_of_many_holds_some_are_shown_from_the_first_to_the_last() -> None:
    figures = [Figure(f"{n} cycles", 0.01 * n, "deg", group="creep after", after=n) for n in range(20)]
    screen = Console(width=200, file=StringIO())
    screen.print(_grouped("creep after", figures, ASCII))
    assert screen.file.getvalue().strip() == (  # type: ignore[attr-defined]
        "creep after: 0 cycles 0, 5 cycles 0.0500, 10 cycles 0.100, 14 cycles 0.140, 19 cycles 0.190 deg"
    )


def test_where_nothing_moves_the_bound_is_told() -> None:
    hold = {"kind": "not measurable", "creep_bound": 0.03, "duration_s": 1800.0, "remark": None}
    hold |= dict.fromkeys(("load_taken_off", "temperature_taken_off"))
    assert _words(hold, "deg") == "moves less than 0.03 deg in 30 min, 95 %"
    since = hold | {"kind": "settling", "creep_from_s": 10.42, "remark": "slow noise"}
    assert _words(since, "deg") == "decaying creep (creep counts from 10.4 s after full load; slow noise)"


@pytest.mark.parametrize(
    ("seconds", "text"), [(60.0, "1 min"), (5400.0, "90 min"), (7200.0, "2 h"), (86400.0, "1 d"), (90.5, "90.5 s")]
)
def test_a_time_is_told_in_whole_units(seconds: float, text: str) -> None:
    assert duration(seconds) == text
