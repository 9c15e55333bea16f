"""The search over a whole history: published series, and noise without a step."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest

from benchpipe.drift.offline import offline_steps, slowness

# Annual flow of the Nile at Aswan 1871-1970, 10^8 m^3: G. W. Cobb, Biometrika 65 (1978) 243; as in statsmodels.
NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], float)  # fmt: skip


def test_the_nile_fell_after_1898() -> None:
    assert [1871 + i for i in offline_steps(NILE)] == [1899]


@pytest.mark.parametrize(
    ("name", "known"), [("quality_control_1", 146), ("quality_control_2", 97), ("quality_control_5", None)]
)
def test_published_series_have_the_step_that_is_known(name: str, known: int | None) -> None:
    folder = os.environ.get("BENCHPIPE_OPEN_DATA")
    if not folder:
        pytest.skip("BENCHPIPE_OPEN_DATA names no folder of open measurements")
    path = Path(folder) / "change_point" / f"{name}.json"
    series = json.loads(path.read_text(encoding="utf-8"))["series"][0]["raw"]
    found = offline_steps(np.array(series, float))
    annotators = json.loads((path.parent / "annotations.json").read_text(encoding="utf-8"))[name]
    if known is None:
        assert found == []
        return
    assert len(found) == 1
    assert abs(found[0] - known) <= 5  # the margin of the series' own benchmark
    assert any(abs(found[0] - i) <= 5 for marks in annotators.values() for i in marks)


def test_noise_has_no_step() -> None:
    rng = np.random.default_rng(1)
    assert sum(bool(offline_steps(rng.standard_normal(300))) for _ in range(40)) == 0
    slow = [np.convolve(rng.standard_normal(320), 0.7 ** np.arange(20))[:300] for _ in range(40)]
    assert sum(bool(offline_steps(v)) for v in slow) <= 2


def test_slow_noise_costs_its_inflation() -> None:
    rng = np.random.default_rng(2)
    y = rng.standard_normal(200) + 1.5 * (np.arange(200) >= 120)
    assert offline_steps(y, inflation=1.0)
    assert offline_steps(y, inflation=50.0) == []


def test_slowness_of_white_noise_is_near_1() -> None:
    assert slowness(np.random.default_rng(3).standard_normal(5000)) == pytest.approx(1.0, abs=0.15)
    assert slowness(np.zeros(10)) == 1.0


def test_bad_values() -> None:
    assert offline_steps(np.ones(50)) == []
    assert offline_steps([1.0, 2.0]) == []
    with pytest.raises(ValueError, match="finite"):
        offline_steps([1.0, np.nan, 2.0, 3.0, 4.0])
    with pytest.raises(ValueError, match="at most"):
        offline_steps(np.zeros(20_001))
