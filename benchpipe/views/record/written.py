"""Plan, rig and calibrations as tables, in the words of their files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchpipe.blocks.charts import Axis, FigureTable
from benchpipe.views.page.model import Facts
from benchpipe.views.record.configuration import ConfigFile

OF_BLOCK = ("name", "kind")
OF_CHANNEL = ("name", "column", "unit", "calibration")
OF_CALIBRATION = ("certificate", "calibrated", "valid_from", "due", "uncertainty", "uncertainty_floor")
RAW = ("scale", "offset", "polynomial", "table", "degree")
KEYS = (Axis("key"), Axis("value"))


def plan_facts(files: Sequence[ConfigFile]) -> tuple[Facts, ...]:
    """The plan: what it says of the run, and a table for each block."""
    (plan,) = (one.values for one in files if one.what == "plan")
    whole = {key: value for key, value in plan.items() if key != "block"}
    blocks = [
        Facts(f"block {block['name']} ({block['kind']})", _keys({k: v for k, v in block.items() if k not in OF_BLOCK}))
        for block in plan["block"]
    ]
    return (Facts("the whole plan", _keys(whole)), *blocks)


def rig_file_facts(files: Sequence[ConfigFile]) -> tuple[Facts, ...]:
    """The rig, its channels, and each of their calibrations."""
    (rig,) = (one.values for one in files if one.what == "rig")
    channels, calibrations = [], []
    for channel in rig["channel"]:
        more = {k: v for k, v in channel.items() if k not in (*OF_CHANNEL, *OF_CALIBRATION, *RAW)}
        channels.append((channel["name"], str(channel["column"]), channel["unit"], _inline(more)))
        calibrations += list(_calibrations(channel))
    return (
        Facts("calibrations", FigureTable(tuple(map(Axis, (
            "channel", "certificate", "holds from", "due", "expanded uncertainty (k = 2)", "value of a raw number",
        ))), tuple(calibrations)), "An empty cell: the rig file does not state it."),
        Facts("channels", FigureTable(
            (Axis("channel"), Axis("column of the log"), Axis("unit"), Axis("more")), tuple(channels)
        )),
        Facts("the rig file besides its channels", _keys({k: v for k, v in rig.items() if k != "channel"})),
    )  # fmt: skip


def _calibrations(channel: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    for one in channel.get("calibration") or [channel]:
        stated = [_text(one[key]) for key in ("uncertainty", "uncertainty_floor") if key in one]
        begins = one.get("valid_from", one.get("calibrated", ""))
        raw = "; ".join(f"{key} {_text(one[key])}" for key in RAW if key in one) or "as logged"
        yield (
            channel["name"], one.get("certificate", ""), str(begins), str(one.get("due", "")),
            ", at least ".join(stated) if stated else "not stated", raw,
        )  # fmt: skip


def _keys(values: Mapping[str, Any]) -> FigureTable:
    return FigureTable(KEYS, tuple((key, _text(value)) for key, value in values.items()))


def _text(value: Any) -> str:
    """A value of a TOML file as text: lists with commas, tables with their keys."""
    if isinstance(value, dict):
        return _inline(value)
    if isinstance(value, list):
        between = "; " if any(isinstance(one, dict | list) for one in value) else ", "
        return between.join(map(_text, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _inline(values: Mapping[str, Any]) -> str:
    return ", ".join(f"{key} {_text(value)}" for key, value in values.items())
