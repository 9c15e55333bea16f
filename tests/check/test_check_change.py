"""What a change since the baseline is made of, and what is said of its temperature (invented figures)."""

from __future__ import annotations

from dataclasses import replace
from math import nan
from typing import Any

import numpy as np
import pytest

from benchpipe.blocks.cyclic.plan import TemperatureConfig
from benchpipe.check import change
from benchpipe.check.change import change_figure
from benchpipe.check.figure import SCATTER, JudgedFigure
from benchpipe.check.measures import our_measures
from benchpipe.config.model import Quantity
from benchpipe.kernels.temperature_change import TemperatureChange
from benchpipe.kernels.window_noise import BlockNoise, change_u, fit_block_noise, window_u
from tests.benchmarks.verdicts import BLOCK, CYCLES, RIG, Drawn, window

RNG = np.random.default_rng(7)
HISTORY = 40.0 + RNG.standard_normal(CYCLES)
CHANGED = TemperatureChange(
    -0.012, 0.004, 20.0, -0.05, -0.038, 0.003, -0.0047, 0.0004, 18.0, 27.0, 5.0, 600.0, "run", True, "it was learnt"
)


class Asked(Drawn):
    """Noise of the column that is asked for, and a history with a temperature."""

    def __init__(self, noise: BlockNoise, column: str, temperature: np.ndarray | None = None) -> None:
        super().__init__(noise)
        self.column, self.temperature = column, temperature

    def of(self, block: str, column: str, size: int) -> BlockNoise:
        assert (block, column) == ("b", self.column)
        return self.noise

    def history(self, block: str, column: str, last: int) -> tuple[np.ndarray, ...]:
        assert (block, column) == ("b", self.column)
        number = np.arange(1, last + 1)
        temperature = np.full(last, nan) if self.temperature is None else self.temperature[:last]
        return number.astype(float), HISTORY[:last], temperature, number


def figure(
    *, base: int = 300, measure: str = "energy_j", temperature: np.ndarray | None = None, rig: Any = RIG,
    block: Any = BLOCK,
) -> JudgedFigure:  # fmt: skip
    noises: Any = Asked(fit_block_noise(HISTORY), measure, temperature)
    first, second = window(HISTORY[:base], 0), window(HISTORY[-500:], CYCLES - 500)
    return change_figure(our_measures()[measure], rig, block, first, second, noises)


def test_without_a_temperature_the_scatter_is_that_of_both_windows() -> None:
    found = figure()
    now, start = np.median(HISTORY[-500:]), np.median(HISTORY[:300])
    one = change_u(fit_block_noise(HISTORY), 0, 300, CYCLES - 500, 500, "median", start, now)
    scatter = found.budget.parts[0]
    assert found.value == pytest.approx(now / start - 1.0)
    assert (scatter.name, scatter.u, scatter.dof, scatter.kind) == (SCATTER, one.u, one.dof, "A")
    assert scatter.note == "baseline 300, window 500"
    assert scatter.u == pytest.approx((np.pi / 2 * (1 / 300 + 1 / 500)) ** 0.5 / 40.0, rel=0.15)
    assert (found.few, found.doubt) == (False, "")
    assert found.note == "temperature was not taken out: no channel of it is logged"


@pytest.mark.parametrize(("size", "few"), [(4, True), (5, False)])
def test_a_baseline_of_few_cycles_is_few(size: int, few: bool) -> None:
    assert figure(base=size).few is few


def test_a_swing_that_the_plan_states_is_in_the_budget() -> None:
    # 8 K of swing at 0.5 % a kelvin: a rectangle of 4 % to either side.
    stated = TemperatureConfig.model_validate(
        {"measure": "energy_j", "per_kelvin": -0.005, "uncertainty": 0.001, "swing": Quantity(8.0, "temperature")}
    )
    part = figure(block=BLOCK.model_copy(update={"temperature": (stated,)})).budget.parts[-1]
    assert (part.name, part.note) == ("temperature, not logged", "swing and per_kelvin of the plan")
    assert part.u == pytest.approx(0.04 / 3**0.5)


