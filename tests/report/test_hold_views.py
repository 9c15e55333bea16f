"""How holds are told in words (invented figures)."""

from __future__ import annotations

from typing import Any

import pyarrow as pa
import pytest

from benchpipe.report.hold_views import _over_life, _time, _words
from benchpipe.store.manifest import Manifest


class Cycles:
    """A store that holds four cycles, the last of them open."""

    def read(self, *_: Any) -> pa.Table:
        return pa.table({"cycle": pa.array([1, 2, 3, None], pa.int64()), "start_us": [0, 10, 20, 30]})


def test_creep_of_repeated_holds_is_told_against_the_cycles_done() -> None:
    holds = [
        {"creep_end": 0.01, "start_us": 5},
        {"creep_end": None, "start_us": 15},
        {"creep_end": 0.02, "start_us": 40},
    ]
    told = _over_life(holds, "deg", Manifest(run="r"), Cycles())  # type: ignore[arg-type]
    assert told == ["creep at the end of 2 holds: 0.01 deg after 1 cycles, 0.02 deg after 3 cycles"]
    assert _over_life(holds[:1], "deg", Manifest(run="r"), Cycles()) == []  # type: ignore[arg-type]


def test_where_nothing_moves_the_bound_is_told() -> None:
    hold = {"kind": "not measurable", "creep_bound": 0.03, "duration_s": 1800.0, "remark": None}
    hold |= dict.fromkeys(("load_taken_off", "temperature_taken_off"))
    assert _words(hold, "deg") == "moves less than 0.03 deg in 30 min, 95 %"


@pytest.mark.parametrize(
    ("seconds", "text"), [(60.0, "1 min"), (5400.0, "90 min"), (7200.0, "2 h"), (86400.0, "1 d"), (90.5, "90.5 s")]
)
def test_a_time_is_told_in_whole_units(seconds: float, text: str) -> None:
    assert _time(seconds) == text
