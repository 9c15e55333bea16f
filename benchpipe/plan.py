"""Plan files: one specimen under one test plan on one rig, made of blocks.

A plan is what the commands call a run.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Self, TypeVar, Union

from pydantic import Field, create_model, model_validator

from benchpipe.blocks.base import BlockKind
from benchpipe.blocks.registry import KINDS, OURS, outside_kinds
from benchpipe.config.block import BlockConfig
from benchpipe.config.model import AtKeyError, ConfigModel, Many, PathText, PatternText, StatedPause, load_model
from benchpipe.config.planned import PlannedConfig
from benchpipe.config.toml import TomlFile, read_toml
from benchpipe.errors import nearest

Block = BlockConfig  # the section of a kind
BlockT = TypeVar("BlockT", bound=BlockConfig)


def _one_of(kinds: Iterable[BlockKind]) -> Any:
    """The section of one of these kinds, by its key ``kind``."""
    return Annotated[Union[tuple(kind.config for kind in kinds)], Field(discriminator="kind")]  # noqa: UP007


if TYPE_CHECKING:
    AnyBlock = BlockConfig
else:
    AnyBlock = _one_of(KINDS)


class PlanConfig(ConfigModel):
    """A plan file: the whole of it."""

    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")
    specimen: str
    note: str = ""
    rig: PathText
    limits: Many[PathText] = ()
    logs: Many[PatternText] = Field(min_length=1)
    restart_pause: StatedPause = None
    block: Many[AnyBlock] = Field(min_length=1)
    planned: Many[PlannedConfig] = ()

    def blocks_of(self, section: type[BlockT]) -> list[BlockT]:
        """Its blocks of a kind, by the kind's section."""
        return [block for block in self.block if isinstance(block, section)]

    @model_validator(mode="after")
    def _names_differ(self) -> Self:
        names = [b.name for b in self.block]
        if len(set(names)) != len(names):
            raise ValueError(f"block names must differ: {', '.join(names)}")
        if len(set(self.limits)) != len(self.limits):
            raise ValueError("a limit file is listed twice")
        return self

    @model_validator(mode="after")
    def _planned_work_fits(self) -> Self:
        known = {b.name: b for b in self.block if b.kind == "cyclic"}
        for i, one in enumerate(self.planned):
            if one.block not in known:
                raise AtKeyError(f"'{one.block}' is no cyclic block of the plan; {nearest(one.block, list(known))}",
                                 "planned", i, "block")  # fmt: skip
            last = getattr(known[one.block], "planned_cycles", None)
            if last is not None and one.cycle > last:
                raise AtKeyError(f"cycle {one.cycle:,} comes after the planned end of '{one.block}', {last:,}",
                                 "planned", i, "cycle")  # fmt: skip
        return self

    @model_validator(mode="after")
    def _other_blocks_are_there(self) -> Self:
        for i, block in enumerate(self.block):
            known = [other.name for other in self.block if other.kind == block.kind and other.name != block.name]
            for key, name in block.other_blocks.items():
                if name not in known:
                    there = f"; known: {', '.join(known)}" if known else "; the plan has no other one"
                    raise AtKeyError(f"'{name}' is no other {block.kind} block of the plan{there}", "block", i, key)
        return self


@cache
def plan_model(more: tuple[str, ...] = ()) -> type[PlanConfig]:
    """Model of a plan with some kinds of other packages, by name, besides ours."""
    if not more:
        return PlanConfig
    many: Any = Many
    kinds = (*KINDS, *(outside_kinds()[name] for name in more))
    return create_model("PlanConfig", __base__=PlanConfig, block=(many[_one_of(kinds)], Field(min_length=1)))


def load_plan(path: Path) -> tuple[PlanConfig, TomlFile]:
    """Read and check a plan file.

    Raises
    ------
    ConfigError
        Every wrong key at once; or a kind of another package cannot be loaded.
    """
    blocks = read_toml(path).values.get("block")
    named = {block.get("kind") for block in blocks if isinstance(block, dict)} if isinstance(blocks, list) else set()
    others = sorted(name for name in named if isinstance(name, str) and name not in OURS)
    return load_model(plan_model(tuple(name for name in others if name in outside_kinds())), path)
