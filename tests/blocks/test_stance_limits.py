"""What of stance windows and of relaxations is judged: the columns of each figure (invented figures)."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from benchpipe.check.measures import our_measures
from tests.blocks.asked import values
from tests.check.judged import rows


@pytest.mark.parametrize(
    ("name", "column", "u", "one_sample"),
    [
        ("stance_drift", "drift", "drift_u", False), ("stance_drift_per_h", "drift_per_h", "drift_u_per_h", False),
        ("stance_range", "motion_range", "motion_range_u", True),
        ("stance_range_95", "motion_range_95", "motion_range_95_u", True),
    ],
)  # fmt: skip
def test_a_figure_of_a_window_has_the_uncertainty_of_its_own_column(
    name: str, column: str, u: str, one_sample: bool
) -> None:
    made = {"block": "stood", "stance": [3, 4], "samples": 100, column: [0.2, None], u: [0.01, None], "remark": "short"}
    found = values(name, SimpleNamespace(name="stood"), stances=rows("stances", 2, **made))
    np.testing.assert_equal(found.value, [0.2, np.nan])
    np.testing.assert_equal(found.u, [0.01, np.nan])
    assert (found.names, found.why) == (("stance 3", "stance 4"), "short")
    measure = our_measures()[name]
    assert (measure.absolute, measure.one_sample, measure.motion_power) == (True, one_sample, 1)


@pytest.mark.parametrize(
    ("name", "column", "u"),
    [
        ("load_lost_end", "load_lost_end", "load_lost_end_u"),
        ("load_lost_part_end", "load_lost_part_end", "load_lost_part_end_u"),
        ("relaxation_rate_end", "rate_end", "rate_end_u"),
    ],
)
def test_a_figure_of_a_held_motion_has_the_uncertainty_of_its_own_column(name: str, column: str, u: str) -> None:
    made = {"block": "stiff", "relaxation": [1, 2], "samples": 100, "remark": "end"}
    figure = {column: [3.0, None], u: [0.1, None]}
    found = values(name, SimpleNamespace(name="stiff"), relaxations=rows("relaxations", 2, **made, **figure))
    np.testing.assert_equal(found.value, [3.0, np.nan])
    np.testing.assert_equal(found.u, [0.1, np.nan])
    assert (found.names, found.why) == (("relaxation 1", "relaxation 2"), "end")
