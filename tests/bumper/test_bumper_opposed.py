"""Two bumpers opposed that were never measured together, by the laws fitted to each; contacts and backlash."""

from __future__ import annotations

from dataclasses import replace
from math import asin, degrees, isfinite, nan

import numpy as np
import pytest

from benchpipe.bumper.contacts import contacts_of, law_of_pairs
from benchpipe.bumper.fit import fit_loops
from benchpipe.bumper.model import BumperModel, SettingLoop
from benchpipe.bumper.opposed import predict_opposed
from benchpipe.bumper.predict import predict
from benchpipe.errors import ConfigError
from benchpipe.kernels.bumper_pair import PairShape, pair_torque
from benchpipe.kernels.loop_branches import Branches
from benchpipe.views.bumpers import model_lines, prediction_lines
from tests.bumper.invented import config

ARMS, HEIGHTS = (30.0, 28.0), (15.0, 15.0)
SETTINGS = (50.0, 60.0, 70.0, 80.0)
SHAPE = PairShape("block", arms=ARMS, heights=HEIGHTS)
MOTION = np.linspace(-8.0, 8.0, 201)


def truth(setting: float, opposed: float) -> np.ndarray:
    """Parameters of a pair: stiffness rises by 3 % a unit of setting, preload by 0.02 mm."""
    scales = [100.0 * 1.03 ** (s - 50.0) * by for s, by in ((setting, 1.0), (opposed, 0.7))]
    preloads = [0.5 + 0.02 * (s - 50.0) for s in (setting, opposed)]
    return np.array([*scales, *preloads, 0.5, 0.03])


def branches(true: np.ndarray, rng: np.random.Generator | None = None) -> Branches:
    """Its loop from -8 to 8 deg, with white noise of 0.1 N·m."""
    curves = [pair_torque(MOTION, s, true, SHAPE) for s in (1.0, -1.0)]
    return Branches(MOTION, *(c + (0.1 * rng.standard_normal(MOTION.size) if rng else 0.0) for c in curves))


def family(seed: int, gap: float | None = None, **more: object) -> BumperModel:
    """Four settings, each measured with two bumpers of its own; with a gap the other one is never pressed."""
    rng, some = np.random.default_rng(seed), []
    for s in SETTINGS:
        true = truth(s, s)
        true[3] = true[3] if gap is None else -gap
        some.append(SettingLoop(s, f"b{s:g}", 5.0, 23.0, (f"b{s:g}",), nan, branches(true, rng)))
    loops = [{"plan": f"{s:g}.toml", "block": "b", "setting": s, "specimen": "s"} for s in SETTINGS]
    arms = {"arms": [f"{v} mm" for v in ARMS], "heights": [f"{v} mm" for v in HEIGHTS]}
    return fit_loops(config(**(arms | {"loop": loops} | more)), some)


@pytest.fixture(scope="module")
def pairs() -> BumperModel:
    return family(3)


def test_a_pair_that_was_not_measured_lies_in_its_band() -> None:
    """Of 12 simulated families the nominal 90 % band holds 10 curves and stiffnesses at the least."""
    true = branches(truth(65.0, 72.0))
    inside = stiff = 0
    for seed in range(12):
        found = predict_opposed(family(seed), 65.0, 72.0)
        off = [np.abs(getattr(found.branches, n) - getattr(true, n)).max() for n in ("rising", "falling")]
        inside += max(off) <= found.band
        stiff += found.secant.low <= true.secant <= found.secant.high
    assert inside >= 10
    assert stiff >= 10


def test_it_says_that_the_pair_was_not_measured(pairs: BumperModel) -> None:
    found = predict_opposed(pairs, 65.0, 72.0, torque=20.0)
    lines = list(prediction_lines(found, pairs.setting))
    whole = " ".join(" ".join(lines).split())
    assert whole.startswith("hardness [Shore A] 65 against 72 at 5 deg/s, from b60 and b70 and b80; intervals 90 %")
    assert "by the law 'block' of each bumper" in whole
    assert found.motion_at_torque is not None
    assert found.motion_at_torque.low < found.motion_at_torque.value < found.motion_at_torque.high


def test_parameters_widen_the_interval(pairs: BumperModel) -> None:
    """With a covariance ten thousand times as large the band is wider: parameters are part of it."""
    laws = tuple(
        replace(law, fits=tuple(
            replace(fit, covariance=tuple(tuple(1e4 * v for v in row) for row in fit.covariance)) for fit in law.fits
        )) for law in pairs.laws
    )  # fmt: skip
    plain, wide = predict_opposed(pairs, 65.0, 72.0), predict_opposed(replace(pairs, laws=laws), 65.0, 72.0)
    assert wide.band > 1.5 * plain.band
    assert wide.secant.high > plain.secant.high
    assert wide.area.high > plain.area.high


