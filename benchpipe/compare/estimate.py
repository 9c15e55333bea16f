"""Design → differences of variants, each as a linear combination of specimens with its error."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchpipe.compare.design import Cell, Design
from benchpipe.kernels.anova import within_blocks
from benchpipe.kernels.difference import NO_DIFFERENCE, Difference, welch, welch_refuses

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class VariantDifference:
    """One difference of two variants.

    Attributes
    ----------
    difference : Difference
    method : str
    sd : float
        Standard deviation of one specimen (of a pair's difference where ``paired``).
    paired : bool
    n, n_reference : int
        Specimens in each.
    dunnett_share : float
        Share of the reference in the variance, for Dunnett's correlations.
    same_error : bool
        All differences of the family share one error estimate.
    refused : str
        Why there is none.
    """

    difference: Difference
    method: str
    sd: float
    paired: bool
    n: int
    n_reference: int
    dunnett_share: float = 0.5
    same_error: bool = False
    refused: str = ""


def estimates(
    design: Design, compared: tuple[tuple[str, str], ...], *, pool: bool, ratio: bool
) -> list[VariantDifference]:
    """Differences of pairs of variants.

    Parameters
    ----------
    design : Design
    compared : tuple of pairs
        Variant and reference.
    pool : bool
        One error for all variants (Dunnett and Tukey ask for it); else Welch for each pair.
    ratio : bool
        Uncertainties that a rig shares are relative.
    """
    if design.blocking != "none":
        return _in_blocks(design, compared, ratio=ratio)
    if pool:
        return _one_error(design, compared, ratio=ratio)
    return [_by_welch(design, variant, reference, ratio=ratio) for variant, reference in compared]


def _none(why: str, n: int, m: int) -> VariantDifference:
    return VariantDifference(NO_DIFFERENCE, "", math.nan, False, n, m, refused=why)


def _values(cells: list[Cell]) -> Floats:
    return np.array([cell.value for cell in cells])


def _by_welch(design: Design, variant: str, reference: str, *, ratio: bool) -> VariantDifference:
    a, b = design.of(variant), design.of(reference)
    if why := _too_few(variant, a, reference, b) or welch_refuses(len(a), len(b)):
        return _none(why, len(a), len(b))
    weights = [*((c, 1 / len(a)) for c in a), *((c, -1 / len(b)) for c in b)]
    found = welch(_values(a), _values(b), shared_u(design, weights, ratio=ratio))
    squares = sum(float(((_values(c) - _values(c).mean()) ** 2).sum()) for c in (a, b))
    return VariantDifference(found, "Welch", math.sqrt(squares / (len(a) + len(b) - 2)), False, len(a), len(b))


def _too_few(variant: str, a: list[Cell], reference: str, b: list[Cell]) -> str:
    for name, cells in ((variant, a), (reference, b)):
        if not cells:
            return f"no specimen of {name} has a reading"
        if len(cells) < 2:
            return f"{len(cells)} specimen of {name}: scatter between specimens is not known with fewer than 2"
    return ""


def _one_error(design: Design, compared: tuple[tuple[str, str], ...], *, ratio: bool) -> list[VariantDifference]:
    """One way: the scatter of all variants' specimens together."""
    groups: dict[str, list[Cell]] = defaultdict(list)
    for cell in design.cells:
        groups[cell.variant].append(cell)
    squares = math.fsum(float(((_values(g) - _values(g).mean()) ** 2).sum()) for g in groups.values())
    dof = len(design.cells) - len(groups)
    found = []
    for variant, reference in compared:
        a, b = groups[variant], groups[reference]
        if why := _too_few(variant, a, reference, b):
            found.append(_none(why, len(a), len(b)))
            continue
        weights = [*((c, 1 / len(a)) for c in a), *((c, -1 / len(b)) for c in b)]
        sd = math.sqrt(squares / dof)
        difference = Difference(
            float(_values(a).mean() - _values(b).mean()), sd * math.sqrt(1 / len(a) + 1 / len(b)), float(dof),
            len(a) + len(b), shared_u(design, weights, ratio=ratio),
        )  # fmt: skip
        share = (1 / len(b)) / (1 / len(a) + 1 / len(b))
        method = "one scatter for all variants"
        found.append(VariantDifference(difference, method, sd, False, len(a), len(b), share, True))
    return found


def _in_blocks(design: Design, compared: tuple[tuple[str, str], ...], *, ratio: bool) -> list[VariantDifference]:
    """Additive model: value = block + variant + error."""
    variants = list(dict.fromkeys(cell.variant for cell in design.cells))
    blocks = list(dict.fromkeys(cell.block for cell in design.cells))
    sizes = {name: len(design.of(name)) for pair in compared for name in pair}
    if len(variants) < 2:
        return [_none("the other variant has no reading", sizes[a], sizes[b]) for a, b in compared]
    v = np.array([variants.index(cell.variant) for cell in design.cells])
    b = np.array([blocks.index(cell.block) for cell in design.cells])
    fit = within_blocks(np.array([cell.value for cell in design.cells]), v, b)
    paired = design.blocking == "specimen"
    words = "paired" if paired and len(variants) == 2 else f"within {design.blocking}s"
    found = []
    for variant, reference in compared:
        n, m = sizes[variant], sizes[reference]
        if variant not in variants or reference not in variants:
            found.append(_none("one of the two has no reading", n, m))
            continue
        if not fit.connected:
            found.append(_none(f"{design.blocking}s do not link the variants: no difference can be taken", n, m))
            continue
        if fit.error.dof < 1:
            found.append(_none(f"too few {design.blocking}s: nothing is left to show the scatter", n, m))
            continue
        i, j = variants.index(variant), variants.index(reference)
        weights = list(zip(design.cells, (fit.weights[i] - fit.weights[j]).tolist(), strict=True))
        shared = shared_u(design, weights, ratio=ratio)
        pairs = min(n, m) if paired else n + m
        difference = Difference(
            float(fit.effects[i] - fit.effects[j]), fit.contrast_u(i, j), float(fit.error.dof), pairs, shared
        )
        sd = math.sqrt(fit.error.mean_square) * (math.sqrt(2.0) if paired else 1.0)
        found.append(VariantDifference(difference, words, sd, paired, n, m, 0.5, fit.balanced))
    return found


def shared_u(design: Design, weights: list[tuple[Cell, float]], *, ratio: bool) -> float:
    """Standard uncertainty of a weighted sum from what runs of one rig share: √Σ (sum of a rig's weights · its u)².

    What both variants have on one rig in equal parts cancels.
    """
    on: dict[str, float] = defaultdict(float)
    for cell, weight in weights:
        for at in cell.runs:
            on[design.readings[at].rig] += weight / len(cell.runs)
    total = 0.0
    for rig, weight in on.items():
        known = [r.shared_u / abs(r.value) if ratio else r.shared_u for r in design.readings if r.rig == rig]
        total += (weight * float(np.median(known))) ** 2 if abs(weight) > 1e-12 else 0.0
    return math.sqrt(total)


def probability_best(
    design: Design, variants: tuple[str, ...], *, higher: bool, draws: int = 20_000, seed: int = 1
) -> tuple[tuple[str, float], ...]:
    """Probability that each variant has the best mean, by draws from Student's distributions of the means.

    The variants' own scatter only; a rig that one variant alone was on is refused before.
    """
    rng = np.random.default_rng(seed)
    names = [name for name in variants if len(design.of(name)) >= 2]
    if len(names) < 2:
        return ()
    if design.blocking == "none":
        means = np.array([
            _values(design.of(name)).mean()
            + _values(design.of(name)).std(ddof=1) / math.sqrt(len(design.of(name)))
            * rng.standard_t(len(design.of(name)) - 1, draws)
            for name in names
        ])  # fmt: skip
    else:
        blocks = list(dict.fromkeys(cell.block for cell in design.cells))
        order = list(dict.fromkeys(cell.variant for cell in design.cells))
        v = np.array([order.index(cell.variant) for cell in design.cells])
        b = np.array([blocks.index(cell.block) for cell in design.cells])
        fit = within_blocks(np.array([cell.value for cell in design.cells]), v, b)
        if not fit.connected or fit.error.dof < 1:
            return ()
        spread = rng.multivariate_normal(np.zeros(len(order)), fit.covariance, draws, method="svd")
        scale = np.sqrt(fit.error.squares / rng.chisquare(fit.error.dof, draws))
        means = (fit.effects + spread * scale[:, None]).T
        names = order
    best = means.argmax(axis=0) if higher else means.argmin(axis=0)
    return tuple((name, float(np.mean(best == i))) for i, name in enumerate(names))
