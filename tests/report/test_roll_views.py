"""Sample rolls as they are shown: summary, page and JSON tell the free rocker from the locked one."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.cli.commands import called as run_command

SAMPLES = Path(__file__).parents[2] / "sample_runs" / "rocker"
RATIO = {
    "flat-when-locked": "flatter than rolled-free: 0.0783",
    "curved-when-locked": "flatter than rolled-free: 0.513",
}
SHAPE = {"flat-when-locked": "flat enough to stand on", "curved-when-locked": "too curved to stand on"}


@pytest.fixture(scope="module")
def rolled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shown") / "rocker"
    shutil.copytree(SAMPLES, folder, ignore=shutil.ignore_patterns("store", "pages"))
    code, _, _ = run_command(["nightly", "lab.toml"], folder)
    assert code == 10  # one of the two fails its limits
    return folder


def shown(folder: Path, *words: str) -> str:
    code, out, err = run_command(list(words), folder)
    assert code in (0, 10), err
    return out


@pytest.mark.parametrize("run", sorted(RATIO))
def test_summary_page_and_json_give_the_ratio_with_its_interval(rolled: Path, run: str) -> None:
    plan = str(rolled / run / "plan.toml")
    lines = shown(rolled, "show", plan).splitlines()
    assert all(len(line) <= 80 for line in lines if "benchpipe " not in line)  # a command is one line, to paste
    screen = " ".join(" ".join(lines).split())
    for words in (
        RATIO[run], f"shape: {SHAPE[run]}", "ankle-foot axes, tilt", "published radius of adults: about 0.33 m",
        "from memory, not checked", "under 785 N", "No one stands on a specimen because a program said pass",
    ):  # fmt: skip
        assert words in screen
    document = json.loads(shown(rolled, "show", plan, "--json"))
    free, locked = document["runs"][0]["blocks"]
    assert (free["kind"], free["done"], free["planned"], free["things"]) == ("roll", 5, 5, "passes")
    ratio = next(f for f in locked["figures"] if f["name"] == "curvature over rolled-free")
    assert 0 < ratio["expanded_u"] < 0.2 * ratio["value"]
    names = [f["name"] for f in free["figures"] if not f["group"]]
    assert names[:3] == ["AF curvature", "AF rolling slope", "AF arc length"]
    page = rolled / f"{run}.html"
    shown(rolled, "page", plan, "--out", str(page))
    text = page.read_text(encoding="utf-8")
    assert RATIO[run] in text
    assert "rocker in ankle-foot axes" in text
    assert "published, adults" in text
    assert "from memory, not checked" in text


def test_raw_rows_of_a_pass_are_found(rolled: Path) -> None:
    plan = str(rolled / "curved-when-locked" / "plan.toml")
    assert "--roll 9" in shown(rolled, "show", plan)
    assert "curved-when-locked_0001.csv.gz" in shown(rolled, "trace", plan, "rolled-locked", "--roll", "9")
    assert "calibration of 'tilt'" in shown(rolled, "explain", plan, "rolled-locked", "flat enough to stand on")


def test_a_limit_on_a_channel_without_an_uncertainty_is_not_evaluated(rolled: Path, tmp_path: Path) -> None:
    folder = tmp_path / "rocker"
    shutil.copytree(rolled, folder, ignore=shutil.ignore_patterns("store"))
    rig = folder / "rig-four.toml"
    rig.write_text(
        rig.read_text().replace('uncertainty = "0.3 %"\n', "").replace('uncertainty_floor = "0.02 deg"\n', "")
    )
    run_command(["nightly", "lab.toml"], folder)
    code, out, _ = run_command(["show", "flat-when-locked/plan.toml"], folder)
    assert code == 11
    assert "uncertainty of 'tilt' not stated" in " ".join(out.split())


def test_stance_windows_of_the_run_are_named_beside() -> None:
    import pyarrow as pa

    from benchpipe.blocks.roll.view import _stances

    class Store:
        tables = ("rolls", "stances")

        def read(self, *_: object) -> pa.Table:
            return pa.table(
                {
                    "block": ["stood", "stood", "swayed"],
                    "duration_s": [8.0, 8.0, 30.0],
                    "motion_range": [0.2, 0.3, None],
                }
            )

    assert _stances({"motion": "deg"}, None, Store()) == ["stood, 8 s of standing: range 0.3 deg"]  # type: ignore[arg-type]
    Store.tables = ("rolls",)  # type: ignore[assignment]
    assert _stances({"motion": "deg"}, None, Store()) == []  # type: ignore[arg-type]
