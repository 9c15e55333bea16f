"""What the last night said is kept whole, and damage to it is told."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from benchpipe.errors import StoreError
from benchpipe.store.notes import SAID, read_said, write_said

SAYS = {
    ("wearing", "limit-fail", "drift: stiffness (b)"): datetime(2026, 11, 25, 2, tzinfo=UTC),
    ("Ä", "gap", "logs/1.csv"): datetime(2026, 3, 1, 1, 30, tzinfo=timezone(timedelta(hours=2))),
}


def test_what_was_said_is_read_back(tmp_path: Path) -> None:
    assert read_said(tmp_path) == {}
    write_said(tmp_path, SAYS)
    assert read_said(tmp_path) == SAYS


def test_nothing_is_written_where_nothing_changed(tmp_path: Path) -> None:
    write_said(tmp_path, SAYS)
    before = (tmp_path / SAID).stat()
    write_said(tmp_path, dict(reversed(SAYS.items())))
    after = (tmp_path / SAID).stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)


@pytest.mark.parametrize(
    "text",
    [
        "", "{", "[]", '{"version": 2, "alarms": []}', '{"version": 1, "alarms": [{"run": "x"}]}',
        '{"version": 1, "alarms": [{"run": "x", "code": "y", "where": "", "since": "2026-11-25T02:00:00"}]}',
        '{"version": 1, "alarms": [{"run": "x", "code": "y", "where": "", "since": "soon"}]}',
    ],
)  # fmt: skip
def test_damage_is_told(tmp_path: Path, text: str) -> None:
    (tmp_path / SAID).parent.mkdir()
    (tmp_path / SAID).write_text(text)
    with pytest.raises(StoreError, match="what the last night said cannot be read"):
        read_said(tmp_path)
