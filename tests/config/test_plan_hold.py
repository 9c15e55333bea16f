"""What a hold block may say of its joint."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from benchpipe.blocks.hold.plan import HoldBlock
from benchpipe.config.model import FROM_FILE

HOLD = {"name": "held", "kind": "hold", "load": "60 N*m"}


def block(**keys: str) -> HoldBlock:
    return HoldBlock.model_validate(HOLD | keys, context=FROM_FILE)


def test_stiffness_and_motion_per_kelvin_are_read_in_inside_units() -> None:
    found = block(stiffness="18 N*m/deg", motion_per_kelvin="0.004 deg")
    assert found.stiffness is not None
    assert found.motion_per_kelvin is not None
    assert (found.stiffness.value, found.motion_per_kelvin.value) == (18.0, 0.004)
    assert block().stiffness is None


@pytest.mark.parametrize(
    ("stiffness", "why"),
    [("110 N/mm", "stiffness is a stiffness \\(linear\\), the load is a torque"), ("0 N*m/deg", "above zero")],
)
def test_a_stiffness_that_does_not_fit_the_load_is_refused(stiffness: str, why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        block(stiffness=stiffness)
