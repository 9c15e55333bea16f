"""What to do next, where the plan does not fit the logs."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchpipe.cli.main import call
from tests.conftest import copy_samples


def test_loads_that_no_cycle_reaches_are_to_be_compared_with_a_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab = copy_samples(tmp_path)
    plan = lab.parent / "healthy" / "plan.toml"
    text = plan.read_text()
    low, high = (next(line for line in text.splitlines() if line.startswith(key)) for key in ("load_min", "load_max"))
    plan.write_text(text.replace(low, 'load_min = "500 N*m"').replace(high, 'load_max = "900 N*m"'))
    assert call(["nightly", str(lab)]) == 10  # for the sake of the others
    told = " ".join(capsys.readouterr().out.split())
    log = plan.parent / "logs" / "healthy_0002.csv.gz"
    assert "next: compare the loads of block 'durability' in the plan with a log: benchpipe inspect" in told
    assert str(log) in told.replace(" ", "")
