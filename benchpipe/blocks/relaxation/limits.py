"""What of relaxations is judged: one row a measure."""

from __future__ import annotations

from benchpipe.blocks.held_values import at_time
from benchpipe.blocks.measures import Measure
from benchpipe.blocks.values import column_of, of_rows

MEASURES: tuple[Measure, ...] = (
    Measure("load_lost", "relaxation", "relaxation_points", ("load_lost",), "load", 1, 0,
            "load that a held motion lost at a time", u_column="load_lost_u",
            at_time=True, values=of_rows("relaxations", at_time("relaxation_points", "relaxation"))),
    Measure("load_lost_part", "relaxation", "relaxation_points", ("load_lost_part",), "1", 0, 0,
            "the same as a part of the load at full motion", u_column="load_lost_part_u",
            at_time=True, values=of_rows("relaxations", at_time("relaxation_points", "relaxation"))),
    Measure("load_lost_end", "relaxation", "relaxations", ("load_lost_end",), "load", 1, 0,
            "load lost at the end of a held motion", u_column="load_lost_end_u",
            values=of_rows("relaxations", column_of("relaxation"))),
    Measure("load_lost_part_end", "relaxation", "relaxations", ("load_lost_part_end",), "1", 0, 0,
            "the same as a part of the load at full motion", u_column="load_lost_part_end_u",
            values=of_rows("relaxations", column_of("relaxation"))),
    Measure("relaxation_rate_end", "relaxation", "relaxations", ("rate_end",), "load/s", 1, 0,
            "rate of relaxation at the end of a held motion", u_column="rate_end_u", absolute=True,
            values=of_rows("relaxations", column_of("relaxation"))),
)  # fmt: skip
