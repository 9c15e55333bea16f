"""Each rule fires where it must, and at its threshold, and keeps still where all is well. All figures invented."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest

from benchpipe.config.watching import HEALTH_CODES, HealthConfig
from benchpipe.health.facts import ChannelTail, StoreFacts
from benchpipe.health.look import NOT_LOOKED_AT
from benchpipe.health.rules import RUN_RULES, STORE_RULES, findings, size, span
from tests.health.invented import CONFIG, HOUR_US, NOW_US, cycles, facts

SHARE = np.arange(2000) >= 1900  # the last hundred of two thousand


def found(config: HealthConfig = CONFIG, **changes: Any) -> list[tuple[str, str]]:
    """Code and place of what is found."""
    return [(f.code, f.where.partition(" since ")[0]) for f in findings(RUN_RULES, facts(**changes), config)]


def text(**changes: Any) -> str:
    (one,) = findings(RUN_RULES, facts(**changes), CONFIG)
    assert one.do_next
    return one.text


def test_the_codes_are_those_of_the_lab_file_and_every_key_is_used() -> None:
    rules = (*RUN_RULES, *STORE_RULES)
    assert [*(rule.code for rule in rules), NOT_LOOKED_AT] == list(HEALTH_CODES)
    assert {key for rule in rules for key in rule.keys} == set(HealthConfig.model_fields) - {"watch"}
    assert all(rule.looks_at and rule.do_next for rule in rules)


def test_nothing_is_found_of_a_rig_that_is_well_or_of_which_nothing_is_known() -> None:
    assert found() == []
    assert found(seen_us=None, cycles=None, standing_s=float("nan"), due=()) == []


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        ({"seen_us": NOW_US - HOUR_US}, []),
        ({"seen_us": NOW_US - HOUR_US - 1}, [("rig-stopped", "durability")]),
        ({"seen_us": NOW_US - 90 * HOUR_US, "over": True}, []),
        ({"standing_s": 3601.0}, [("rig-stopped", "durability")]),
        ({"standing_s": 3599.0}, []),
        ({"seen_us": NOW_US + 600_000_000}, []),
        ({"seen_us": NOW_US + 600_000_001}, [("clock", "")]),
        ({"cycles": cycles(flags=np.where(SHARE, 16, 0))}, []),  # a tenth of the last thousand: not more
        ({"cycles": cycles(flags=np.where(np.arange(2000) >= 1899, 16, 0))}, [("load-not-reached", "durability")]),
        ({"cycles": cycles(flags=np.where(np.arange(2000) < 1000, 16, 0))}, []),  # long ago
        ({"cycles": cycles(flags=np.full(2000, 8))}, []),  # another flag
        ({"cycles": cycles(samples=np.where(np.arange(2000) % 10, 99, 100))}, []),
        ({"cycles": cycles(samples=98)}, [("dropped-samples", "durability")]),
        ({"cycles": cycles(samples=101)}, []),
        ({"cycles": cycles(period_s=1.1, samples=110)}, []),
        ({"cycles": cycles(period_s=1.12, samples=112)}, [("rig-slow", "durability")]),
        ({"cycles": cycles(period_s=0.5, samples=50)}, []),
        ({"cycles": cycles(differ=10.0)}, []),
        ({"cycles": cycles(differ=10.1)}, [("counter-apart", "durability")]),
        ({"cycles": cycles(differ=-10.1)}, [("counter-apart", "durability")]),
        ({"cycles": cycles(differ=float("nan"))}, []),
        ({"cycles": cycles(0)}, []),
        ({"channels": (ChannelTail("angle", 61.0, False, False),)}, [("sensor-stuck", "angle")]),
        ({"channels": (ChannelTail("angle", 59.0, True, False),)}, []),
        ({"due": (("torque", date(2031, 7, 1)),)}, [("calibration-due", "torque")]),
        ({"due": (("torque", date(2031, 7, 2)),)}, []),
        ({"due": (("b", date(2031, 6, 2)), ("a", date(2031, 5, 2)))}, [("calibration-due", x) for x in "ab"]),
    ],
)  # fmt: skip
def test_a_rule_fires_beyond_its_threshold(changes: dict[str, Any], wanted: list[tuple[str, str]]) -> None:
    assert found(**changes) == wanted


def test_a_threshold_is_what_the_lab_file_says() -> None:
    late = {"seen_us": NOW_US - 5 * HOUR_US}
    assert found(**late) == [("rig-stopped", "durability")]
    assert found(HealthConfig(stopped_after=6 * 3600.0), **late) == []


def test_a_slow_block_is_not_stopped_before_its_cycle_could_have_ended() -> None:
    slow = cycles()
    slow = type(slow)(slow.block.model_copy(update={"frequency": 1 / 7200}), 100.0, slow.columns)
    assert found(cycles=slow, seen_us=NOW_US - 5 * HOUR_US) == []
    assert found(cycles=slow, seen_us=NOW_US - 7 * HOUR_US) == [("rig-stopped", "durability")]


def test_the_texts_say_since_when_how_much_and_against_what() -> None:
    assert text(seen_us=NOW_US - 5 * HOUR_US) == "stopped since 2031-06-01 01:00 (5 h): no row came after that"
    assert text(standing_s=7200.0) == "stopped since 2031-06-01 03:59 (2 h): rows come, and no cycle in them"
    low = cycles(flags=16, peak_load=71.0, valley_load=5.2)
    assert text(cycles=low) == (
        "100% of the last 1,000 cycles were off target: they went from 5.2 to 71 N*m (medians), "
        "asked for are 5 to 80"
    )
    assert "98,000 of 100,000 at 100 Hz" in text(cycles=cycles(samples=98))
    assert "2,000 cycles were found, and the rig's counter counted 2,012" in text(cycles=cycles(differ=12.0))
    assert text(due=(("torque", date(2031, 5, 30)),)) == (
        "the calibration of 'torque' was due on 2031-05-30, 2 day(s) ago"
    )
    assert "2 d after this computer's time" in text(seen_us=NOW_US + 48 * HOUR_US)
    assert text(channels=(ChannelTail("load", 600.0, True, True),)) == (
        "'load' has had no value for at least the last 10 min of the log"
    )


def test_the_disk_must_last_for_the_coming_week() -> None:
    def space(free: float, a_day: float) -> list[str]:
        return [f.text for f in findings(STORE_RULES, StoreFacts(int(free), a_day, ("a", "b")), CONFIG)]

    assert space(7e9, 1e9) == []
    assert space(1e3, 0.0) == []
    assert space(6.9e9, 1e9) == [
        "the store's disk has 6.9 GB free, and 2 run(s) fill 1 GB a day: it is full in 6.9 d"
    ]


def test_lengths_and_sizes_are_told_in_the_unit_that_fits() -> None:
    assert [span(s) for s in (30, 150, 7201, 1e6, 1e8)] == ["30 s", "2.5 min", "2 h", "11.6 d", "1,157 d"]
    assert [size(b) for b in (12, 3.2e9)] == ["12 B", "3.2 GB"]
