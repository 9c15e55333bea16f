"""Questions for everything that the findings leave open, each at the line of the rig file that it concerns."""

from __future__ import annotations

from datetime import date
from types import MappingProxyType
from typing import Any

import numpy as np

from benchpipe.inspect.findings import ChannelFinding, ColumnKey, LogSample, Outline, Question
from benchpipe.inspect.roles import LOAD_NAMES, MOTION_NAMES, hinted_channels

UNITS = MappingProxyType({"load": ("N*m", "N"), "motion": ("deg", "rad", "mm")})
MOST_SENTINELS = 4  # shown; more of them are damage, not a sentinel
AGAINST = -0.5  # correlation of load and motion below which their signs are asked


def of_choices(outline: Outline) -> list[Question]:
    """What the logs' dialect leaves open."""
    questions = []
    for name, choice in outline.choices.items():
        if not choice.is_open:
            continue
        if name == "numbers":
            for key in ("decimal", "thousands"):
                values = list(dict.fromkeys(getattr(form, key) for form in choice.values))
                if len(values) > 1:
                    questions.append(Question(f"log.{key}", choice.ask, tuple(f'"{value}"' for value in values)))
            continue
        key = "time.format" if name == "date" else f"log.{name}"
        questions.append(Question(key, choice.ask, tuple(as_toml(value) for value in choice.values)))
    return questions


def of_channels(channels: list[ChannelFinding], roles: dict[str, str]) -> list[Question]:
    """Units that a load or a motion needs, and numbers that may stand for no value."""
    asked: dict[str, set[str]] = {}
    for axis, pattern in (("load", LOAD_NAMES), ("motion", MOTION_NAMES)):
        plain = [c.name for c in channels if c.unit in (None, "1")]
        named = [roles[axis]] if axis in roles else hinted_channels(channels, pattern, []) or plain
        for name in named:
            if name in plain:
                asked.setdefault(name, set()).add(axis)
    questions = []
    for channel in channels:
        where = f"channel.{channel.name}"
        axes = asked.get(channel.name)
        if axes:
            said = f"'{channel.said}' is no unit known here" if channel.said else "the log gives no unit"
            units = [unit for axis in ("load", "motion") if axis in axes for unit in _fitting(axis, channels, roles)]
            ask = f"{said}, and this could be the {' or the '.join(sorted(axes))}"
            questions.append(Question(f"{where}.unit", ask, tuple(f'"{unit}"' for unit in [*units, "1"])))
        if channel.sentinels:
            texts = [f"{value:.10g}" for value in channel.sentinels[:MOST_SENTINELS]]
            ask = f"does {', '.join(texts)} stand for no value? It is far from all other numbers"
            questions.append(Question(f"{where}.missing", ask, (as_toml(texts), "[]")))
    return questions


def _fitting(axis: str, channels: list[ChannelFinding], roles: dict[str, str]) -> tuple[str, ...]:
    """Units of an axis, first the one that goes with the other axis: torque with angle, force with length."""
    other = roles.get("motion" if axis == "load" else "load")
    quantity = next((c.quantity for c in channels if c.name == other), None)
    units = UNITS[axis]
    return units[::-1] if quantity in ("length", "force") else units


def of_signs(samples: list[LogSample], load: ColumnKey | None, motion: ColumnKey | None) -> list[Question]:
    """Load and motion that go against one another: one of them may have the other sign."""
    if load is None or motion is None:
        return []
    pieces = [p for s in samples for p in s.pieces]
    pairs = np.concatenate([np.stack([p.values[load], p.values[motion]]) for p in pieces], axis=1)
    pairs = pairs[:, np.isfinite(pairs).all(axis=0)]
    if pairs.shape[1] < 3 or not (pairs.std(axis=1) > 0).all():
        return []
    correlation = float(np.corrcoef(pairs)[0, 1])
    if correlation > AGAINST:
        return []
    ask = f"the motion falls while the load rises (correlation {correlation:.2f}): turn it round?"
    return [Question("motion.sign", ask, ("-1", "1"))]


def as_toml(value: Any) -> str:
    """A value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float | date):
        return str(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(as_toml(v) for v in value) + "]"
    escaped = str(value).replace("\\", "\\\\").replace('"', '\\"').replace("\t", "\\t")
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
