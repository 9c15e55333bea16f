"""Loops of runs: the kept cycles of a block, preconditioned, with rate and temperature."""

from __future__ import annotations

from dataclasses import replace
from math import nan
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from benchpipe.blocks.run_tables import RunTables
from benchpipe.bumper.config import BumperFile, BumperLoopConfig
from benchpipe.bumper.model import LoopSource, SettingLoop, mean_of
from benchpipe.columns import floats
from benchpipe.compare.readings import run_states
from benchpipe.errors import ConfigError, nearest
from benchpipe.escapes import quoted
from benchpipe.kernels.loop_branches import branches_of
from benchpipe.run import RunConfig, load_run
from benchpipe.samples.signals import signal_units
from benchpipe.store.manifest import Manifest

HIGHER = 1.02  # a peak above all earlier ones by more than that softens the rubber again
AGAIN = 3  # cycles after a new highest peak that are not used


def loop_of_run(file: BumperFile, at: int) -> tuple[SettingLoop, LoopSource]:
    """Mean loop of the run at a place of the bumper file, and where it comes from.

    Raises
    ------
    ConfigError
        The run, block or cycles are not there, or it is no torque against an angle.
    """
    stated, place = file.config.loop[at], file.file.where(("loop", at, "plan"))
    path = stated.plan if stated.plan.is_absolute() else (file.file.path.parent / stated.plan).absolute()
    run, tables = _opened(path, place)
    blocks = [block.name for block in run.plan.block if block.kind == "cyclic"]
    if stated.block not in blocks:
        where = file.file.where(("loop", at, "block"))
        raise ConfigError(
            f"run '{run.name}' has no cyclic block '{stated.block}'",
            where=where,
            expected=nearest(stated.block, blocks),
        )
    loops, cycles = tables.block("loops", stated.block), tables.block("cycles", stated.block)
    wanted = _cycles(stated, file.config.first_cycle, loops, cycles, run, place)
    found = []
    for cycle in wanted:
        rows = loops.filter(pc.equal(loops.column("cycle"), cycle))
        branches = branches_of(floats(rows.column("motion")), floats(rows.column("load")))
        if branches is None:
            continue
        own = cycles.filter(pc.equal(cycles.column("cycle"), cycle))
        rate, temperature = _rate(own), _value(own, "temperature_c")
        found.append(SettingLoop(
            stated.setting, stated.label or f"{stated.setting:g}", rate, temperature, (stated.specimen,), nan, branches
        ))  # fmt: skip
    if not found:
        raise ConfigError(
            f"no loop of run '{run.name}', block '{stated.block}' has enough samples", where=place,
            do_next="log more samples a cycle: 40 at the least",
        )  # fmt: skip
    mean = replace(mean_of(found), specimens=(stated.specimen,), scatter_u=nan)
    if not 0.0 < mean.rate_deg_s < np.inf:
        raise ConfigError(
            f"the period of the loops of run '{run.name}', block '{stated.block}' is not known, and so is their rate",
            where=place, do_next="name other cycles",
        )  # fmt: skip
    manifest = tables.manifest
    state = " and ".join(run_states(run, run.open_store(), manifest, tables)) or "finished"
    key = manifest.steps["process"].key
    return mean, LoopSource(
        run.name, stated.block, stated.specimen, stated.setting, tuple(wanted), stated.rest, key, state
    )


def _opened(path: Path, place: str) -> tuple[RunConfig, RunTables]:
    if not path.is_file():
        raise ConfigError(
            f"the plan '{path}' does not exist", where=place, do_next="paths are relative to the bumper file"
        )
    run = load_run(path)
    store = run.open_store()
    manifest: Manifest = store.manifest()
    if "process" not in manifest.steps:
        plan = quoted(path)
        raise ConfigError(
            f"nothing of run '{run.name}' is processed yet", where=place, do_next=f"benchpipe process {plan}"
        )
    units = signal_units(run.rig)
    if (units["load"], units["motion"]) != ("N*m", "deg"):
        raise ConfigError(
            f"run '{run.name}' measures {units['load']} against {units['motion']}", where=place,
            expected="torque against an angle", do_next="add the lever arm to the rig file (geometry)",
        )  # fmt: skip
    return run, RunTables(store, manifest)


def _cycles(
    stated: BumperLoopConfig, first_cycle: int, loops: pa.Table, cycles: pa.Table, run: RunConfig, place: str
) -> list[int]:
    """Kept loops that are preconditioned: from the first cycle on, and clear of a new highest peak."""
    kept = sorted(set(loops.column("cycle").to_pylist()))
    low, high = stated.cycles or (first_cycle, max(kept, default=0))
    asked = [cycle for cycle in kept if max(low, first_cycle) <= cycle <= high]
    fresh = _newly_high(cycles)
    found = [cycle for cycle in asked if cycle not in fresh]
    if found:
        return found
    why = f"loops of cycles {', '.join(map(str, kept)) or 'none'} were kept"
    if asked:
        why = f"cycles {', '.join(map(str, asked))} reach a higher peak than ever before: rubber softens again there"
    raise ConfigError(
        f"run '{run.name}', block '{stated.block}': no preconditioned loop from cycle {first_cycle} on ({why})",
        where=place, do_next="cycle it at its largest load first, and name cycles after that",
    )  # fmt: skip


def _newly_high(cycles: pa.Table) -> set[int]:
    """Cycles in which, or in the two before which, load or its negative rose above all earlier ones."""
    numbers = cycles.column("cycle").to_pylist()
    fresh: set[int] = set()
    for name, sign in (("peak_load", 1.0), ("valley_load", -1.0)):
        values = sign * floats(cycles.column(name))
        most = -np.inf
        for i, value in enumerate(values.tolist()):
            if numbers[i] is None or not np.isfinite(value):
                continue
            if value > max(HIGHER * most, 0.0) or not np.isfinite(most):
                fresh |= {n for n in numbers[i : i + AGAIN] if n is not None} if np.isfinite(most) else set()
                most = value  # smaller rises add up: a slow ramp softens rubber again and again
    return fresh


def _value(row: Any, name: str) -> float:
    values = floats(row.column(name))
    return float(values[0]) if values.size else nan


def _rate(row: Any) -> float:
    period = _value(row, "period_s")
    return 2.0 * _value(row, "motion_range") / period if period > 0.0 else nan
