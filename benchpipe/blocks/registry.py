"""All kinds of blocks: the only map from a kind's name to its code.

A kind from another package has an entry point in the group ``benchpipe.blocks``, its name the kind's, its object a
:class:`benchpipe.blocks.base.BlockKind`. These are looked for where a plan or a store names a kind that is not ours.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from importlib.metadata import entry_points

from benchpipe.blocks.base import BlockKind
from benchpipe.blocks.cyclic.kind import CYCLIC
from benchpipe.blocks.hold.kind import HOLD
from benchpipe.blocks.idle.kind import IDLE
from benchpipe.blocks.locking.kind import LOCKING
from benchpipe.blocks.proof.kind import PROOF
from benchpipe.blocks.relaxation.kind import RELAXATION
from benchpipe.blocks.roll.kind import ROLL
from benchpipe.blocks.stance.kind import STANCE
from benchpipe.blocks.sweep.kind import SWEEP
from benchpipe.errors import ConfigError

GROUP = "benchpipe.blocks"
KINDS: tuple[BlockKind, ...] = (CYCLIC, HOLD, RELAXATION, SWEEP, STANCE, ROLL, PROOF, LOCKING, IDLE)
OURS: dict[str, BlockKind] = {kind.name: kind for kind in KINDS}


@cache
def outside_kinds() -> dict[str, BlockKind]:
    """Kinds of other packages that are installed.

    Raises
    ------
    ConfigError
        One cannot be loaded, is none, or has the name of ours.
    """
    found = {}
    for point in entry_points(group=GROUP):
        try:
            kind = point.load()
        except Exception as error:
            raise _wrong(point.name, f"it cannot be loaded: {error}") from error
        if not isinstance(kind, BlockKind) or kind.name != point.name or kind.name in OURS:
            raise _wrong(point.name, "it is no BlockKind of that name, or has the name of one of ours")
        found[kind.name] = kind
    return found


def _wrong(name: str, why: str) -> ConfigError:
    return ConfigError(
        f"the kind of block '{name}' of another package cannot be used: {why}",
        do_next=f"correct or remove the package that has the entry point '{name}' in the group {GROUP}",
    )


def kind_of(name: str) -> BlockKind:
    """The kind of that name.

    Raises
    ------
    KeyError
        There is none; a plan that was read names known ones only.
    """
    return OURS[name] if name in OURS else outside_kinds()[name]


def kinds_of(names: Iterable[str]) -> tuple[BlockKind, ...]:
    """The kinds of these names, each once, in their order."""
    return tuple(kind_of(name) for name in dict.fromkeys(names))
