"""Repeated mounts: what of the scatter is mounting and rig, and not the specimen."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator

import numpy as np

from benchpipe.compare.design import Design
from benchpipe.compare.result import GaugeSummary, RunReading, SpecimenScatter
from benchpipe.kernels.gauge import gauge_study
from benchpipe.kernels.variance_parts import random_effect


def _value(reading: RunReading, *, ratio: bool) -> float:
    return math.log(reading.value) if ratio else reading.value


def scatter_of(design: Design, variants: Iterable[str], *, ratio: bool) -> Iterator[SpecimenScatter]:
    """Scatter between the specimens of each variant apart from that of their repeats, where they have repeats."""
    for variant in variants:
        cells = design.of(variant)
        repeats = [[_value(design.readings[i], ratio=ratio) for i in cell.runs] for cell in cells]
        if len(repeats) < 2 or max(map(len, repeats)) < 2:
            continue
        found = random_effect(repeats)
        low, high = found.between_interval
        yield SpecimenScatter(
            variant, math.sqrt(found.between), (math.sqrt(low), math.sqrt(high)), math.sqrt(found.within),
            found.raw_between, len(repeats), sum(map(len, repeats)),
        )  # fmt: skip


def gauge_of(design: Design, *, ratio: bool) -> GaugeSummary | None:
    """Gauge study of specimens (under a variant) that were mounted equally often on each of several rigs."""
    rigs = sorted({r.rig for r in design.readings})
    mounts: dict[tuple[str, str], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for reading in design.readings:
        mounts[reading.variant, reading.specimen][reading.rig].append(_value(reading, ratio=ratio))
    full = [one for one in mounts.values() if set(one) == set(rigs)]
    trials = min((len(v) for one in full for v in one.values()), default=0)
    if len(rigs) < 2 or len(full) < 2 or trials < 2:
        return None
    table = np.array([[one[rig][:trials] for rig in rigs] for one in full])
    found = gauge_study(table)
    return GaugeSummary(
        found.repeatability, found.repeatability_interval, found.reproducibility, found.gauge, found.share,
        found.categories, found.pooled,
    )  # fmt: skip
