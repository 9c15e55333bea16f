"""Now by a rig's clock."""

from __future__ import annotations

from datetime import UTC, datetime

IN_UTC = ("%z", "%:z", "%#z", "%s")  # parts of a time format that tell its distance from UTC


def tells_zone(time_format: str | None) -> bool:
    """Whether times that are written so tell their distance from UTC."""
    return any(part in (time_format or "") for part in IN_UTC)


def now_us(now: datetime, *, utc: bool) -> int:
    """Now [us] as UTC, or as local time is written in a log that tells no zone."""
    return in_us(now.astimezone(UTC) if utc else wall(now))


def wall(now: datetime) -> datetime:
    """Local time as if it were UTC: the times of logs that tell no zone are read so too."""
    return now.astimezone().replace(tzinfo=UTC)


def in_us(time: datetime) -> int:
    """A time in microseconds since 1970."""
    return round(1e6 * time.timestamp())
