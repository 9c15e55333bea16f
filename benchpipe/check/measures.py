"""What a limit can be set on: one table row a measure.

``load_power`` and ``motion_power`` say how a measure follows its channels' scales:
a relative error of the load cell enters a stiffness once, an energy once, a ratio to
the baseline not at all.
"""

from __future__ import annotations

from benchpipe.blocks.measures import Measure


def _cyclic(name: str, unit: str, load: int, motion: int, meaning: str, sampling: str = "") -> Measure:
    extreme = name in ("peak_load", "valley_load", "motion_max", "motion_min")
    return Measure(
        name, "cyclic", "cycles", (name,), unit, load, motion, meaning, sampling,  # type: ignore[arg-type]
        extreme=extreme, range=name.endswith("_range"), one_sample=True,
    )  # fmt: skip


def _sweep(name: str, unit: str, meaning: str) -> Measure:
    return Measure(name, "sweep", "sweeps", (name,), unit, 0, 1, meaning, u_column=f"{name}_u")


def _part(name: str, meaning: str) -> Measure:
    """A part of the resistance from the fit over all sweeps: one value a direction."""
    return Measure(name, "sweep", "resistance", (name,), "load", 1, 0, meaning, u_column=f"{name}_u")


def _stance(name: str, column: str, unit: str, meaning: str) -> Measure:
    u_column = "drift_u_per_h" if column == "drift_per_h" else f"{column}_u"
    return Measure(
        name, "stance", "stances", (column,), unit, 0, 1, meaning, u_column=u_column, absolute=True,
        one_sample=column.startswith("motion_range"),
    )  # fmt: skip


def _proof(
    name: str, column: str, unit: str, load: int, motion: int, meaning: str, *, own: bool = True, absolute: bool = False
) -> Measure:
    u_column = f"{column}_u" if own else None
    one_sample = column in ("peak_load", "carried_load", "sudden_drop", "rules_broken", "hold_time_s")
    return Measure(
        name, "proof", "proofs", (column,), unit, load, motion, meaning, "", u_column, absolute, one_sample=one_sample
    )


def _lock(name: str, column: str, unit: str, motion: int, meaning: str) -> Measure:
    u_column = f"{column.removesuffix('_s')}_u_s" if unit == "s" else f"{column}_u"
    return Measure(name, "locking", "lock_changes", (column,), unit, 0, motion, meaning, "", u_column, unit != "s")


