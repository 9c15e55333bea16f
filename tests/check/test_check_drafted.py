"""No limit is judged on a value that only a log gave, neither pass nor fail, and its figure is shown all the same."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from benchpipe.check.drafted import drafted_keys
from benchpipe.check.measures import our_measures
from benchpipe.cli.main import call
from benchpipe.errors import ConfigError
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.check.test_check_case import one
from tests.cli.commands import playground
from tests.conftest import copy_samples


def verdicts(lab: Path) -> dict[str, dict[str, Any]]:
    store = RunStore(lab.parent / "store", "healthy")
    rows: list[dict[str, Any]] = store.read(store.manifest(), "verdicts").to_pylist()
    return {row["limit"]: row for row in rows}


def drafted(lab: Path, block: str, keys: str) -> None:
    plan = lab.parent / "healthy" / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    kind = f'kind = "{block}"\n'
    assert kind in text
    plan.write_text(text.replace(kind, f"{kind}drafted = {keys}\n", 1), encoding="utf-8")


def test_what_hangs_on_a_drafted_key_waits_and_the_rest_is_judged(sample_lab: Path, tmp_path: Path) -> None:
    lab = playground(sample_lab, tmp_path) / "sample_runs" / "lab.toml"
    before = verdicts(lab)
    process = RunStore(lab.parent / "store", "healthy").manifest().steps["process"]
    drafted(lab, "cyclic", '["load_min", "load_max", "baseline"]')
    drafted(lab, "hold", '["load"]')
    assert call(["check", "healthy", "--lab", str(lab)]) == 11
    after = verdicts(lab)
    changed = {name for name in after if after[name]["verdict"] != before[name]["verdict"]}
    assert changed >= {"cycles off target", "stiffness lost", "creep in 10 min, locked"}
    for name in changed:
        row = after[name]
        assert row["verdict"] == "not evaluated"
        assert "drafted from the log" in row["remark"]
        assert (row["measured"], row["margin"]) == (before[name]["measured"], before[name]["margin"])
    assert after["range of motion, free"]["verdict"] == before["range of motion, free"]["verdict"] == "pass"
    # a key of the verdict alone: nothing is measured again
    assert RunStore(lab.parent / "store", "healthy").manifest().steps["process"] == process


def test_a_drafted_key_must_be_stated(tmp_path: Path) -> None:
    lab = copy_samples(tmp_path)
    drafted(lab, "cyclic", '["motion_min"]')
    with pytest.raises(ConfigError, match="drafted names 'motion_min', which the block does not state"):
        load_run(lab.parent / "healthy" / "plan.toml")


HOLD = SimpleNamespace(drafted=("load", "mode", "files", "report_at"))
CYCLIC = SimpleNamespace(drafted=("tolerance", "baseline", "load_max"))
SWEEP = SimpleNamespace(drafted=("stops_beyond", "usable_load", "resistance_between"))


@pytest.mark.parametrize(
    ("measure", "statistic", "block", "keys"),
    [
        ("creep_end", "median", HOLD, ("load", "report_at")),  # which rows are of it, mode and files say: no target
        ("peak_load", "max", CYCLIC, ()),  # a peak is what it is, whatever the plan asks for
        ("peak_load", "change", CYCLIC, ("baseline",)),
        ("off_target", "share", CYCLIC, ("tolerance", "load_max")),
        ("cycles_done", "count", CYCLIC, ()),
        ("range_of_motion", "median", SWEEP, ("stops_beyond",)),
        ("usable_range", "median", SWEEP, ("usable_load",)),
        ("coulomb", "max", SWEEP, ("stops_beyond", "resistance_between")),
        ("travel", "median", SWEEP, ()),
    ],
)
def test_a_limit_hangs_on_the_keys_that_decide_its_figure(
    measure: str, statistic: str, block: Any, keys: tuple[str, ...]
) -> None:
    assert drafted_keys(one(measure=measure, statistic=statistic), our_measures()[measure], block) == keys
