"""From unknown logs to a right first verdict: what `init` prints, run unchanged, with one round of edits at most."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import numpy as np
import pytest

from benchpipe.blocks.cyclic.plan import CyclicBlock
from benchpipe.cli.main import call
from benchpipe.errors import ExitCode
from benchpipe.run import load_run
from benchpipe.store.run_store import RunStore
from tests.survey.written import LOGS, Told


def answer(rig: Path, told: Told) -> None:
    """Write the answers: the questions stand in the file in the order in which they are given."""
    text = rig.read_text(encoding="utf-8")
    for value in told.asked.values():
        text = text.replace('= "?"', f'= "{value}"', 1)
    rig.write_text(text, encoding="utf-8")


@pytest.mark.parametrize("name", LOGS)
def test_the_printed_commands_lead_to_a_right_verdict(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    told = LOGS[name](tmp_path / "rig logs")
    codes = [call(["init", "lab", "rig logs"])]
    shown = capsys.readouterr().out
    asked = re.findall(r"(?m)^\? rig\.toml: ([a-z_0-9.]+):", shown)
    assert set(asked) == set(told.asked)
    assert all(f"! {stranger} is left out" in shown for stranger in told.left_out)
    answer(Path("lab/rig.toml"), told)
    for command in re.findall(r"(?m)^ +(benchpipe .+)$", shown):
        codes.append(call(shlex.split(command)[1:]))
    assert len(codes) <= 4  # and show
    assert codes[0] == (ExitCode.INCONCLUSIVE if told.asked else ExitCode.OK)
    assert set(codes[1:-1]) == {ExitCode.OK}
    assert codes[-1] == ExitCode.INCONCLUSIVE  # not evaluated: no uncertainty is stated
    _figures(told)


def _figures(told: Told) -> None:
    run = load_run(Path("lab/plan.toml"))
    store = RunStore(Path("lab/store").absolute(), run.name)
    manifest = store.manifest()
    assert sum(source.samples for source in manifest.sources) == told.rows
    assert {block.kind for block in run.plan.block} == told.kinds
    (cyclic,) = (block for block in run.plan.block if isinstance(block, CyclicBlock))
    assert cyclic.targets is not None
    assert [target.value for target in cyclic.targets] == pytest.approx(told.targets, rel=0.01)
    cycles = [row for row in store.read(manifest, "cycles").to_pylist() if row["complete"]]
    assert told.cycles - 6 <= len(cycles) <= told.cycles
    rows = {row["limit"]: row for row in store.read(manifest, "verdicts").to_pylist()}
    lost = rows["stiffness lost"]
    assert lost["verdict"] == "not evaluated"
    assert re.search(r"uncertainty of '\w+' and '\w+' not stated", lost["remark"])
    assert lost["measured"] == pytest.approx(-told.lost, abs=0.01)
    assert lost["margin"] == pytest.approx(lost["measured"] + 0.15)
    if told.sweeps:
        sweeps = store.read(manifest, "sweeps").to_pylist()
        assert len(sweeps) == told.sweeps
        drafted = re.search(r"(?m)^# planned_sweeps = (\d+) ", run.plan_path.read_text(encoding="utf-8"))
        assert drafted is not None
        assert int(drafted[1]) == told.sweeps
        assert np.isfinite([row["range_of_motion"] for row in sweeps]).all()
