"""Texts that a terminal, a shell or a spreadsheet would obey, and a small lab that is full of them."""

from __future__ import annotations

import os
import re
from pathlib import Path
from unicodedata import category

from hypothesis import strategies as st

from tests.ingest.taken import HEAD, RIG

SIGNS = ["\x1b[2J", "\x1b]0;title\x07", "\x9b31m", "\u202e", "\u2066", "\n", "\r", "\t", "\x00", "\x7f", "\u2028",
         "=1+1", "+1", "-1", "@SUM(A1)", "'", '"', "$(id)", "`id`", "; id", "[red]", "[/]", "é", "脚", " "]  # fmt: skip
TEXTS = st.lists(st.sampled_from(SIGNS) | st.text("ab ", min_size=1, max_size=3), min_size=1, max_size=5).map("".join)
NAMES = TEXTS.map(lambda text: text.replace("/", "").replace("\x00", "").lstrip(".")).filter(bool)

LAB = "name = {name}\nstore = 'store'\nplans = ['plan.toml']\n[health]\nwatch = []\n"
PLAN = """name = "run"
specimen = {text}
note = {text}
rig = "rig.toml"
limits = ["limits.toml"]
logs = ["logs/*"]
[[block]]
name = "main"
kind = "cyclic"
frequency = "1 Hz"
load_min = "10 N"
load_max = "90 N"
"""
LIMITS = """name = {text}
basis = "invented"
decision = "simple"
undeclared = "accept"
[[limit]]
name = {text}
block = "main"
measure = "peak_load"
statistic = "max"
operator = "<="
value = "50 N"
source = {text}
"""


def toml(text: str) -> str:
    """A text as TOML, each letter as an escape."""
    return '"' + "".join(f"\\U{ord(letter):08x}" for letter in text) + '"'


def hostile_lab(folder: Path, text: str, log: str) -> Path:
    """Write a lab whose specimen, note, limits, a rejected line and a log's name are hostile; return the lab file."""
    (folder / "logs").mkdir(parents=True)
    (folder / "lab.toml").write_text(LAB.format(name=toml(text)))
    (folder / "rig.toml").write_text(RIG.format(log="", time='column = "t"', force=""))
    (folder / "plan.toml").write_text(PLAN.format(text=toml(text)))
    (folder / "limits.toml").write_text(LIMITS.format(text=toml(text)))
    wave = [50 + 45 * ((k % 100) / 25 - 1 if k % 100 < 50 else 3 - (k % 100) / 25) for k in range(1000)]
    rows = [f"{k / 100:.2f},{load:.1f},{load / 10:.2f}\n" for k, load in enumerate(wave)]
    rows.insert(500, f"{text},x,y\n")
    (folder / "logs" / log).write_bytes((HEAD + "".join(rows)).encode())
    return folder / "lab.toml"


def obeyed(text: str, *, coloured: bool = False) -> set[str]:
    """Letters of a terminal's text that it would obey, line breaks apart."""
    text = re.sub(r"\x1b\[[0-9;]*m", "", text) if coloured else text
    return {c for c in text if c != os.linesep[-1] and not c.isprintable() and category(c) != "Zs"}
