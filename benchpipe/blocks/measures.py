"""Definition of a judged measure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["cyclic", "hold", "relaxation", "sweep", "stance", "proof", "locking", "run"]


@dataclass(frozen=True)
class Measure:
    """One measure.

    Attributes
    ----------
    columns : tuple of str
        Columns it is made of: the value, or the largest of several.
    unit : str
        As in :mod:`benchpipe.tables`.
    sampling : str
        How finite sampling touches it: ``"peak"``, ``"energy"``, ``"secant"`` or not at all.
    u_column : str, optional
        Column of the value's own standard uncertainty.
    absolute : bool
        Judged by its size: a lock that creeps the other way creeps all the same.
    zero_times : float
        How often an error of its channel's zero enters.
    extreme : bool
        The largest or smallest sample of a cycle: an incomplete cycle has it too.
    range : bool
        The difference of two samples.
    dof_column : str, optional
        Column of the degrees of freedom of the value's own uncertainty.
    one_sample : bool
        A single sample inside a hold, sweep, window or proof can make it: one row that is lost may hide it. Other
        figures are made of many samples; they hide nothing while no more than a small share of them is lost.
    bound : bool
        It bounds a figure already: its uncertainty is in it.
    own_parts : tuple of pairs
        Columns of parts that are in the value's own uncertainty, and what they come from.
    """

    name: str
    kind: Kind
    table: str
    columns: tuple[str, ...]
    unit: str
    load_power: int
    motion_power: int
    meaning: str
    sampling: Literal["peak", "energy", "secant", ""] = ""
    u_column: str | None = None
    absolute: bool = False
    zero_times: float = 1.0
    extreme: bool = False
    range: bool = False
    dof_column: str | None = None
    one_sample: bool = False
    bound: bool = False
    own_parts: tuple[tuple[str, str], ...] = ()