_ALL = (
    _cyclic("peak_load", "load", 1, 0, "largest load of a cycle", "peak"),
    _cyclic("valley_load", "load", 1, 0, "smallest load of a cycle", "peak"),
    _cyclic("load_range", "load", 1, 0, "peak less valley", "peak"),
    _cyclic("motion_range", "motion", 0, 1, "motion range of a cycle", "peak"),
    _cyclic("motion_max", "motion", 0, 1, "largest motion of a cycle", "peak"),
    _cyclic("motion_min", "motion", 0, 1, "smallest motion of a cycle", "peak"),
    _cyclic("motion_mean", "motion", 0, 1, "mean motion of a cycle (its drift is permanent set)"),
    _cyclic("energy_j", "J", 1, 1, "loop energy", "energy"),
    _cyclic("secant_stiffness", "load/motion", 1, -1, "secant stiffness", "secant"),
    _cyclic("loading_stiffness", "load/motion", 1, -1, "stiffness of the loading branch"),
    _cyclic("unloading_stiffness", "load/motion", 1, -1, "stiffness of the unloading branch"),
    _cyclic("loss_factor", "1", 0, 0, "loss factor"),
    Measure("closure_gap", "cyclic", "cycles", ("closure_gap",), "motion", 0, 1, "closure gap of the loop",
            absolute=True),
    _cyclic("period_s", "s", 0, 0, "length of a cycle"),
    _cyclic("temperature_c", "degC", 0, 0, "mean temperature of a cycle"),
    Measure("cycles_done", "cyclic", "cycles", ("complete",), "cycles", 0, 0, "complete cycles"),
    Measure("off_target", "cyclic", "cycles", ("flags",), "1", 0, 0, "complete cycles off target"),
    Measure("creep", "hold", "creep_points", ("creep",), "motion", 0, 1, "creep at a time after loading",
            u_column="creep_u", absolute=True),
    Measure("creep_full", "hold", "creep_points", ("creep_full",), "motion", 0, 1, "creep at a time, since full load",
            u_column="creep_full_u", absolute=True),
    Measure("creep_end", "hold", "holds", ("creep_end",), "motion", 0, 1, "creep at the end of a hold",
            u_column="creep_end_u", absolute=True,
            own_parts=(("creep_step_u", "resolution of the motion"), ("creep_drift_u", "drift of the motion channel"))),
    Measure("creep_full_end", "hold", "holds", ("creep_full_end",), "motion", 0, 1,
            "creep at the end of a hold, since full load", u_column="creep_full_end_u", absolute=True),
    Measure("rate_end_per_h", "hold", "holds", ("rate_end_per_h",), "motion/h", 0, 1, "creep rate at the end of a hold",
            u_column="rate_end_u_per_h", absolute=True),
    Measure("leak_per_h", "hold", "holds", ("leak_per_h",), "motion/h", 0, 1, "leak rate of a held lock",
            u_column="leak_u_per_h", absolute=True),
    Measure("elastic_motion", "hold", "holds", ("elastic_motion",), "motion", 0, 1, "motion on loading",
            u_column="elastic_motion_u", absolute=True),
    Measure("recovered", "hold", "holds", ("recovered",), "1", 0, 0, "part of the creep that came back after unloading",
            u_column="recovered_u"),
    Measure("creep_bound", "hold", "holds", ("creep_bound",), "motion", 0, 1, "upper bound (95 %) of a hold's creep",
            bound=True),
    Measure("log_slope", "hold", "holds", ("log_slope",), "1", 0, 0,
            "d log rate/d log time late in a hold: 0 leak, -1 log time"),
    Measure("law_spread", "hold", "holds", ("creep_law_high", "creep_law_low"), "motion", 0, 1,
            "spread of the creep at the end between laws that fit", bound=True),
    Measure("load_taken_off", "hold", "holds", ("load_taken_off",), "motion", 0, 1,
            "taken off the creep for wobble of the load", absolute=True),
    Measure("temperature_taken_off", "hold", "holds", ("temperature_taken_off",), "motion", 0, 1,
            "taken off the creep for temperature", absolute=True),
    Measure("hold_time", "hold", "holds", ("duration_s",), "s", 0, 0, "length of a hold"),
    Measure("load_lost", "relaxation", "relaxation_points", ("load_lost",), "load", 1, 0,
            "load that a held motion lost at a time", u_column="load_lost_u"),
    Measure("load_lost_part", "relaxation", "relaxation_points", ("load_lost_part",), "1", 0, 0,
            "the same as a part of the load at full motion", u_column="load_lost_part_u"),
    Measure("load_lost_end", "relaxation", "relaxations", ("load_lost_end",), "load", 1, 0,
            "load lost at the end of a held motion", u_column="load_lost_end_u"),
    Measure("load_lost_part_end", "relaxation", "relaxations", ("load_lost_part_end",), "1", 0, 0,
            "the same as a part of the load at full motion", u_column="load_lost_part_end_u"),
    Measure("relaxation_rate_end", "relaxation", "relaxations", ("rate_end",), "load/s", 1, 0,
            "rate of relaxation at the end of a held motion", u_column="rate_end_u", absolute=True),
    _sweep("range_of_motion", "motion", "motion between the points where the end stops engage"),
    _sweep("lower_stop", "motion", "motion at which the lower end stop engages"),
    _sweep("upper_stop", "motion", "motion at which the upper end stop engages"),
    Measure("travel", "sweep", "sweeps", ("motion_max", "motion_min"), "motion", 0, 1,
            "motion between the ends of a sweep", one_sample=True),
    _sweep("usable_range", "motion", "motion within the usable load"),
    Measure("free_lash", "sweep", "sweeps", ("lash",), "motion", 0, 1, "lash of the free joint", u_column="lash_u"),
    Measure("free_resistance", "sweep", "sweeps", ("resistance_forward", "resistance_back"), "load", 1, 0,
            "largest resistance inside the free range, either way", u_column="resistance_back_u", one_sample=True),
    Measure("asymmetry", "sweep", "sweeps", ("asymmetry",), "load", 1, 0, "resistance forward less that back",
            u_column="asymmetry_u", absolute=True, zero_times=2.0),
    _part("breakaway", "load that starts the free joint from standstill, each way"),
    _part("coulomb", "part of the free resistance that does not follow the speed, each way"),
    _part("laminar", "part in proportion to the speed, at the reference speed, each way"),
    _part("orifice", "part in proportion to its square, at the reference speed, each way"),
    _stance("stance_drift", "drift", "motion", "drift over a stance window"),
    _stance("stance_drift_per_h", "drift_per_h", "motion/h", "rate of drift in a stance window"),
    _stance("stance_range", "motion_range", "motion", "range of motion in a stance window"),
    _stance("stance_range_95", "motion_range_95", "motion", "range of the middle 95 % of it"),
    _proof("loading_rate", "loading_rate", "load/s", 1, 0, "loading rate of a proof", absolute=True),
    _proof("proof_peak_load", "peak_load", "load", 1, 0, "largest load of a proof", own=False, absolute=True),
    _proof("held_load", "held_load", "load", 1, 0, "mean load of a proof's hold", absolute=True),
    _proof("proof_hold_time", "hold_time_s", "s", 0, 0, "how long a proof's load was held", own=False),
    _proof("load_drop", "load_drop", "load", 1, 0, "drop of the load during a proof's hold"),
    _proof("permanent_set", "permanent_set", "motion", 0, 1, "permanent set after a proof", absolute=True),
    _proof("stiffness_before", "stiffness_before", "load/motion", 1, -1, "stiffness, loading to the proof load"),
    _proof("stiffness_after", "stiffness_after", "load/motion", 1, -1, "stiffness, unloading from it"),
    _proof("stiffness_change", "stiffness_change", "1", 0, 0, "stiffness after a proof over that before, less one"),
    _proof("carried_load", "carried_load", "load", 1, 0, "largest load before the first sudden drop or failure",
           own=False, absolute=True),
    _proof("sudden_drops", "sudden_drop", "times", 0, 0, "sudden drops of the load in a proof", own=False),
    _proof("rules_broken", "rules_broken", "times", 0, 0, "rules of the plan that a proof broke", own=False),
    _lock("time_to_hold", "time_to_hold_s", "s", 0, "time from a lock until the joint moves no more under load"),
    _lock("time_to_free", "time_to_free_s", "s", 0, "time from an unlock until the joint carries no load"),
    _lock("slip", "slip", "motion", 1, "motion from a lock until the joint holds"),
    _lock("lock_error", "lock_error", "motion", 1, "motion at which the joint holds less that asked for"),
    Measure("lock_failures", "locking", "lock_changes", ("lock_failed",), "times", 0, 0, "locks that failed",
            one_sample=True),
    Measure("unlock_failures", "locking", "lock_changes", ("unlock_failed",), "times", 0, 0, "unlocks that failed",
            one_sample=True),
    Measure("lock_changes", "locking", "lock_changes", ("lock_change",), "times", 0, 0, "locks and unlocks"),
    Measure("logs_out_of_calibration", "run", "", (), "times", 0, 0,
            "logs dated before a channel was calibrated, or after that was due again"),
    Measure("plan_order_broken", "run", "", (), "times", 0, 0, "blocks out of turn, or after a pause not allowed"),
    Measure("leak_exponent", "run", "holds", (), "1", 0, 0, "exponent of the leak's rate over levels of load"),
    Measure("days_to_calibration", "run", "", (), "s", 0, 0, "time until the first calibration is due"),
)  # fmt: skip
MEASURES: dict[str, Measure] = {m.name: m for m in _ALL}
