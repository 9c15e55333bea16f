"""Measures and columns by the names that they had before."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

from benchpipe.check.measures import our_measures
from benchpipe.config.limits import LimitConfig
from benchpipe.config.renamed import BEFORE, NOW, name_now
from benchpipe.store.parts import new_part, read_part
from benchpipe.tables import TABLES


def test_each_new_name_is_there_and_each_old_one_is_gone() -> None:
    columns = {column.name for table in TABLES.values() for column in table}
    assert set(NOW.values()) <= columns | set(our_measures())
    assert not set(NOW) & (columns | set(our_measures()))
    assert {name_now(name) for name in BEFORE} == set(BEFORE)


@pytest.mark.parametrize(("before", "now"), [("closure_gap", "closure_error"), ("free_lash", "free_backlash")])
def test_a_limit_may_have_the_old_name(before: str, now: str) -> None:
    limit = {"name": "n", "block": "b", "measure": before, "operator": "<=", "value": "1 deg", "source": "s"}
    assert LimitConfig.model_validate(limit).measure == now


def test_a_part_of_an_older_version_is_read_by_the_new_names(tmp_path: Path) -> None:
    rows = pa.table({"cycle": [1, 2], "closure_gap": [0.5, 0.25], "lash": [0.1, 0.2]})
    with new_part(tmp_path, "cycles", rows.schema) as writer:
        writer.write(rows)
        part = writer.finish("0" * 64)
    assert read_part(tmp_path, part).column_names == ["cycle", "closure_error", "backlash"]
    assert read_part(tmp_path, part, ["backlash"]).to_pydict() == {"backlash": [0.1, 0.2]}
