"""A run: a plan with the rig and the limits that it names, checked against one another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from benchpipe.blocks.registry import KINDS, kind_of, kinds_of
from benchpipe.columns import Column
from benchpipe.config.lab import LabConfig
from benchpipe.config.lab_file import LAB_FILE, beside, find_lab, read_lab
from benchpipe.config.limits import LimitsConfig, LimitSet
from benchpipe.config.model import Quantity, load_model, together
from benchpipe.config.rig import RigConfig
from benchpipe.config.settings import SettingsFile, lab_settings
from benchpipe.config.toml import TomlFile
from benchpipe.errors import ConfigError, nearest
from benchpipe.lab_fit import KnownRun, lab_tests_fit
from benchpipe.places import apart_from_logs
from benchpipe.plan import Block, PlanConfig, load_plan
from benchpipe.units import a_quantity

if TYPE_CHECKING:
    from benchpipe.store.run_store import RunStore



@dataclass(frozen=True)
class RunConfig:
    """Everything that says how one run is read, processed and judged; ``files``: what that was read from."""

    plan_path: Path
    plan: PlanConfig
    rig_path: Path
    rig: RigConfig
    limits: tuple[LimitSet, ...]
    store: Path
    files: tuple[SettingsFile, ...] = ()

    @property
    def name(self) -> str:
        """Name of the run."""
        return self.plan.name

    @property
    def folder(self) -> Path:
        """Folder that log patterns start from."""
        return self.plan_path.parent

    @property
    def tables(self) -> dict[str, Sequence[Column]]:
        """Tables of the plan's kinds of blocks, by name."""
        kinds = kinds_of(block.kind for block in self.plan.block)
        return {name: columns for kind in kinds for name, columns in kind.tables.items()}

    def open_store(self) -> RunStore:
        """The run's tables on disk."""
        from benchpipe.store.run_store import RunStore

        return RunStore(self.store, self.name, self.tables)


def load_run(plan_path: Path, store: Path | None = None, lab: Path | None = None) -> RunConfig:
    """Read a plan file and what it names.

    Parameters
    ----------
    plan_path : Path
        The plan file.
    store : Path, optional
        Store folder; else that of the nearest ``lab.toml`` above, else ``store`` beside the plan.
    lab : Path, optional
        Lab file whose rules hold for the run; else the nearest above, if it can be read.

    Raises
    ------
    ConfigError
        A file is missing or wrong, the files contradict one another, or the store is among the raw logs.
    """
    plan, plan_file = load_plan(plan_path)
    rig_path = beside(plan_path, plan.rig)
    _must_exist(rig_path, plan_file, ("rig",))
    rig, rig_file = load_model(RigConfig, rig_path)
    limit_sets: list[LimitSet] = []
    problems: list[ConfigError] = []
    for i, relative in enumerate(plan.limits):
        path = beside(plan_path, relative)
        _must_exist(path, plan_file, ("limits", i))
        config, file = load_model(LimitsConfig, path)
        limit_sets.append(LimitSet(file, config))
        problems += _limits_fit(plan, config, file)
    problems += _blocks_fit(plan, rig, plan_file)
    if problems:
        raise together(problems)
    store = store or _store_of(plan_path)
    apart_from_logs(plan, plan_file, store, "store")
    files = [SettingsFile("plan", plan_path.name, plan_file.data), SettingsFile("rig", str(plan.rig), rig_file.data)]
    files += [
        SettingsFile("limits", str(name), one.file.data) for name, one in zip(plan.limits, limit_sets, strict=True)
    ]
    files += _lab_settings(lab or find_lab(plan_path.absolute().parent), plan.name)
    return RunConfig(plan_path, plan, rig_path, rig, tuple(limit_sets), store, tuple(files))


def load_lab(lab_path: Path, *, with_tests: bool = False) -> tuple[LabConfig, list[Path], Path]:
    """Read a lab file: the config, its plan files and its store folder.

    A plan that is missing is the business of its own run, not of the others.

    Parameters
    ----------
    with_tests : bool
        Verify what the tests name too, which takes their plans: for commands of the whole lab. A run is signed or
        shown whatever the lab file says of tests.

    Raises
    ------
    ConfigError
        The file is wrong, or a test names a run, block or limit file that is not there.
    """
    lab, plans, store, file = read_lab(lab_path)
    if lab.test and with_tests:
        runs = _known_runs(plans)
        problems = list(lab_tests_fit(lab.test, file, runs, all_known=len(runs) == len(plans)))
        if problems:
            raise together(problems)
    return lab, plans, store


def _known_runs(plans: list[Path]) -> dict[str, KnownRun]:
    """What tests may name of the runs whose plans can be read."""
    runs: dict[str, KnownRun] = {}
    for path in plans:
        try:
            plan, _ = load_plan(path)
        except ConfigError:
            continue
        try:
            names = tuple(load_model(LimitsConfig, beside(path, one))[0].name for one in plan.limits)
            runs[plan.name] = KnownRun.of(plan, names)
        except ConfigError:  # reported by the run itself
            runs[plan.name] = KnownRun.of(plan, None)
    return runs


