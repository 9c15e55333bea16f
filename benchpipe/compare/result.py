"""What a comparison says: plain values, each with the runs it comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ContrastOutcome = Literal["beyond the margin", "differs", "equivalent", "not decided", "not analysed"]
RANK: dict[str, int] = {
    "beyond the margin": 0, "not analysed": 1, "differs": 2, "not decided": 3, "equivalent": 4,
}  # fmt: skip


@dataclass(frozen=True)
class RunReading:
    """One measure of one run at a stage.

    Attributes
    ----------
    value : float
        In ``unit``; NaN where it could not be measured (``note`` says why).
    own_u : float
        Standard uncertainty of what this run does not share with others of its rig (noise, few values).
    shared_u : float
        Of what all runs of the rig share: certificates, geometry.
    first, last, n_used : int
        Cycles, holds or sweeps.
    load_range, motion_range : float
        Medians over the cycles; NaN of other kinds.
    state : str
        "finished", "unfinished" or "failing".
    """

    run: str
    variant: str
    specimen: str
    rig: str
    day: str
    operator: str
    order: int | None
    bumper_set: str
    value: float
    unit: str
    own_u: float
    shared_u: float
    first: int
    last: int
    n_used: int
    load_range: float
    motion_range: float
    state: str
    note: str


@dataclass(frozen=True)
class GroupSummary:
    """A variant: its specimens' mean (geometric for ratios), and their scatter in logarithms or in the unit."""

    variant: str
    n_specimens: int
    n_runs: int
    mean: float
    sd: float
    own_u: float
    runs: tuple[str, ...]


@dataclass(frozen=True)
class Comparison:
    """One variant against another.

    Attributes
    ----------
    value, low, high : float
        Ratio less one (scale "ratio") or difference in the unit, with the interval that holds for the whole family;
        NaN where ``not_analysed`` says why.
    coverage : float
        Of the interval, over the family.
    p, family_p : float
        Two-sided, alone and over the family.
    equivalence_p : float
        Two one-sided tests against the margin, Holm over the family.
    exact_p, least_p : float
        Permutation test, and the smallest p that so few specimens can give.
    margin : float
    outcome : str
    words : str
        The same in a sentence.
    method : str
    n, n_reference : int
        Specimens.
    could_show : float
        Half-width of the interval: what these specimens could show at all.
    next_pairs : int
        Specimens (pairs, or in each group) that detect the margin with 80 % power at the scatter seen; 0: over 1,000.
    shared_u : float
        Standard uncertainty of the rigs that does not cancel between the two.
    """

    variant: str
    reference: str
    value: float
    low: float
    high: float
    coverage: float
    p: float
    family_p: float
    equivalence_p: float
    exact_p: float
    least_p: float
    margin: float
    outcome: ContrastOutcome
    words: str
    method: str
    n: int
    n_reference: int
    could_show: float
    next_pairs: int
    shared_u: float
    not_analysed: str
    runs: tuple[str, ...]


@dataclass(frozen=True)
class SpecimenScatter:
    """Scatter of a variant's specimens apart from that of repeated mounts, in logarithms or in the unit.

    ``between`` is 0 where the estimate is negative; ``raw_variance`` shows it.
    """

    variant: str
    between: float
    between_interval: tuple[float, float]
    repeatability: float
    raw_variance: float
    n_specimens: int
    n_runs: int


@dataclass(frozen=True)
class GaugeSummary:
    """Mounts and rigs, from specimens that were mounted again on each of several rigs (relative, or in the unit)."""

    repeatability: float
    repeatability_interval: tuple[float, float]
    reproducibility: float
    gauge: float
    share: float
    categories: int
    pooled: bool


@dataclass(frozen=True)
class MeasureResult:
    """All comparisons of one measure."""

    measure: str
    block: str
    stage: str
    unit: str
    scale: str
    design: str
    groups: tuple[GroupSummary, ...]
    comparisons: tuple[Comparison, ...]
    best: tuple[tuple[str, float], ...]
    scatter: tuple[SpecimenScatter, ...]
    gauge: GaugeSummary | None
    notes: tuple[str, ...]
    readings: tuple[RunReading, ...]


@dataclass(frozen=True)
class LifeResult:
    """Lives of one variant against another.

    ``ratio`` with ``low`` and ``high`` is that of characteristic lives, NaN where a group has no failure.
    """

    variant: str
    reference: str
    ratio: float
    low: float
    high: float
    shape: float
    p: float
    family_p: float
    least_p: float
    exact: bool
    n_failed: tuple[int, int]
    n_used: tuple[int, int]
    words: str
    survival: tuple[tuple[str, tuple[str, ...]], ...]
    runs: tuple[str, ...]


@dataclass(frozen=True)
class LeftOutRun:
    """A run of the study file that is not in the comparison, and why."""

    run: str
    variant: str
    why: str


@dataclass(frozen=True)
class StudyResult:
    """A study: worst first."""

    name: str
    question: str
    reference: str
    family: str
    confidence: float
    measures: tuple[MeasureResult, ...]
    lives: tuple[LifeResult, ...]
    left_out: tuple[LeftOutRun, ...]
    notes: tuple[str, ...]
