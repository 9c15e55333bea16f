"""What of stance windows is judged: one row a measure."""

from __future__ import annotations

from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import column_of, of_rows


def _stance(name: str, column: str, unit: str, meaning: str) -> Measure:
    u_column = "drift_u_per_h" if column == "drift_per_h" else f"{column}_u"
    return Measure(
        name, "stance", "stances", (column,), unit, 0, 1, meaning, u_column=u_column, absolute=True,
        one_sample=column.startswith("motion_range"), values=of_rows("stances", column_of("stance")),
    )  # fmt: skip


MEASURES: tuple[Measure, ...] = (
    _stance("stance_drift", "drift", "motion", "drift over a stance window"),
    _stance("stance_drift_per_h", "drift_per_h", "motion/h", "rate of drift in a stance window"),
    _stance("stance_range", "motion_range", "motion", "range of motion in a stance window"),
    _stance("stance_range_95", "motion_range_95", "motion", "range of the middle 95 % of it"),
)
