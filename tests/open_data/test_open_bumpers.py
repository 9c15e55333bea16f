"""Settings of a real ankle-foot prosthesis left out in turn, and what predicts them.

ankle_foot_loops: MIT; a research prosthetic foot on a dynamometer, nine spring settings, repository
"Decoupled-Energy-Storage-and-Release-Foot". It is a cam and a leaf spring: it tests the machinery, not rubber.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.io

from benchpipe.bumper.settings import Errors, errors_left_out, left_out_bands
from benchpipe.kernels.bumper_pair import PairShape, fit_pair
from benchpipe.kernels.loop_branches import Branches, branches_of

MACHINE_NM_PER_DEG = 218.0  # known compliance of the dynamometer
SETTINGS = [0, 10, 20, 25, 30, 33, 35, 40, 45]


@pytest.fixture(scope="module")
def loops(open_data: Path) -> list[Branches]:
    """Loops of the settings, unfiltered, the machine's own bending taken off."""
    file = scipy.io.loadmat(open_data / "ankle_foot_loops" / "loops.mat", squeeze_me=True, struct_as_record=False)
    found = []
    for setting in SETTINGS:
        record = getattr(file["DESR_N"], f"x{setting:02}")
        loop = branches_of(np.degrees(record.angleJIM) - record.torque / MACHINE_NM_PER_DEG, record.torque)
        assert loop is not None
        found.append(loop)
    return found


def test_interpolated_branches_reach_their_bars(loops: list[Branches]) -> None:
    found = errors_left_out(SETTINGS, loops)
    assert found.rms <= 0.006
    assert found.secant <= 0.007
    assert found.area <= 0.12
    assert (found.rms, found.secant, found.area) == pytest.approx((0.00541, 0.00556, 0.0978), rel=0.02)


@pytest.mark.parametrize("law", ["polynomial", "bilinear", "block"])
def test_parametric_laws_reach_their_bars(loops: list[Branches], law: str) -> None:
    def left_out(loss: str) -> Errors:
        fits = [fit_pair(loop, PairShape(law, loss)) for loop in loops]  # type: ignore[arg-type]
        model = [fit.loop(loop.low, loop.high, loop.motion.size) for fit, loop in zip(fits, loops, strict=True)]
        return errors_left_out(SETTINGS, loops, model)

    profile = left_out("profile")
    assert profile.rms <= 0.035
    assert profile.secant <= 0.02
    assert profile.rms < left_out("friction").rms  # its loss changes along the way, which friction does not


def test_bands_hold_at_least_six_of_the_seven_interior_curves(loops: list[Branches]) -> None:
    found = left_out_bands(SETTINGS, loops, 0.9)
    assert sum(one.whole_curve_inside for one in found) >= 6
