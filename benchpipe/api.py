"""What ``import benchpipe`` gives: a run of the store, read only, for notebooks and other programs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property, wraps
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

from benchpipe.config.lab_file import LAB_FILE, find_lab
from benchpipe.errors import BenchpipeError, ConfigError, nearest
from benchpipe.escapes import quoted
from benchpipe.hints import Names
from benchpipe.mirrors import store_place
from benchpipe.run import RunConfig, find_plan, load_run
from benchpipe.store.identity import must_be_there
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

if TYPE_CHECKING:
    import pyarrow as pa

    from benchpipe.views.trace import LogRows

__all__ = ["BenchpipeError", "Run", "open_run"]


def open_run(lab: str | PathLike[str] | None, run: str, *, store: str | PathLike[str] | None = None) -> Run:
    """Open what the store has of a run.

    Parameters
    ----------
    lab : path or None
        A lab file or its folder; None looks for one here and in the folders above.
    run : str
        Name of a run of the lab, or path of a plan file.
    store : path, optional
        Another store than the lab's.

    Raises
    ------
    ConfigError
        The run is not known, a file of it is wrong, or the store has nothing of it.
    StoreError
        The store is not the one that the lab has seen there, or is damaged.
    """
    lab_path = None if lab is None else Path(lab).absolute()
    if lab_path is not None and lab_path.is_dir():
        lab_path = lab_path / LAB_FILE
    names = _names(run, lab_path, store)
    try:
        return _opened(run, lab_path, store, names)
    except BenchpipeError as error:
        names.fill(error)
        raise


def _opened(run: str, lab_path: Path | None, store: str | PathLike[str] | None, names: Names) -> Run:
    config = load_run(find_plan(run, lab_path), _store(store))
    lab_path = lab_path or find_lab(config.plan_path.parent)
    if lab_path is not None:
        must_be_there(lab_path, config.store)
    kept = config.open_store()
    kept.storage.forget(config.name)
    manifest = kept.manifest()
    if not manifest.sources:
        raise ConfigError(
            f"nothing of run '{config.name}' is in the store yet",
            where=config.store,
            do_next="run a night first: benchpipe nightly LAB",
        )
    return Run(config, kept, manifest, names)


def _names(run: str, lab: Path | None, store: str | PathLike[str] | None) -> Names:
    """How commands in errors name the run, wherever they are pasted."""
    plan = Path(run)
    is_plan = plan.suffix == ".toml" or plan.is_file()
    lab = lab or find_lab(plan.absolute().parent if is_plan else Path.cwd())
    words = [quoted(plan.absolute() if is_plan else run)]
    words += [f"--lab {quoted(lab)}"] if lab is not None and not is_plan else []
    words += [f"--store {quoted(str(store))}"] if store is not None else []
    return Names(" ".join(words), None if lab is None or store is not None else quoted(lab))


def _store(named: str | PathLike[str] | None) -> Path | None:
    if named is None:
        return None
    try:
        return store_place(str(named)) or Path(named)
    except ValueError as error:
        raise ConfigError(str(error), where="store") from None


Method = TypeVar("Method", bound=Callable[..., Any])


def _filled(method: Method) -> Method:
    """The method, with errors whose commands name the run."""

    @wraps(method)
    def named(self: Run, *args: Any, **given: Any) -> Any:
        try:
            return method(self, *args, **given)
        except BenchpipeError as error:
            self.names.fill(error)
            raise

    return cast("Method", named)


@dataclass(frozen=True, repr=False)
class Run:
    """One run as it was when it was opened. Nothing here writes.

    Attributes
    ----------
    config : RunConfig
        Plan, rig and limits as the files say today.
    store : RunStore
    manifest : Manifest
        What the store had of the run.
    names : Names
        How commands in errors name it.
    """

    config: RunConfig
    store: RunStore
    manifest: Manifest
    names: Names = field(default_factory=Names, compare=False)

    def __repr__(self) -> str:
        """In a line: the run, how much of it there is, and where."""
        logs, tables = len(self.manifest.sources), len(self.tables)
        return f"<benchpipe.Run {self.name!r}: {logs} log(s), {tables} tables, in {str(self.config.store)!r}>"

    @property
    def name(self) -> str:
        """The run's name."""
        return self.config.name

    @cached_property
    def attrs(self) -> dict[str, Any]:
        """Specimen, rig, note, units of load and motion, and the plan as it is filled in."""
        from benchpipe.samples.signals import signal_units

        plan = self.config.plan
        return {
            "run": self.name, "specimen": plan.specimen, "rig": self.config.rig.name, "note": plan.note,
            "units": signal_units(self.config.rig), "plan": plan.model_dump(mode="json"),
        }  # fmt: skip

    @property
    def tables(self) -> tuple[str, ...]:
        """Names of the tables that have rows."""
        from benchpipe.tables import TABLES

        return tuple(name for name in TABLES if name == "remarks" or self.manifest.table(name))

    @property
    def verdicts(self) -> pa.Table:
        """The verdicts table."""
        return self.table("verdicts")

    @_filled
    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        block: str | None = None,
        between: tuple[int, int] | None = None,
        *,
        iso: bool = False,
    ) -> pa.Table:
        """Read a table.

        Parameters
        ----------
        name : str
            Such as ``cycles``; see ``tables``.
        columns : sequence of str, optional
            All where not given.
        block : str, optional
            Rows of this block alone: of samples those of its logs and its mode, of remarks those on it.
        between : (int, int), optional
            First and last number: of cycles in the table of cycles, of holds in that of holds …
        iso : bool
            Times as timestamps, by the rig's clock: ``start_us`` [us] becomes ``start``.

        Returns
        -------
        pyarrow.Table
            Each field's metadata has its unit and meaning; ``flags`` are names, joined by ``|``. It has
            ``__arrow_c_stream__``: Polars and DuckDB take it; for pandas: ``to_pandas()``.

        Raises
        ------
        ConfigError
            There is no such table, column or block, its rows are of no block, nothing in it is numbered, a choice is
            no two whole numbers, or its times are no dates.
        """
        import pyarrow as pa
        import pyarrow.compute as pc

        from benchpipe.columns import schema_of
        from benchpipe.samples.signals import signal_units
        from benchpipe.views.chosen_rows import block_column, first_and_last, of_one_block
        from benchpipe.views.export import table_pieces

        tables = self.store.tables
        if name not in tables:
            raise ConfigError(f"there is no table '{name}'", expected=nearest(name, list(tables)))
        there = schema_of(tables[name], signal_units(self.config.rig))
        number = next((what for what in self._events if what in there.names), "")
        if between is not None and number not in there.names:
            raise ConfigError(f"nothing in the table '{name}' has a number", do_next="leave out between")
        first, last = (0, 0) if between is None else first_and_last(between)
        if isinstance(columns, str):
            raise ConfigError(
                f"columns is a text: '{columns}'", expected="a list of names", do_next=f"write it so: ['{columns}']"
            )
        of_block = block_column(name, tables, self.tables) if block is not None else None
        chosen = self._block(block) if block is not None else None
        wanted = list(columns) if columns is not None else None
        for column in wanted or () if name != "samples" else ():
            if column not in there.names:
                raise ConfigError(f"'{name}' has no column '{column}'", expected=nearest(str(column), there.names))
        also = filter(None, [of_block, number if between is not None else None])
        needed = None if wanted is None else list(dict.fromkeys([*wanted, *also]))
        rows = pa.concat_tables(
            table_pieces(self.config, self.store, self.manifest, name, needed, block=chosen, iso=iso)
        )
        if of_block is not None:
            rows = of_one_block(rows, of_block, block or "")
        if between is not None:
            at = rows.column(number)
            rows = rows.filter(pc.and_(pc.greater_equal(at, first), pc.less_equal(at, last)))
        if wanted is None:
            return rows
        return rows.select([name.removesuffix("_us") if iso else name for name in wanted])

    @_filled
    def samples(self, block: str | None = None, **number: int) -> pa.Table:
        """Load and motion as they were processed: zeros off, in the run's units, through the rig's geometry.

        Parameters
        ----------
        block : str, optional
            Not needed where the plan has one block, or one of the kind that is numbered.
        **number : int
            One of ``cycle``, ``hold``, ``sweep``, ``stance``, ``proof`` and ``lock_change``: samples of this one
            alone; else all of the block.

        Returns
        -------
        pyarrow.Table
            ``time_us`` on the run's axis, ``load``, ``motion``, and ``temperature_c`` and ``counter`` where logged.

        Raises
        ------
        ConfigError
            There is no such block or number, or the samples were dropped.
        """
        import pyarrow as pa

        from benchpipe.samples.inputs import sample_inputs
        from benchpipe.samples.signals import block_signals, signal_units
        from benchpipe.views.trace import span_of

        what, at = self._one(number)
        chosen = self._block(block, what)
        if self.manifest.closed:
            raise ConfigError(
                f"the samples of run '{self.name}' were dropped", do_next="read the tables, which are still there"
            )
        start = until = None
        if what is not None:
            start, until, _ = span_of(self.config, self.store, self.manifest, chosen.name, what, at)
        units = signal_units(self.config.rig)
        named = {"load": units["load"], "motion": units["motion"], "temperature_c": "degC", "counter": "1"}
        fields = [pa.field("time_us", pa.int64(), metadata={"unit": "us"})]
        fields += [pa.field(name, pa.float32(), metadata={"unit": unit}) for name, unit in named.items()]
        has = {"temperature_c": self.config.rig.temperature, "counter": self.config.rig.counter}
        schema = pa.schema([field for field in fields if has.get(field.name, True)])
        inputs = sample_inputs(self.manifest, chosen.files)
        pieces = [
            pa.Table.from_arrays([pa.array(_array(signals, name), schema.field(name).type) for name in schema.names],
                                 schema=schema)
            for signals in block_signals(self.store, inputs, self.config.rig, chosen, start, until)
        ]  # fmt: skip
        return pa.concat_tables([schema.empty_table(), *pieces])

    @_filled
    def loop(self, block: str, cycle: int) -> pa.Table:
        """Load and motion of one cycle: from the samples, or as they were kept once these were dropped.

        Raises
        ------
        ConfigError
            There is no such block or cycle, or its samples were dropped and its loop was not kept.
        """
        if not self.manifest.closed:
            return self.samples(block, cycle=cycle).select(["time_us", "load", "motion"])
        columns = ["cycle", "time_us", "load", "motion"]
        both = ("loops", "kept_loops")
        kept, more = (self.table(name, columns, block=block, between=(cycle, cycle)) for name in both)
        kept = kept if kept.num_rows else more
        if kept.num_rows == 0:
            every = (self.table(name, ["cycle"], block=block).column("cycle").to_pylist() for name in both)
            numbers = sorted({number for some in every for number in some})
            raise ConfigError(
                f"the samples were dropped, and the loop of cycle {cycle} was not kept",
                expected=f"one of {', '.join(map(str, numbers))}" if numbers else f"none: no loop of '{block}' was",
            )
        return kept.select(["time_us", "load", "motion"])

    @_filled
    def trace(self, block: str, **number: int) -> list[LogRows]:
        """Which rows of which log a cycle, hold, sweep, stance window, proof or lock change comes from.

        Raises
        ------
        ConfigError
            There is no such block or number.
        """
        from benchpipe.views.trace import traced

        what, at = self._one(number)
        if what is None:
            raise ConfigError("say of what, such as cycle=12")
        return list(traced(self.config, self.store, self.manifest, block, what, at).logs)

    @property
    def _events(self) -> dict[str, Any]:
        from benchpipe.process.origins import events_of

        return events_of(self.config)

    def _one(self, number: dict[str, int]) -> tuple[str | None, int]:
        from benchpipe.views.chosen_rows import whole_number

        for what in number:
            if what not in self._events:
                known = ", ".join(self._events)
                expected = f"one of {known}" if known else "none: no block of the plan counts anything"
                raise ConfigError(f"nothing is numbered by '{what}'", expected=expected)
        if len(number) > 1:
            raise ConfigError(f"give one of {', '.join(number)}")
        return next(((what, whole_number(what, value)) for what, value in number.items()), (None, 0))

    def _block(self, name: str | None, what: str | None = None) -> Any:
        """The block that is meant.

        Raises
        ------
        ConfigError
            There is none, or more than one it could be.
        """
        blocks = {b.name: b for b in self.config.plan.block}
        if name is not None:
            if name not in blocks:
                raise ConfigError(f"the plan has no block '{name}'", expected=nearest(str(name), list(blocks)))
            return blocks[name]
        if what is not None:
            having = set(self.table(self._events[what].table, ["block"]).column("block").to_pylist())
            blocks = {n: b for n, b in blocks.items() if n in having}
        if len(blocks) != 1:
            raise ConfigError("say of which block", expected=f"one of {', '.join(blocks) or 'none'}")
        return next(iter(blocks.values()))


def _array(signals: Any, name: str) -> Any:
    return getattr(signals, "temperature" if name == "temperature_c" else name)
