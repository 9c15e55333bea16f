"""Measures of every kind of block: each is made of columns of a table, in their unit."""

from __future__ import annotations

import pytest

from benchpipe.blocks.base import BlockKind
from benchpipe.blocks.registry import KINDS
from benchpipe.tables import columns

OF_ITS_OWN = {"cycles_done", "off_target", "lock_changes"}  # they count rows, or flags of them


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_a_measure_is_of_its_kind_and_in_the_unit_of_its_columns(kind: BlockKind) -> None:
    for measure in kind.measures():
        assert measure.kind == kind.name, measure.name
        known = columns(measure.table)
        own = [name for name, _ in measure.own_parts] + [measure.u_column] * bool(measure.u_column)
        units = {known[name].unit for name in own}
        if measure.name not in OF_ITS_OWN:
            units |= {known[name].unit for name in measure.columns}
        assert units <= {measure.unit}, measure.name
        assert measure.dof_column is None or known[measure.dof_column].unit == "1"
        assert measure.sampling in ("", "peak", "energy", "secant")
        assert measure.extreme in ("", "largest", "smallest")
        assert measure.of in ("", "temperature", "phase")
        assert measure.phase in ("", "energy", "loss factor")
        assert measure.meaning
        assert measure.values is not None
