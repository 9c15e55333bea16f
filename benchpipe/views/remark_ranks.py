"""Order of remarks: those that can change a verdict first."""

from __future__ import annotations

from collections.abc import Iterable

from benchpipe.store.manifest import Remark

# Best first: what may make a verdict wrong, what keeps something from being judged, what changes a figure.
RANKS: tuple[frozenset[str], ...] = (
    frozenset(
        {"damaged", "given-up", "changed", "gone", "empty", "sign-reversed", "period", "thresholds-not-learnt",
         "counter-unexplained", "uncrossed", "out-of-calibration", "proof", "no-hold", "no-stance", "no-roll",
         "spare-separator", "step", "wear-out", "limit-ahead"}
    ),
    frozenset(
        {"saturated", "gap", "lost-rows", "stood-still", "broken-off", "under-sampled", "several-loops", "part-of-loop",
         "sparse-rows", "off-target", "dropout", "missing", "outside-table", "hold", "order", "pause", "pause-unknown",
         "late", "clock-set-back", "restart", "thin-stamps", "moved-copy", "roll-refused"}
    ),
    frozenset({"zero-shift", "zero", "thresholds-learnt", "calibration-early", "calibration-overdue", "ramp-alone"}),
)  # fmt: skip
USUAL = frozenset(
    {"open", "peaks-only", "repeats", "duplicate", "renamed", "counter", "next-day", "begin-of-summer-time",
     "end-of-summer-time", "closed", "dropped", "drift"}
)  # fmt: skip


def rank_of(code: str) -> int:
    """Place of a remark's code; one that no list names comes between those that change something and the usual."""
    for place, codes in enumerate(RANKS):
        if code in codes:
            return place
    return len(RANKS) + (code in USUAL)


def ranked(remarks: Iterable[Remark]) -> tuple[Remark, ...]:
    """Remarks by what they can change; those of one rank stay in their order."""
    return tuple(sorted(remarks, key=lambda remark: rank_of(remark.code)))
