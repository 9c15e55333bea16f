"""Every table's columns once: name, dtype, unit, null allowed, meaning.

The source of Parquet schemas, of the documentation, of limit measures and of
headings. A unit ``load`` or ``motion`` means the run's own
(``N*m`` and ``deg``, or ``N`` and ``mm``), which the files carry as metadata.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchpipe.blocks.cyclic.tables import CYCLES, LOOPS, TRENDS
from benchpipe.blocks.hold.tables import CREEP_POINTS, HOLDS
from benchpipe.blocks.locking.tables import LOCK_CHANGES
from benchpipe.blocks.proof.tables import PROOFS
from benchpipe.blocks.relaxation.tables import RELAXATION_POINTS, RELAXATIONS
from benchpipe.blocks.roll.tables import ROLL_POINTS, ROLLS
from benchpipe.blocks.stance.tables import STANCES
from benchpipe.blocks.sweep.tables import INCOMPLETE_SWEEPS, RESISTANCE, RESISTANCE_POINTS, SWEEPS
from benchpipe.columns import Column, column, schema_of
from benchpipe.columns import column as _c
from benchpipe.drift.tables import BINS, EVENTS, FORECASTS, KEPT_LOOPS, PHASES
from benchpipe.drift.tables import TRENDS as DRIFT_TRENDS

if TYPE_CHECKING:
    import pyarrow as pa

VERDICTS: tuple[Column, ...] = (
    column("limit", "string", "", "name of the limit"),
    column("limits_file", "string", "", "name of the limit file"),
    column("block", "string", "", "block it was judged on"),
    column("measure", "string", "", "what was measured"),
    column("statistic", "string", "", "how the values were put together"),
    column("first", "int64", "1", "first cycle, hold or sweep judged", null=True),
    column("last", "int64", "1", "last one judged", null=True),
    column("used", "int64", "1", "values used"),
    column("of", "int64", "1", "values there should have been: every cycle begun, and those the rig alone counted"),
    column(
        "left_out", "string", "", "how many could not be used or may hide something, by reason, and the first of each"
    ),
    column("measured", "float64", "of the limit", "measured value", null=True),
    column("bound", "string", "", "at least or at most, where the value only bounds the true one; else empty"),
    column("at", "string", "", "of a largest or smallest value, or a fail: which cycle, hold or sweep it is of"),
    column("standard_u", "float64", "of the limit", "its standard uncertainty", null=True),
    column(
        "dof", "float64", "1", "degrees of freedom of that (Welch-Satterthwaite); null: infinite, not known", null=True
    ),
    column("expanded_u", "float64", "of the limit", "half-width of its 95 % interval (Student's factor)", null=True),
    column("operator", "string", "", "<=, >= or within"),
    column("value", "float64", "of the limit", "the limit; of two, the one that is nearer"),
    column("other_value", "float64", "of the limit", "the other of two limits", null=True),
    column("unit", "string", "", "unit of measured, expanded_u and value"),
    column("margin", "float64", "of the limit", "distance to the limit, positive on the good side", null=True),
    column("guard", "float64", "of the limit", "guard band that the rule asks for", null=True),
    column("conformance", "float64", "1", "probability that the true value is within the limit (JCGM 106)", null=True),
    column(
        "consumer_risk", "float64", "1", "of a specimen drawn from the prior: bad and accepted (JCGM 106)", null=True
    ),
    column("producer_risk", "float64", "1", "of a specimen drawn from the prior: good and not accepted", null=True),
    column("risk", "float64", "1", "most that the rule lets an item exactly at its limit pass with"),
    column("rule", "string", "", "decision rule, in words"),
    column("verdict", "string", "", "pass, fail, inconclusive or not evaluated"),
    column("due", "bool", "", "false while the plan has not come to it yet"),
    column("remark", "string", "", "why, where it is not plain"),
    column("not_corrected", "float64", "1", "a change as it was read, before temperature was taken off", null=True),
    column("correction", "float64", "1", "what temperature took off a change", null=True),
    column("correction_u", "float64", "1", "standard uncertainty of that", null=True),
    column("source", "string", "", "where the limit comes from"),
    column("verified", "bool", "", "the value was verified against its source"),
    column("verified_by", "string", "", "who, and when"),
)
BUDGETS: tuple[Column, ...] = (
    column("limit", "string", "", "name of the limit"),
    column("limits_file", "string", "", "name of the limit file"),
    column("block", "string", "", "block it was judged on"),
    column("part", "string", "", "where a part of the uncertainty comes from"),
    column("kind", "string", "", "A: from the scatter of values; B: from anything else (GUM 4.2, 4.3)"),
    column("standard_u", "float64", "of the limit", "standard uncertainty that it gives; null: not known", null=True),
    column("dof", "float64", "1", "its degrees of freedom; null: infinite or not known", null=True),
    column("share", "float64", "1", "its share of the variance", null=True),
    column("unit", "string", "", "unit of standard_u"),
    column("note", "string", "", "what it was taken from"),
)
SAMPLES: tuple[Column, ...] = (
    _c("time_us", "int64", "us", "time of the row: since 1970-01-01 by the rig's clock, or since the log began"),
    _c("row", "int64", "1", "row in the log file: line number of a text file, row from 1 of a table"),
    # then one float32 column for each channel of the rig file, in the channel's inside unit
)
REJECTS: tuple[Column, ...] = (
    _c("file", "string", "", "log file, relative to the plan"),
    _c("row", "int64", "1", "line or row in the file"),
    _c("rows", "int64", "1", "number of rows from there that share the reason"),
    _c("reason", "string", "", "why it was not taken"),
    _c("text", "string", "", "what stood there (shortened)", null=True),
)
ORIGINS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("what", "string", "", "cycle, hold or sweep"),
    _c("number", "int32", "1", "its number in the block"),
    _c("file", "string", "", "log file, relative to the plan"),
    _c("first_row", "int64", "1", "first row of the file inside it"),
    _c("last_row", "int64", "1", "last row of the file inside it"),
)
REMARKS: tuple[Column, ...] = (
    _c("step", "string", "", "ingest, process, check or keep"),
    _c("code", "string", "", "kind of remark"),
    _c("where", "string", "", "file or block"),
    _c("count", "int64", "1", "how many"),
    _c("text", "string", "", "what was seen, in a sentence"),
)
LANDMARKS: tuple[Column, ...] = (
    _c("mark", "int64", "1", "what the rows from there on hold, as a hash: the same in a copy of them"),
    _c("sample", "int64", "1", "place among the samples of its log, from 0"),
)
EARLY_ROWS: tuple[Column, ...] = (
    _c("row", "int64", "1", "line or row in the file"),
    _c("time_us", "int64", "us", "its time by the log's own clock, before that of the log's first row"),
    _c("content", "int64", "1", "its values, as a hash: the same in a copy of it"),
)
TABLES: dict[str, tuple[Column, ...]] = {
    "samples": SAMPLES,
    "rejects": REJECTS,
    "cycles": CYCLES,
    "loops": LOOPS,
    "holds": HOLDS,
    "creep_points": CREEP_POINTS,
    "relaxations": RELAXATIONS,
    "relaxation_points": RELAXATION_POINTS,
    "sweeps": SWEEPS,
    "incomplete_sweeps": INCOMPLETE_SWEEPS,
    "resistance": RESISTANCE,
    "resistance_points": RESISTANCE_POINTS,
    "stances": STANCES,
    "rolls": ROLLS,
    "roll_points": ROLL_POINTS,
    "proofs": PROOFS,
    "lock_changes": LOCK_CHANGES,
    "trends": TRENDS,
    "drift_trends": DRIFT_TRENDS,
    "drift_bins": BINS,
    "events": EVENTS,
    "phases": PHASES,
    "forecasts": FORECASTS,
    "kept_loops": KEPT_LOOPS,
    "verdicts": VERDICTS,
    "budgets": BUDGETS,
    "origins": ORIGINS,
    "remarks": REMARKS,
    "landmarks": LANDMARKS,
    "early_rows": EARLY_ROWS,
}

# What a row of each table is.
ROWS: dict[str, str] = {
    "samples": "what the rig logged, row by row, in the rig file's channels",
    "rejects": "rows of the logs that were not taken, and why",
    "cycles": "every cycle: extremes, energy, stiffness, flags",
    "loops": "load against motion of some cycles, point by point",
    "holds": "every held load: creep, and what it ends in",
    "creep_points": "averages of the motion over each hold",
    "relaxations": "every held motion: how much of its load it lost",
    "relaxation_points": "averages of the load over each relaxation",
    "sweeps": "every slow sweep: range of motion, resistance",
    "incomplete_sweeps": "what is left of sweeps that did not come back, or have a gap",
    "resistance": "resistance of the free range, by direction and load",
    "resistance_points": "the points it was fitted to",
    "stances": "every stance window",
    "rolls": "every pass of a roll: curvature, rolling slope, arc",
    "roll_points": "the shape that the centre of pressure follows in each pass",
    "proofs": "every proof: load, time held, permanent set",
    "lock_changes": "every locking and unlocking",
    "trends": "measures over the run's life, in bins",
    "drift_trends": "every measure of the cycles in bins of time and of cycles, temperature taken out",
    "drift_bins": "what the analysis of drift keeps for the next night",
    "events": "steps, changes of slope and of scatter: when, how large, what moved with them",
    "phases": "run-in, steady, wear-out; the change since the baseline",
    "forecasts": "when a limited measure crosses its limit",
    "kept_loops": "loops kept on purpose: beside events, worst of each measure, and why, point by point",
    "verdicts": "every limit: measured, uncertainty, verdict",
    "budgets": "the parts of each verdict's uncertainty",
    "origins": "rows of the logs behind cycles and holds, kept once samples are dropped",
    "remarks": "what was odd, in sentences",
    "landmarks": "marks by which copies of logs are known again",
    "early_rows": "rows that come late and lie before the first row of their log",
}


def columns(table: str) -> dict[str, Column]:
    """Columns of a table by name."""
    return {column.name: column for column in TABLES[table]}


def schema(table: str, units: dict[str, str] | None = None) -> pa.Schema:
    """Arrow schema of a table.

    Parameters
    ----------
    table : str
        A key of :data:`TABLES`.
    units : dict, optional
        What ``load`` and ``motion`` stand for, such as ``{"load": "N*m", "motion": "deg"}``.
    """
    return schema_of(TABLES[table], units)
