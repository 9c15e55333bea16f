"""A study file drafted from runs, with the questions that only a person can answer."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from benchpipe.blocks.registry import kind_of
from benchpipe.errors import ConfigError
from benchpipe.run import RunConfig

HEAD = """\
# A study: which variant, and by how much. Drafted from {count} run(s); every "?" is a question to answer first.

# Name of the study, for people.
name = "{name}"
# difference, equivalence, ranking or life. State it before the test, not after looking at the results.
question = "difference"
# QUESTION: which variants are compared?
# Write a list such as ["A", "B"].
variants = "?"
# QUESTION: which of them is the reference?
reference = "?"
# The difference that matters. 7.7 %: just noticeable difference of ankle stiffness (Shepherd et al. 2018, J. NeuroEng.
# Rehabil. 15, abstract); replace it by the lab's own.
margin = "7.7 %"
# The family of comparisons: dunnett (each against the reference), tukey (all pairs), holm (a few), single (one).
family = "{family}"
# Of all intervals of the family together.
confidence = "95 %"
# Blocking factor: specimen (pairs), rig, day, operator, bumper_set, none; empty: chosen by the design.
block = ""
"""
MEASURE = """
[[measure]]
# what is compared: a measure of the limits (benchpipe guide measures)
name = "{name}"
# block of the plans, or a kind of block
block = "{block}"
# baseline, after (with cycles = N) or last: the same stage of every run
stage = "last"
# cycles that are averaged
window = 100
# ratio (logarithms: stiffness, loss, life) or difference (with its own margin, in the measure's unit)
scale = "ratio"
# for a ranking: higher or lower
# better = "higher"
"""
RUN = """
[[run]]
# plan file, relative to this file
plan = "{plan}"
# QUESTION: which variant is it?
variant = "?"
# the specimen is the unit: runs of one specimen are repeats of it, or its pair under another variant
specimen = "{specimen}"
# rig, day, operator, order of the test on this specimen (1, 2, …), bumper set: what could be confounded
rig = "{rig}"
day = ""
operator = ""
# order = 1
bumper_set = ""
# an unfinished or failing run is left out, unless: include = ["unfinished", "failing"]
# for the question life: failed = true or false (a run-out), and cycles = N where it is not all that it did
"""
USUAL = ("secant_stiffness", "energy_j")


def draft_study(runs: Sequence[RunConfig], folder: Path, name: str = "study") -> str:
    """Text of a study file.

    Parameters
    ----------
    runs : sequence of RunConfig
    folder : Path
        Where the file will be: paths start from it.

    Raises
    ------
    ConfigError
        A run is named twice.
    """
    plans = [run.plan_path for run in runs]
    for i, path in enumerate(plans):
        if path in plans[:i]:
            raise ConfigError(f"the plan is named twice: {path}", do_next="name each run once")
    shared = [
        block.name for block in runs[0].plan.block
        if _has_usual(block.kind) and all(any(block.name == b.name for b in run.plan.block) for run in runs)
    ]  # fmt: skip
    text = HEAD.format(count=len(runs), name=_quoted(name), family="dunnett" if len(runs) > 2 else "single")
    for measure in USUAL:
        text += MEASURE.format(name=measure, block=_quoted(shared[0] if shared else "cyclic"))
    for run in runs:
        plan = Path(os.path.relpath(run.plan_path, folder.absolute())).as_posix()
        text += RUN.format(plan=_quoted(plan), specimen=_quoted(run.plan.specimen), rig=_quoted(run.rig.name))
    return text


def _has_usual(kind: str) -> bool:
    """Whether a kind of block has the measures that are compared where none was chosen."""
    return {one.name for one in kind_of(kind).measures()} >= set(USUAL)


def _quoted(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"')