def test_a_preload_is_taken_inside_those_fitted(pairs: BumperModel) -> None:
    more = predict_opposed(pairs, 65.0, 65.0, preloads=(1.0, None)).branches
    less = predict_opposed(pairs, 65.0, 65.0, preloads=(0.6, None)).branches
    assert np.interp(0.0, more.motion, more.rising) > np.interp(0.0, less.motion, less.rising) + 1.0
    with pytest.raises(ConfigError, match="a preload of 3 mm lies outside those fitted of the bumper of rising motion"):
        predict_opposed(pairs, 65.0, 65.0, preloads=(3.0, None))
    with pytest.raises(ConfigError, match="a preload of nan mm lies outside"):
        predict_opposed(pairs, 65.0, 65.0, preloads=(None, nan))


@pytest.mark.parametrize(
    ("opposed", "more", "said"),
    [
        (90.0, {}, "90 is outside those measured"),
        (nan, {}, "nan is outside those measured"),
        (70.0, {"rate": 20.0}, "20 deg/s was not measured"),
        (70.0, {"torque": 500.0}, "beyond 1.1"),
        (70.0, {"temperature": 40.0}, "outside the temperatures"),
    ],
)
def test_a_pair_outside_what_was_measured_is_refused(
    pairs: BumperModel, opposed: float, more: dict[str, float], said: str
) -> None:
    with pytest.raises(ConfigError, match=said):
        predict_opposed(pairs, 65.0, opposed, **more)  # type: ignore[arg-type]


def test_a_bumper_that_no_loop_presses_is_refused_and_with_hardness_a_prior() -> None:
    with pytest.raises(ConfigError, match="does not press the bumper of falling motion"):
        predict_opposed(family(5, gap=12.0), 65.0, 72.0)
    stated = family(5, gap=12.0, diameters=["25 mm", "25 mm"], faces="bonded", hardness=60)
    assert sum("the loop does not show its stiffness" in one for one in stated.remarks) == len(SETTINGS)
    notes = predict_opposed(stated, 65.0, 72.0).notes
    assert any("stiffness by hardness and geometry, not measured" in note for note in notes)


def test_hardness_that_disagrees_is_a_remark_and_moves_nothing(pairs: BumperModel) -> None:
    """A bonded block of 25 mm and 60 Shore A, 15 mm high: 160 N/mm; the loops say 100 to 243 and 70 to 170."""
    stated = family(3, diameters=["25 mm", "25 mm"], faces="bonded", hardness=60)
    block, plain = ([law for law in model.laws if law.law == "block"] for model in (stated, pairs))
    assert block == plain
    remarks = [one for one in stated.remarks if "by hardness and geometry" in one]
    assert [one.split(":")[0] for one in remarks] == [
        "setting 50, the bumper that rising motion presses", "setting 50, the other bumper",
        "setting 60, the other bumper", "setting 80, the bumper that rising motion presses",
    ]  # fmt: skip
    assert all("the loop counts." in one for one in remarks)
    assert "remark: setting 50, the other bumper" in "\n".join(model_lines(stated))


def test_contacts_and_backlash_are_shown(pairs: BumperModel) -> None:
    found = list(contacts_of(pairs, law_of_pairs(pairs)))
    assert [one.setting for one in found] == list(SETTINGS)
    for one in found:
        preload = 0.5 + 0.02 * (one.setting - 50.0)
        assert one.rising == pytest.approx(-degrees(asin(preload / ARMS[0])), abs=4 * one.rising_u)
        assert one.falling == pytest.approx(degrees(asin(preload / ARMS[1])), abs=4 * one.falling_u)
        assert one.backlash == 0.0
    loose = family(5, gap=3.0)
    for one in contacts_of(loose, law_of_pairs(loose)):
        assert isfinite(one.falling)
        assert one.falling == pytest.approx(-degrees(asin(3.0 / ARMS[1])), abs=4 * one.falling_u)
    assert "contact by the law 'block' [deg, ± 2 u]" in "\n".join(model_lines(pairs))


def test_plain_and_opposed_agree_where_the_pair_was_measured(pairs: BumperModel) -> None:
    plain, law = predict(pairs, 60.0), predict_opposed(pairs, 60.0, 60.0)
    assert law.secant.value == pytest.approx(plain.secant.value, rel=0.01)
    assert law.area.value == pytest.approx(plain.area.value, rel=0.05)
