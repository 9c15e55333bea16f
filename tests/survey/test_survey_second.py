"""Two loggers in a survey and in an inspection: joined by time, and refused or asked where no log can say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchpipe.cli.main import call
from benchpipe.config.log import SecondConfig, TimeConfig
from benchpipe.config.rig import AxisConfig, ChannelConfig, RigConfig
from benchpipe.errors import InputError
from benchpipe.inspect.run import inspect_logs
from benchpipe.survey.second import SecondRows, join_second
from tests.survey.benches import Bench, dates, fixed, lines_of, save
from tests.survey.written import LOGS

DATED = TimeConfig(kind="datetime", column="t", format="%Y-%m-%d %H:%M:%S.%f", sample_rate="50 Hz")
ELAPSED = TimeConfig(column="t", sample_rate="50 Hz")


def rig_of(time: TimeConfig, **more: object) -> RigConfig:
    second = SecondConfig(
        files=("load*",), time=time.model_copy(update={"sample_rate": 200.0}), offset_uncertainty="5 ms", **more
    )
    return RigConfig(
        name="r", time=time, second=second, load=AxisConfig(channel="load"), motion=AxisConfig(channel="motion"),
        channel=(
            ChannelConfig(name="motion", column="x", unit="mm"), ChannelConfig(name="wave", column="w", unit="V"),
            ChannelConfig(name="load", column="F", unit="N", logger="second"),
            ChannelConfig(name="wave_2", column="w", unit="V", logger="second"),
        ),
    )  # fmt: skip


def wave(t: np.ndarray) -> np.ndarray:  # type: ignore[type-arg]
    return np.asarray(np.sin(0.9 * t) + np.sin(1.57 * t + 1.0) + np.sin(0.313 * t + 2.0))


def logs(shift: float, *, begun: float = 0.0, name: str = "") -> list[SecondRows]:
    slow, fast = begun + np.arange(4000) / 50.0, begun + np.arange(16_000) / 200.0
    return [
        SecondRows(f"motion{name}", np.rint(1e6 * slow).astype(np.int64), {"motion": slow, "wave": wave(slow)}),
        SecondRows(f"load{name}", np.rint(1e6 * (fast + shift)).astype(np.int64), {"load": fast, "wave_2": wave(fast)}),
    ]


@pytest.mark.parametrize(
    ("more", "shift"),
    [
        ({"offset": "350 ms"}, 0.35), ({"offset": "0.3 s", "same": ("wave", "wave_2"), "search": "0.5 s"}, 0.35),
        ({}, 0.0),
    ],
)  # fmt: skip
def test_the_second_loggers_channels_are_those_of_the_same_moment(more: dict[str, object], shift: float) -> None:
    rig = rig_of(DATED, **more)
    assert rig.second is not None
    (joined,) = join_second(rig, rig.second, logs(shift))
    inside = np.isfinite(joined.columns["load"])
    assert inside.sum() > 3900
    assert joined.columns["load"][inside] == pytest.approx(joined.columns["motion"][inside], abs=0.003)


def test_no_value_is_made_up_in_a_gap_or_where_the_offset_is_not_found() -> None:
    rig = rig_of(DATED)
    assert rig.second is not None
    first, other = logs(0.0)
    kept = (other.time_us < 20_000_000) | (other.time_us > 40_000_000)
    gapped = SecondRows("load", other.time_us[kept], {name: values[kept] for name, values in other.columns.items()})
    (joined,) = join_second(rig, rig.second, [first, gapped])
    missing = ~np.isfinite(joined.columns["load"])
    assert missing.sum() == pytest.approx(1000, abs=5)
    lost = rig_of(DATED, same=("wave", "wave_2"), search="100 ms")
    assert lost.second is not None
    (nothing,) = join_second(lost, lost.second, logs(0.35))
    assert not np.isfinite(nothing.columns["load"]).any()
    assert join_second(rig, rig.second, [first]) == []


def test_elapsed_clocks_go_together_log_by_log() -> None:
    rig = rig_of(ELAPSED)
    assert rig.second is not None
    pair, again = logs(0.0, name="_1"), logs(0.0, name="_2")
    twice = [SecondRows(log.name, log.time_us, {k: v + 500.0 for k, v in log.columns.items()}) for log in again]
    for log in join_second(rig, rig.second, [*pair, *twice]):
        inside = np.isfinite(log.columns["load"])
        assert log.columns["load"][inside] == pytest.approx(log.columns["motion"][inside], abs=0.003)


def test_dates_and_elapsed_times_cannot_be_joined(tmp_path: Path) -> None:
    t, load, motion, _, _ = Bench(draw=3).cycle(20, 5.0, 80.0, 1.0).take()
    save(tmp_path / "load.csv", ["time [s];M [Nm]", *lines_of([(t, fixed(2)), (load, fixed(2))], ";")])
    stamped = lines_of([(t, dates("%Y-%m-%d %H:%M:%S.%f")), (motion, fixed(4))], ";")
    save(tmp_path / "motion.csv", ["stamp;phi [deg]", *stamped])
    with pytest.raises(InputError, match="cannot be joined by their times"):
        inspect_logs([tmp_path / "load.csv", tmp_path / "motion.csv"])


def test_doctor_compares_the_plan_with_both_logs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    LOGS["two_loggers"](tmp_path / "rig")
    call(["init", "lab", "rig"])
    rig = Path("lab/rig.toml")
    rig.write_text(rig.read_text("utf-8").replace('"?"', '"5 ms"'), "utf-8")
    call(["inspect", "lab/logs", "--rig", "lab/rig.toml", "--write-plan", "lab/plan.toml"])
    plan = Path("lab/plan.toml")
    plan.write_text(plan.read_text("utf-8").replace('load_max = "80 N*m"', 'load_max = "120 N*m"'), "utf-8")
    capsys.readouterr()
    assert call(["doctor", "lab"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "asks for 5 to 120 N*m, the logs show cycles from 5.0" in shown
    assert "taken by no block" not in shown
