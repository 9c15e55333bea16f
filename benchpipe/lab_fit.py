"""Check that the tests of a lab file fit the plans and limit files that they name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Self

from benchpipe.config.lab_tests import LabSpecimenConfig, LabStageConfig, LabTestConfig
from benchpipe.config.toml import KeyPath, TomlFile
from benchpipe.errors import ConfigError, nearest
from benchpipe.plan import PlanConfig


@dataclass(frozen=True)
class KnownRun:
    """What a test may name of a run: the specimen on the rig, its blocks and its limit files; None where not known."""

    specimen: str
    blocks: tuple[str, ...]
    limits: tuple[str, ...] | None

    @classmethod
    def of(cls, plan: PlanConfig, limits: tuple[str, ...] | None) -> Self:
        """Of a plan and the names of its limit files."""
        return cls(plan.specimen, tuple(block.name for block in plan.block), limits)


def lab_tests_fit(
    tests: tuple[LabTestConfig, ...], file: TomlFile, runs: Mapping[str, KnownRun], *, all_known: bool
) -> Iterator[ConfigError]:
    """What tests name that is not there.

    Parameters
    ----------
    runs : mapping
        The lab's runs, by name.
    all_known : bool
        False where a plan could not be read: a run that is not known may be that one, and is not an error.
    """
    for i, test in enumerate(tests):
        at: KeyPath = ("test", i, "specimen")
        named = {one.name: one.replaced_by for one in test.specimen}
        whose: dict[str, str] = {}
        for j, one in enumerate(test.specimen):
            yield from _stands_in(one.name, "replaced_by", one.reason, named, file, (*at, j))
            stages = {stage.called: stage.repeated_by for stage in one.stage}
            for k, stage in enumerate(one.stage):
                here = (*at, j, "stage", k)
                yield from _stands_in(stage.called, "repeated_by", stage.reason, stages, file, here)
                if stage.run in runs:
                    yield from _known(stage, runs[stage.run], file, here)
                    yield from _same_specimen(one, runs[stage.run].specimen, whose, file, here)
                elif all_known:
                    expected = nearest(stage.run, list(runs))
                    yield ConfigError(
                        f"the lab has no run '{stage.run}'", where=file.where((*here, "run")), expected=expected
                    )


def _stands_in(
    name: str, key: str, reason: str, named: Mapping[str, str | None], file: TomlFile, here: KeyPath
) -> Iterator[ConfigError]:
    """Whoever stands in for another is named, is there, stands in for one only, and a reason is given."""
    other = named[name]
    if other is None:
        if reason.strip():
            text = f"'{name}' has a reason, and no {key}"
            yield ConfigError(text, where=file.where((*here, "reason")), do_next=f"add {key}, or remove the reason")
        return
    where = file.where((*here, key))
    if other not in named:
        text = f"'{name}' is {key.replace('_', ' ')} '{other}', which is not there"
        yield ConfigError(text, where=where, expected=nearest(other, [n for n in named if n != name]))
    if not reason.strip():
        text = f"'{name}' is {key.replace('_', ' ')} '{other}' for no reason"
        yield ConfigError(text, where=where, do_next="add reason")
    if sum(stands == other for stands in named.values()) > 1:
        yield ConfigError(f"'{other}' stands in for more than one", where=where)
    chain = [name]
    while (after := named.get(chain[-1])) is not None:
        if after in chain:
            yield ConfigError(f"'{name}' is {key.replace('_', ' ')} one that leads back to it", where=where)
            return
        chain.append(after)


def _known(stage: LabStageConfig, run: KnownRun, file: TomlFile, here: KeyPath) -> Iterator[ConfigError]:
    """Blocks and limit files that a stage names are those of its run."""
    for key, what, names, known in (
        ("blocks", "block", stage.blocks, run.blocks), ("limits", "limit file", stage.limits, run.limits),
    ):  # fmt: skip
        for n, name in enumerate(names):
            if known is not None and name not in known:
                text = f"run '{stage.run}' has no {what} '{name}'"
                where = file.where((*here, key, n))
                yield ConfigError(text, where=where, expected=nearest(name, list(known)))


def _same_specimen(
    one: LabSpecimenConfig, on_rig: str, whose: dict[str, str], file: TomlFile, here: KeyPath
) -> Iterator[ConfigError]:
    """All runs of a specimen have it on the rig by their plans, and no other specimen of the test has it too."""
    mine = [text for text, owner in whose.items() if owner == one.name]
    where = file.where((*here, "run"))
    if whose.setdefault(on_rig, one.name) != one.name:
        text = f"'{one.name}' and '{whose[on_rig]}' are one specimen by their plans ('{on_rig}'): it would count twice"
        yield ConfigError(text, where=where, do_next="put its runs into one [[test.specimen]], or correct 'specimen'")
    elif mine and on_rig not in mine:
        text = f"the runs of '{one.name}' are of different specimens by their plans: '{mine[0]}' and '{on_rig}'"
        yield ConfigError(text, where=where, do_next="correct 'specimen' in the plans, or the stages")