def find_plan(run: str, lab_path: Path | None) -> Path:
    """Turn RUN (a plan file, or a run's name in the lab file) into a plan file."""
    if Path(run).suffix == ".toml" or Path(run).is_file():
        return Path(run).absolute()
    lab_path = lab_path or find_lab(Path.cwd())
    if lab_path is None:
        raise ConfigError(
            f"'{run}' is no plan file, and no {LAB_FILE} is here or above to look the name up in",
            do_next="give the path of a plan file, or --lab FILE",
        )
    names: dict[str, Path] = {}
    broken: list[ConfigError] = []
    for path in load_lab(lab_path)[1]:
        try:
            names.setdefault(load_plan(path)[0].name, path)
        except ConfigError as error:
            broken.append(error)
    if run not in names:
        unread = f", and {len(broken)} plan(s) cannot be read: {broken[0]}" if broken else ""
        expected = nearest(run, list(names)) if names else "a run whose plan can be read; there is none"
        do_next = "correct the plan first: benchpipe doctor LAB names all that is wrong" if broken else None
        raise ConfigError(f"the lab has no run '{run}'{unread}", where=lab_path, expected=expected, do_next=do_next)
    return names[run]


def _lab_settings(lab: Path | None, run: str) -> list[SettingsFile]:
    """Sections of the lab file; none where there is no lab file, or it is wrong: commands on the lab say so."""
    try:
        return [] if lab is None else [lab_settings(lab / LAB_FILE if lab.is_dir() else lab, run)]
    except ConfigError:
        return []


def _must_exist(path: Path, file: TomlFile, keys: tuple[str | int, ...]) -> None:
    if not path.is_file():
        raise ConfigError(
            f"the file '{path}' does not exist", where=file.where(keys), do_next="paths are relative to this file"
        )


def _store_of(plan_path: Path) -> Path:
    lab_path = find_lab(plan_path.absolute().parent)
    if lab_path is None:
        return plan_path.absolute().parent / "store"
    return load_lab(lab_path)[2]


def _limits_fit(plan: PlanConfig, limits: LimitsConfig, file: TomlFile) -> Iterator[ConfigError]:
    known = [b.name for b in plan.block] + sorted({b.kind for b in plan.block})
    limited = ("run", *(kind.name for kind in KINDS if kind.events is not None))
    for i, limit in enumerate(limits.limit):
        if limit.block not in known and limit.block not in limited:
            yield ConfigError(
                f"limit '{limit.name}' is for the block '{limit.block}', which plan '{plan.name}' does not have",
                where=file.where(("limit", i, "block")),
                expected=nearest(limit.block, known),
            )


def _blocks_fit(plan: PlanConfig, rig: RigConfig, file: TomlFile) -> Iterator[ConfigError]:
    """Loads and motions of the plan are what the rig measures, and it samples them fast enough."""
    measured = {"load": rig.load_quantity, "motion": rig.motion_quantity}
    for i, block in enumerate(plan.block):
        if block.mode is not None and rig.mode is None:
            yield ConfigError(
                f"block '{block.name}' is for mode {block.mode}, and the rig '{rig.name}' names no mode channel",
                where=file.where(("block", i, "mode")),
                do_next='add mode = "CHANNEL" to the rig file, or remove the key',
            )
        for key, quantity in _quantities(block):
            if _base_of(quantity, measured) not in measured.values():
                yield ConfigError(
                    f"block '{block.name}': {key} is {a_quantity(quantity)}, the rig '{rig.name}' measures "
                    f"{measured['load']} against {measured['motion']}",
                    where=file.where(("block", i, key)),
                    do_next="give it in the rig's quantity, or add the geometry to the rig file",
                )
        for misfit in kind_of(block.kind).fits(block, rig):
            where = file.where(("block", i, misfit.key))
            yield ConfigError(misfit.what, where=where, expected=misfit.expected, do_next=misfit.do_next)


def _base_of(quantity: str, measured: dict[str, str]) -> str:
    """The load or motion that a rate is of, or the one that goes with a stiffness; else the quantity itself."""
    if quantity.startswith("stiffness"):
        return {"stiffness (angular)": "torque", "stiffness (linear)": "force"}[quantity]
    return quantity.removesuffix(" rate") if quantity.removesuffix(" rate") in measured.values() else quantity


def _quantities(block: Block) -> Iterator[tuple[str, str]]:
    """Keys of a block that hold loads or motions, and their quantities."""
    for key in type(block).model_fields:
        value = getattr(block, key)
        for one in value if isinstance(value, tuple) else (value,):
            if isinstance(one, Quantity):
                yield key, one.quantity
