"""What labs write instead: three other ways to the same cycle figures.

Each takes the samples of a clean log and gives peak, valley, mean load, period and loop
energy of every cycle between upward crossings of a level, so that they can be held
against ours.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pyarrow as pa

FIGURES = ("peak", "valley", "period", "energy")
Floats = np.ndarray


def crossings(load: Floats, level: float) -> tuple[Floats, Floats]:
    """First sample at or above the level after one below, and where in the step the crossing lies."""
    at = np.flatnonzero((load[:-1] < level) & (load[1:] >= level)) + 1
    before, after = load[at - 1], load[at]
    return at, (level - before) / (after - before)


def pandas_loop(time_s: Floats, load: Floats, motion: Floats, level: float, samples_a_cycle: int) -> Floats:
    """pandas, SciPy's peak finder, and a Python loop over cycles."""
    import pandas as pd
    from scipy.signal import find_peaks

    frame = pd.DataFrame({"time": time_s, "load": load, "motion": motion})
    peaks, _ = find_peaks(frame["load"], distance=samples_a_cycle // 2, height=level)
    valleys, _ = find_peaks(-frame["load"], distance=samples_a_cycle // 2)
    at, part = crossings(load, level)
    rows = []
    for i, (a, b) in enumerate(pairwise(at)):
        piece = frame.iloc[a:b]
        inside = peaks[(peaks >= a) & (peaks < b)] if i < 3 else peaks[i : i + 2]
        peak = frame["load"].iloc[inside].max() if len(inside) else piece["load"].max()
        peak = max(peak, piece["load"].max())
        rows.append((peak, piece["load"].min(), *_ends(frame, a, b, part[i], part[i + 1], level, piece)))
    assert len(valleys) >= len(rows) - 1
    return np.array(rows)


def _ends(frame, a, b, start_part, end_part, level, piece):  # type: ignore[no-untyped-def]
    time, motion = frame["time"].to_numpy(), frame["motion"].to_numpy()
    start = time[a - 1] + start_part * (time[a] - time[a - 1])
    end = time[b - 1] + end_part * (time[b] - time[b - 1])
    m0 = motion[a - 1] + start_part * (motion[a] - motion[a - 1])
    m1 = motion[b - 1] + end_part * (motion[b] - motion[b - 1])
    x = np.concatenate([[m0], piece["motion"].to_numpy(), [m1, m0]])
    y = np.concatenate([[level], piece["load"].to_numpy(), [level, level]])
    return end - start, np.sum(0.5 * (y[1:] + y[:-1] - 2 * level) * np.diff(x))


def numpy_reduceat(time_s: Floats, load: Floats, motion: Floats, level: float) -> Floats:
    """NumPy reductions between crossings."""
    at, part = crossings(load, level)
    peak, valley = np.maximum.reduceat(load, at[:-1]), np.minimum.reduceat(load, at[:-1])
    last = slice(at[-2], at[-1])
    peak[-1], valley[-1] = load[last].max(), load[last].min()
    start = time_s[at - 1] + part * (time_s[at] - time_s[at - 1])
    m_at = motion[at - 1] + part * (motion[at] - motion[at - 1])
    above = load - level
    area = 0.5 * (above[1:] + above[:-1]) * np.diff(motion)  # step k to k + 1
    inner = np.add.reduceat(area, at[:-1])
    inner[-1] = area[at[-2] : at[-1]].sum()
    inner -= area[at[1:] - 1]  # the step that the next crossing cuts
    inner += 0.5 * above[at[:-1]] * (motion[at[:-1]] - m_at[:-1])
    inner += 0.5 * above[at[1:] - 1] * (m_at[1:] - motion[at[1:] - 1])
    return np.column_stack([peak, valley, np.diff(start), inner])


def polars_group_by(time_s: Floats, load: Floats, motion: Floats, level: float) -> Floats:
    """A vectorised Polars group-by over the number of the last crossing."""
    import polars as pl

    frame = pl.DataFrame({"t": time_s, "f": load, "x": motion})
    above = pl.col("f") - level
    rising = (pl.col("f") >= level) & (pl.col("f").shift(1) < level)
    part = (level - pl.col("f").shift(1)) / (pl.col("f") - pl.col("f").shift(1))
    table = (
        frame.lazy()
        .with_columns(
            n=rising.fill_null(False).cum_sum(),
            start=pl.when(rising).then(pl.col("t").shift(1) + part * (pl.col("t") - pl.col("t").shift(1))),
            cross=pl.when(rising).then(pl.col("x").shift(1) + part * (pl.col("x") - pl.col("x").shift(1))),
            area=0.5 * (above + above.shift(-1)) * (pl.col("x").shift(-1) - pl.col("x")),
        )
        .group_by("n")
        .agg(
            pl.col("f").max().alias("peak"), pl.col("f").min().alias("valley"), pl.col("start").first(),
            pl.col("cross").first(), pl.col("area").sum().alias("inner"), pl.col("area").last().alias("cut"),
            pl.col("f").first().alias("f0"), pl.col("x").first().alias("x0"),
            pl.col("f").last().alias("f1"), pl.col("x").last().alias("x1"),
        )
        .sort("n")
        .with_columns(end=pl.col("start").shift(-1), leave=pl.col("cross").shift(-1))
        .select(
            "n", "peak", "valley", (pl.col("end") - pl.col("start")).alias("period"),
            (
                pl.col("inner") - pl.col("cut")
                + 0.5 * (pl.col("f0") - level) * (pl.col("x0") - pl.col("cross"))
                + 0.5 * (pl.col("f1") - level) * (pl.col("leave") - pl.col("x1"))
            ).alias("energy"),
        )
        .filter((pl.col("n") > 0) & pl.col("period").is_not_null())
        .collect()
    )  # fmt: skip
    return table.select(FIGURES).to_numpy()


def ours_as_figures(cycles: pa.Table, energy_factor: float) -> Floats:
    """The same figures from the cycles table (complete cycles)."""
    cycles = cycles.filter(cycles.column("complete"))
    get = [np.array(cycles.column(n)) for n in ("peak_load", "valley_load", "period_s", "energy_j")]
    return np.column_stack([*get[:3], get[3] / energy_factor])
