"""What a kind of block is: all that plans, processing, limits and views ask of it.

A kind is one folder of :mod:`benchpipe.blocks` (or of another package, see :mod:`benchpipe.blocks.registry`): its
section of the plan, its tables, its measuring, its judged measures, its view. Reading a plan loads the first two alone;
the functions of a kind import the rest when they are called. A kind never imports another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchpipe.columns import Column
from benchpipe.config.block import BlockConfig
from benchpipe.config.rig import RigConfig

if TYPE_CHECKING:
    from benchpipe.blocks.block import BlockTask, Found
    from benchpipe.blocks.charts import BlockCharts, ChartTask
    from benchpipe.blocks.figures import BlockView
    from benchpipe.blocks.measures import Measure
    from benchpipe.blocks.run_tables import RunTables
    from benchpipe.blocks.state import BlockState
    from benchpipe.store.manifest import Manifest
    from benchpipe.store.run_store import RunStore


@dataclass(frozen=True)
class Events:
    """What is numbered in a block: a row of a table each, with a beginning and a length.

    Attributes
    ----------
    table : str
        With the columns ``block``, ``start_us``, ``number`` and ``length``.
    number : str
        Column that numbers them in a block, and what one is called: ``hold``.
    length : str
        Column of their length [s].
    plural : str
        What they are called on a screen: ``stance windows``.
    in_order : bool
        They take place one after another, and say when the block took place. Lock changes lie in other blocks' time.
    """

    table: str
    number: str
    plural: str
    length: str = "duration_s"
    in_order: bool = True


@dataclass(frozen=True)
class Misfit:
    """Why a block cannot be worked on with a rig: its key, what is wrong, and what to do or what is expected."""

    key: str
    what: str
    do_next: str | None = None
    expected: str | None = None


def _fits(block: Any, rig: RigConfig) -> Iterator[Misfit]:
    yield from ()


def _plain() -> type[BlockState]:
    from benchpipe.blocks.state import BlockState

    return BlockState


def _none() -> tuple[Measure, ...]:
    return ()


def _no_charts(task: ChartTask) -> BlockCharts:
    from benchpipe.blocks.charts import BlockCharts

    return BlockCharts()


def _all_there(kind: BlockKind, block: Any, manifest: Manifest, store: RunStore) -> bool:
    """Whether there are as many events as the plan asks for; without a number, never."""
    asked = kind.asked(block)
    if kind.events is None or asked is None:
        return False
    return sum(part.rows for part in manifest.block_parts(block.name, kind.events.table)) >= asked


def rows_done(events: Events, tables: RunTables, block: str) -> int:
    """How many events of a block are in the tables."""
    return int(tables.block(events.table, block).num_rows)


@dataclass(frozen=True)
class BlockKind:
    """A kind of block.

    Attributes
    ----------
    name : str
        Its ``kind`` in a plan.
    config : type
        Model of its section of the plan, with a field ``kind: Literal[name]``.
    tables : mapping
        Columns of its tables, by name.
    measure : callable
        Makes the tables of a block from its samples.
    view : callable
        What is shown of a block, from its tables: the block, the run's units, manifest and store.
    state : callable
        Model of what is kept of a block for the next night: :class:`benchpipe.blocks.state.BlockState`, or one derived
        from it by a kind that goes on from there.
    measures : callable
        What a limit can be set on.
    events : Events or None
        What is numbered in it; None where nothing is.
    planned : str or None
        Key of the plan that says how many events there are to be.
    done : callable
        How many events of a block are in the tables.
    over : callable
        Whether a block has all that the plan asks of it.
    fits : callable
        What keeps a block from being worked on with a rig.
    charts : callable
        What is drawn of it.
    after_pauses : bool
        Its figures depend on the pauses of the log's clock between its events.
    """

    name: str
    config: type[BlockConfig]
    tables: Mapping[str, Sequence[Column]]
    measure: Callable[[BlockTask[Any, Any]], Found]
    view: Callable[[Any, dict[str, str], Manifest, RunStore], BlockView]
    state: Callable[[], type[BlockState]] = _plain
    measures: Callable[[], tuple[Measure, ...]] = _none
    events: Events | None = None
    planned: str | None = None
    done: Callable[[Events, RunTables, str], int] = rows_done
    over: Callable[[BlockKind, Any, Manifest, RunStore], bool] = _all_there
    fits: Callable[[Any, RigConfig], Iterator[Misfit]] = _fits
    charts: Callable[[ChartTask], BlockCharts] = _no_charts
    after_pauses: bool = False

    def begun(self, tables: RunTables, block: str) -> bool:
        """Whether something of a block was measured that says when its time was."""
        return self.events is not None and self.events.in_order and self.done(self.events, tables, block) > 0

    def asked(self, block: BlockConfig) -> int | None:
        """How many events the plan asks for; None where it does not say."""
        return getattr(block, self.planned) if self.planned else None
