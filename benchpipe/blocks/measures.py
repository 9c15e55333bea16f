"""What a judged measure is: a row that says how its values are taken, and how errors enter them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from benchpipe.blocks.values import Asked, Values

OF_VALUES = frozenset({"median", "mean", "max", "min", "last"})
COUNTED = frozenset({"count"})


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
    extreme : str
        ``"largest"`` or ``"smallest"`` sample of a cycle: an incomplete cycle has it too.
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
    values : callable
        The values of a limit, from the tables; None of a measure of the run as a whole.
    statistics : frozenset of str
        What a limit may make of the values.
    in_window : bool
        Taken over some cycles of a block, whose noise is that of the block.
    at_time : bool
        At a time after loading (``at_time`` of the limit).
    of : str
        What else than load and motion it is made of: ``"temperature"``, or ``"phase"`` alone (a loss factor).
    phase : str
        How a delay between load and motion enters: as the ``"energy"`` or the ``"loss factor"`` of a loop; empty: not.
    tangent : bool
        A slope fitted to noisy samples of the motion.
    to_reach : bool
        A count that the plan has to reach; another one counts failures.
    every_event : bool
        One value for each event that the plan asks for.
    machine : bool
        Taken while the load moves the machine too, where the rig file states a machine stiffness.
    hangs_on : tuple of str or None
        Keys of the plan that decide it, where their values are drafted; None: all but those that choose rows.
    today : bool
        It changes from day to day.
    channels : callable, optional
        Channels that it is made of, from its block, where load and motion are not what it is made of: the values then
        say how it follows each (:attr:`benchpipe.blocks.values.Values.through`).
    """

    name: str
    kind: str
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
    extreme: Literal["largest", "smallest", ""] = ""
    range: bool = False
    dof_column: str | None = None
    one_sample: bool = False
    bound: bool = False
    own_parts: tuple[tuple[str, str], ...] = ()
    values: Callable[[Asked], Values] | None = None
    statistics: frozenset[str] = OF_VALUES
    in_window: bool = False
    at_time: bool = False
    of: Literal["", "temperature", "phase"] = ""
    phase: Literal["", "energy", "loss factor"] = ""
    tangent: bool = False
    to_reach: bool = False
    every_event: bool = True
    machine: bool = False
    hangs_on: tuple[str, ...] | None = None
    today: bool = False
    channels: Callable[[Any], tuple[str, ...]] | None = None

    @property
    def fails(self) -> bool:
        """A count of what went wrong."""
        return self.unit == "times" and not self.to_reach