def changed(found: TemperatureChange, sizes: tuple[int, int] = (300, 500)) -> JudgedFigure:
    base, values = (window(HISTORY[:size], 0) for size in sizes)
    return change._of_temperature(found, -0.05, (), base, values)


def test_a_change_at_the_baselines_temperature_says_what_was_taken_off() -> None:
    found = changed(CHANGED)
    (part,) = found.budget.parts
    assert (found.value, found.raw, found.correction, found.correction_u) == (-0.012, -0.05, -0.038, 0.003)
    assert (part.name, part.u, part.dof) == ("scatter of the values, and temperature", 0.004, 20.0)
    assert (part.kind, part.note) == ("A", "baseline 300, window 500")
    assert found.note == "temperature took -3.80% +- 0.60% off, at -0.47%/K +- 0.08% (run)"
    assert (found.few, changed(CHANGED, (300, 3)).few, changed(CHANGED, (3, 300)).few) == (False, True, True)
    plain = changed(replace(CHANGED, source="none", why="20 °C on both sides"))
    assert (plain.note, plain.budget.parts[0].name) == ("20 degC on both sides", SCATTER)


def test_a_change_that_may_be_warmth_is_in_doubt_and_says_so() -> None:
    found = changed(replace(CHANGED, decided=False, why="the temperature did not go there and back (°C)"))
    (part,) = found.budget.parts
    assert found.doubt == part.note == "the temperature did not go there and back (degC)"
    assert (found.value, np.isnan(part.u), part.name) == (-0.05, True, SCATTER)


def test_the_windows_are_found_by_their_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: dict[str, Any] = {}

    def kept(*given: Any, **named: Any) -> TemperatureChange:
        asked.update(named, base=given[3], window=given[4])
        return CHANGED

    monkeypatch.setattr(change, "change_at_temperature", kept)
    rig = RIG.model_copy(update={"temperature": "t"})
    stated = TemperatureConfig.model_validate({"measure": "energy_j", "per_kelvin": -0.005, "uncertainty": 0.001})
    block = BLOCK.model_copy(update={"temperature": (stated,)})
    warm = np.full(CYCLES, 20.0)
    found = figure(rig=rig, block=block, temperature=warm)
    assert (asked["base"], asked["window"]) == ((0, 299), (CYCLES - 500, CYCLES - 1))
    assert (asked["plan_coefficient"], asked["plan_coefficient_u"]) == (-0.005, 0.0005)
    # The change is that of the windows' medians, with the steps that were kept out of the regression.
    plain = np.median(HISTORY[-500:]) / np.median(HISTORY[:300]) - 1.0
    assert (found.raw, found.value) == (pytest.approx(plain), pytest.approx(-0.012 + plain + 0.05))
    assert figure(rig=rig, block=block).note == "temperature was not taken out: no channel of it is logged"


def test_a_baseline_near_zero_is_checked_by_drawing(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Any] = []
    monkeypatch.setattr(change, "propagate", lambda model, inputs: drawn.append((model(3.0, 2.0), inputs)) or "made")
    monkeypatch.setattr(change, "larger_of", lambda budget, made, few: (budget, made, few)[0])
    figure()
    assert drawn == []  # its uncertainty is less than 2 % of it
    near = HISTORY - 40.0 + 0.5
    noises: Any = Asked(fit_block_noise(near), "energy_j")
    first, second = window(near[:30], 0), window(near[-500:], CYCLES - 500)
    change_figure(our_measures()["energy_j"], RIG, BLOCK, first, second, noises)
    ((ratio, (above, below)),) = drawn
    assert ratio == 0.5
    assert (above.value, below.value) == (np.median(near[-500:]), np.median(near[:30]))
    assert below.u > above.u > 0.0
    of_baseline = window_u(fit_block_noise(near), 30, "median")
    assert (below.u, below.dof) == (of_baseline.u, of_baseline.dof)
