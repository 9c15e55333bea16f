"""The noise of a block's cycles: which of them show it, and where a cycle is among them (invented figures)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from benchpipe.blocks.cyclic.tables import CycleFlag
from benchpipe.blocks.run_tables import RunTables
from benchpipe.check import block_noise
from benchpipe.check.block_noise import Noises, place_of
from benchpipe.kernels.window_noise import fit_block_noise
from benchpipe.store.manifest import Manifest, Step
from benchpipe.store.run_store import RunStore
from benchpipe.tables import schema
from tests.check.judged import cycles

ENERGY = (2.0 + 0.1 * np.random.default_rng(4).standard_normal(400)).astype(np.float32).astype(np.float64)


def noises(folder: Path, content: list[dict[str, Any]]) -> Noises:
    store = RunStore(folder / "store", "one")
    part = store.write("cycles", pa.Table.from_pylist(content, schema=schema("cycles")), "0" * 64)
    return Noises(RunTables(store, Manifest(run="one", steps={"process": Step(key="0", version=1, parts=(part,))})))


def same(found: object, values: np.ndarray) -> bool:
    return repr(found) == repr(fit_block_noise(values))


def test_noise_is_that_of_the_cycles_that_can_be_judged(tmp_path: Path) -> None:
    whole = noises(tmp_path / "a", cycles(400, energy_j=ENERGY.tolist()))
    assert same(whole.of("durability", "energy_j", 10), ENERGY)
    assert whole.last("durability") == 400
    stuck = [int(CycleFlag.GAP) if i % 7 == 3 else int(CycleFlag.OFF_TARGET) for i in range(400)]
    spoiled = np.where(np.arange(400) % 7 == 3, 99.0, ENERGY)
    found = noises(tmp_path / "b", cycles(400, energy_j=spoiled.tolist(), flags=stuck))
    assert same(found.of("durability", "energy_j", 10), np.where(np.arange(400) % 7 == 3, np.nan, ENERGY))
    open_end = cycles(400, energy_j=ENERGY.tolist())
    open_end[-1] |= {"complete": False, "cycle": None, "energy_j": 99.0}
    assert noises(tmp_path / "c", open_end).last("durability") == 399


def test_a_measure_of_a_block_is_fitted_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fits: list[int] = []

    def counted(values: np.ndarray) -> Any:
        fits.append(values.size)
        return fit_block_noise(values)

    monkeypatch.setattr(block_noise, "fit_block_noise", counted)
    found = noises(tmp_path, cycles(400, energy_j=ENERGY.tolist(), loss_factor=(0.1 * ENERGY).tolist()))
    first = found.of("durability", "energy_j", 10)
    assert found.of("durability", "energy_j", 20) is first
    assert found.of("durability", "loss_factor", 10) is not first
    assert fits == [400, 400]


def test_of_a_long_block_the_last_cycles_show_it_and_more_of_them_for_a_long_window(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(block_noise, "MOST_CYCLES", 100)
    found = noises(tmp_path, cycles(400, energy_j=ENERGY.tolist()))
    assert same(found.of("durability", "energy_j", 2), ENERGY[-100:])
    assert same(found.of("durability", "energy_j", 3), ENERGY[-120:])  # forty windows
    assert same(found.of("durability", "energy_j", 10), ENERGY)
    assert block_noise.WINDOWS == 40


def test_the_history_of_a_measure_is_of_complete_cycles_up_to_one(tmp_path: Path) -> None:
    made = cycles(
        5, energy_j=[1.0, 2.0, 3.0, 4.0, 5.0], start_us=[0, 1_000_000, 2_500_000, 3_000_000, 4_000_000],
        temperature_c=[20.0, 21.0, None, 23.0, 24.0], flags=[0, int(CycleFlag.GAP), int(CycleFlag.OFF_TARGET), 0, 0],
        complete=[True, True, True, False, True],
    )  # fmt: skip
    made[3]["cycle"] = None
    made[4]["cycle"] = 4
    start, value, temperature, number = noises(tmp_path, made).history("durability", "energy_j", 3)
    assert start.tolist() == [0.0, 1.0, 2.5]
    np.testing.assert_equal(value, [1.0, np.nan, 3.0])
    np.testing.assert_equal(temperature, [20.0, 21.0, np.nan])
    assert (number.tolist(), number.dtype) == ([1, 2, 3], np.int64)


@pytest.mark.parametrize(("cycle", "place"), [(400.0, 99), (399.0, 98), (301.0, 0), (300.0, -1)])
def test_the_last_cycle_is_at_the_end(cycle: float, place: int) -> None:
    assert place_of(100, 400, cycle) == place
