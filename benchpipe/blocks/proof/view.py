"""View of proofs."""

from __future__ import annotations

from typing import Any

from benchpipe.blocks.figures import BlockView, Figure, of_block
from benchpipe.blocks.proof.plan import ProofBlock
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore


def proof_view(block: ProofBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    """The last proof in figures, and in words what became of it."""
    proofs = of_block(store.read(manifest, "proofs"), block.name).to_pylist()
    if not proofs:
        return BlockView(block.name, block.kind, 0, block.planned_proofs, ())
    last, load, motion = proofs[-1], units["load"], units["motion"]
    stiffness = f"{load}/{motion}"
    figures = [
        Figure("loading rate", last["loading_rate"], f"{load}/s", u=last["loading_rate_u"]),
        Figure("peak load", last["peak_load"], load),
        Figure("held load", last["held_load"], load, u=last["held_load_u"]),
        Figure("hold time", last["hold_time_s"], "s"),
        Figure("drop in the hold", last["load_drop"], load, u=last["load_drop_u"]),
        Figure("permanent set", last["permanent_set"], motion, u=last["permanent_set_u"]),
        Figure("stiffness before", last["stiffness_before"], stiffness, u=last["stiffness_before_u"]),
        Figure("stiffness after", last["stiffness_after"], stiffness, u=last["stiffness_after_u"]),
    ]
    if last["drop_load"] is not None:
        figures.append(Figure("first sudden drop at", last["drop_load"], load))
    if last["failure_load"] is not None:
        figures.append(Figure("peak load at failure", last["failure_load"], load))
    return BlockView(block.name, block.kind, len(proofs), block.planned_proofs, tuple(figures), _proof_words(last))


def _proof_words(proof: dict[str, Any]) -> str:
    why = "; ".join(filter(None, [proof["broken"], proof["remark"]]))
    return f"{proof['outcome']}{f' ({why})' if why else ''}"
