"""The units row: what contradicts the rig file, and what cannot be read, is refused."""

from __future__ import annotations

import pytest

from benchpipe.errors import InputError
from tests.ingest.text_logs import make_rig, read_bytes

LOG = "Time,Load,Angle\ns,{},mm\n0,1,2\n0.01,1,2\n"
CHANNELS = [{"name": "load", "column": "Load", "unit": "N"}, {"name": "motion", "column": "Angle", "unit": "mm"}]


@pytest.mark.parametrize("unit", ["kgfm", "lbf\ufffdft", "Newtons"])
def test_a_unit_that_is_not_known_is_refused_and_the_key_for_it_named(unit: str) -> None:
    with pytest.raises(InputError, match="no unit we know") as told:
        read_bytes(LOG.format(unit).encode(), make_rig({"units_row": True}))
    assert f'unit_in_log = "{unit}"' in str(told.value.do_next)


def test_a_unit_text_that_the_rig_file_names_is_taken() -> None:
    channels = [CHANNELS[0] | {"unit_in_log": "Newtons"}, CHANNELS[1]]
    assert read_bytes(LOG.format("Newtons").encode(), make_rig({"units_row": True}, channel=channels)).rejects == []
    with pytest.raises(InputError, match="no unit we know"):
        read_bytes(LOG.format("Newtonz").encode(), make_rig({"units_row": True}, channel=channels))


def test_a_unit_of_the_time_may_be_named_too() -> None:
    log = LOG.replace("s,{}", "\u79d2,N").encode()
    with pytest.raises(InputError, match="no unit we know") as told:
        read_bytes(log, make_rig({"units_row": True}))
    assert 'unit_in_log = "\u79d2" to [time]' in str(told.value.do_next)
    assert read_bytes(log, make_rig({"units_row": True}, {"unit_in_log": "\u79d2"})).rejects == []


@pytest.mark.parametrize("unit", ["N", "[N]", "", "-"])
def test_a_known_unit_or_none_is_taken(unit: str) -> None:
    assert read_bytes(LOG.format(unit).encode(), make_rig({"units_row": True})).rejects == []
