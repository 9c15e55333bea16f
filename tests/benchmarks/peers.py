"""What labs write instead: three other ways from the same Parquet file to the same cycle figures.

Each reads the samples of a clean log (``time_us``, ``load``, ``motion``, ``temperature``) and gives
:data:`FIGURES` of every cycle between upward crossings of ``level``, named and defined as in the cycles
table. None of them knows noise, gaps, stops, flags, or files that end inside a cycle. Left out, since such
scripts have no need of them: the parts of the fundamental, waveform error, backlash, segments and counter.

(c) is the plain script, on data frames inside the loop (taking NumPy arrays out of them first makes it four times
as fast); (d) and (e) are the fastest forms that were found: Polars reads with pyarrow, which is
quicker on these files than its own reader, and takes each cycle's figures back to its samples by a gather
rather than a join or ``over``; NumPy works in blocks of whole cycles that fit a cache: on whole arrays it takes
eight times as long, and on all cores no less.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

Floats = np.ndarray
FIGURES = (
    "period_s", "samples", "peak_load", "valley_load", "peak_time_s", "valley_time_s", "motion_at_peak",
    "motion_at_valley", "load_range", "load_mean", "motion_max", "motion_min", "motion_range", "motion_mean",
    "energy_j", "secant_stiffness", "loading_stiffness", "unloading_stiffness", "loss_factor", "closure_error",
    "temperature_c",
)  # fmt: skip
COLUMNS = ["time_us", "load", "motion", "temperature"]
BAND = (0.2, 0.8)
BLOCK = 500  # cycles that NumPy takes at once
JOULE = np.pi / 180.0  # N*m x deg


def crossings(load: Floats, level: float) -> tuple[Floats, Floats]:
    """First sample at or above the level after one below, and where in the step the crossing lies."""
    at = np.flatnonzero((load[:-1] < level) & (load[1:] >= level)) + 1
    before, after = load[at - 1].astype(float), load[at].astype(float)
    return at, (level - before) / (after - before)


def pandas_loop(path: Path, level: float, samples_a_cycle: int) -> dict[str, Floats]:
    """(c) pandas, SciPy's peak finder, and a Python loop over cycles."""
    import pandas as pd
    from scipy.signal import find_peaks

    frame = pd.read_parquet(path, columns=COLUMNS)
    frame["time"] = frame["time_us"] * 1e-6
    frame = frame.astype({"load": float, "motion": float, "temperature": float})
    peaks, _ = find_peaks(frame["load"], height=level, distance=samples_a_cycle // 2)
    valleys, _ = find_peaks(-frame["load"], distance=samples_a_cycle // 2)
    at, part = crossings(frame["load"].to_numpy(), level)
    rows = []
    for i, (a, b) in enumerate(pairwise(at)):
        cycle, before, after = frame.iloc[a:b], frame.iloc[a - 1], frame.iloc[b]
        first, last = cycle.iloc[0], cycle.iloc[-1]
        start = before["time"] + part[i] * (first["time"] - before["time"])
        end = last["time"] + part[i + 1] * (after["time"] - last["time"])
        m0 = before["motion"] + part[i] * (first["motion"] - before["motion"])
        m1 = last["motion"] + part[i + 1] * (after["motion"] - last["motion"])
        peak, valley = (found[np.searchsorted(found, a)] for found in (peaks, valleys))
        top, bottom = cycle.loc[peak], cycle.loc[valley]
        load_range, motion_range = top["load"] - bottom["load"], cycle["motion"].max() - cycle["motion"].min()
        low, high = (bottom["load"] + share * load_range for share in BAND)
        inside = cycle[(cycle["load"] >= low) & (cycle["load"] <= high)]
        unloading = inside[(inside.index >= peak) & (inside.index <= valley)]
        loading = inside[(inside.index <= peak) | (inside.index >= valley)]
        t = np.concatenate([[start], cycle["time"], [end]])
        f = np.concatenate([[level], cycle["load"], [level]])
        x = np.concatenate([[m0], cycle["motion"], [m1]])
        energy = (np.trapezoid(f, x) + level * (m0 - m1)) * JOULE
        rows.append((
            end - start, len(cycle), top["load"], bottom["load"], top["time"] - start, bottom["time"] - start,
            top["motion"], bottom["motion"], load_range, np.trapezoid(f, t) / (end - start),
            cycle["motion"].max(), cycle["motion"].min(), motion_range, np.trapezoid(x, t) / (end - start), energy,
            load_range / (top["motion"] - bottom["motion"]), np.polyfit(loading["motion"], loading["load"], 1)[0],
            np.polyfit(unloading["motion"], unloading["load"], 1)[0],
            energy / (np.pi * load_range * motion_range * JOULE / 4), m1 - m0, cycle["temperature"].mean(),
        ))  # fmt: skip
    return dict(zip(FIGURES, np.array(rows).T, strict=True))


def numpy_reduceat(path: Path, level: float) -> dict[str, Floats]:
    """(e) NumPy reductions between crossings, in blocks of whole cycles."""
    table = pq.read_table(path, columns=COLUMNS)
    time, load, motion, warm = (np.asarray(table.column(name)) for name in COLUMNS)
    at, part = crossings(load, level)

    def block(first: int) -> Floats:
        here = slice(first, min(first + BLOCK + 1, len(at)))
        low, high = at[here][0] - 1, at[here][-1] + 1
        t = (time[low:high] - time[low]) * 1e-6
        f, x = load[low:high].astype(float), motion[low:high].astype(float)
        return _between(t, f, x, warm[low:high].astype(float), at[here] - low, part[here], level)

    blocks = [block(first) for first in range(0, len(at) - 1, BLOCK)]
    return dict(zip(FIGURES, np.concatenate(blocks, axis=1), strict=True))


def _between(t: Floats, f: Floats, x: Floats, warm: Floats, at: Floats, part: Floats, level: float) -> Floats:
    """Figures of the cycles between crossings, one row a figure; one sample stands before and one after them."""
    edge_t = t[at - 1] + part * (t[at] - t[at - 1])
    edge_x = x[at - 1] + part * (x[at] - x[at - 1])
    a, b = at[:-1], at[1:] - 1  # first and last sample of each cycle
    lead, trail, period = t[a] - edge_t[:-1], edge_t[1:] - t[b], np.diff(edge_t)
    m0, m1 = edge_x[:-1], edge_x[1:]
    dt, dx = np.diff(t[:-1]), np.diff(x[:-1])
    dt[b[:-1]] = dx[b[:-1]] = 0.0  # the steps from one cycle to the next
    sum_f, sum_x = f[:-2] + f[1:-1], x[:-2] + x[1:-1]
    starts = a - 1  # in the steps and samples from 1 on
    t, f, x, warm = t[1:-1], f[1:-1], x[1:-1], warm[1:-1]
    step_a = np.maximum(a, 1)
    load_sum = 0.5 * np.add.reduceat(sum_f * dt, step_a) + 0.5 * lead * (level + f[starts])
    motion_sum = 0.5 * np.add.reduceat(sum_x * dt, step_a) + 0.5 * lead * (m0 + x[starts])
    area = 0.5 * np.add.reduceat((sum_f - 2 * level) * dx, step_a) + 0.5 * (f[starts] - level) * (x[starts] - m0)
    ends = b - 1
    load_sum += 0.5 * trail * (f[ends] + level)
    motion_sum += 0.5 * trail * (x[ends] + m1)
    area += 0.5 * (f[ends] - level) * (m1 - x[ends])
    samples = np.diff(at)
    peak, valley = np.maximum.reduceat(f, starts), np.minimum.reduceat(f, starts)
    x_max, x_min = np.maximum.reduceat(x, starts), np.minimum.reduceat(x, starts)
    temperature = np.add.reduceat(warm, starts) / samples
    number = np.repeat(np.arange(len(a)), samples)
    top, bottom = (_first(f == ends_[number], number) for ends_ in (peak, valley))
    load_range, motion_range = peak - valley, x_max - x_min
    low, high = valley + BAND[0] * load_range, valley + BAND[1] * load_range
    inside = np.flatnonzero((f >= low[number]) & (f <= high[number]))
    down = (inside >= top[number[inside]]) & (inside <= bottom[number[inside]])
    f0, x0 = f.mean(), x.mean()
    slopes = []
    for chosen in (inside[~down], inside[down]):
        to, fs, xs = np.searchsorted(chosen, starts), f[chosen] - f0, x[chosen] - x0
        n = np.diff(to, append=len(chosen))
        sx, sf, sxx, sxf = (np.add.reduceat(v, to) for v in (xs, fs, xs * xs, xs * fs))
        slopes.append((n * sxf - sx * sf) / (n * sxx - sx * sx))
    energy = area * JOULE
    return np.stack([
        period, samples, peak, valley, t[top] - edge_t[:-1], t[bottom] - edge_t[:-1], x[top], x[bottom], load_range,
        load_sum / period, x_max, x_min, motion_range, motion_sum / period, energy,
        load_range / (x[top] - x[bottom]), slopes[0], slopes[1],
        energy / (np.pi * load_range * motion_range * JOULE / 4), m1 - m0, temperature,
    ])  # fmt: skip


def _first(hit: Floats, number: Floats) -> Floats:
    """First sample of each cycle that is hit (at least one is)."""
    at = np.flatnonzero(hit)
    of = number[at]
    return at[np.concatenate(([True], of[1:] != of[:-1]))]


def polars_group_by(path: Path, level: float) -> dict[str, Floats]:
    """(d) Vectorised Polars group-bys over the number of the last crossing."""
    import polars as pl

    t, f, x = pl.col("t"), pl.col("f"), pl.col("x")
    table = pq.read_table(path, columns=COLUMNS)
    frame = pl.from_arrow(table)
    assert isinstance(frame, pl.DataFrame)
    rising = (f >= level) & (f.shift(1) < level)
    frame = (
        frame.lazy()
        .select(
            t=(pl.col("time_us") - pl.col("time_us").first()) * 1e-6, f=pl.col("load").cast(pl.Float64),
            x=pl.col("motion").cast(pl.Float64), warm="temperature",
        )
        .with_columns(n=rising.fill_null(False).cum_sum().cast(pl.UInt32))
        .with_columns(dt=t.shift(-1) - t, dx=x.shift(-1) - x, sf=f + f.shift(-1), sx=x + x.shift(-1))
        .collect()
    )  # fmt: skip
    one = (
        frame.lazy()
        .group_by("n")
        .agg(
            pl.len().alias("samples"), f.max().alias("peak"), f.min().alias("valley"), x.max().alias("x_max"),
            x.min().alias("x_min"), f.arg_max().alias("top"), f.arg_min().alias("bottom"),
            pl.col("warm").cast(pl.Float64).sum().alias("warm"), (pl.col("sf") * pl.col("dt")).sum().alias("load_sum"),
            (pl.col("sx") * pl.col("dt")).sum().alias("motion_sum"),
            ((pl.col("sf") - 2 * level) * pl.col("dx")).sum().alias("area"),
            *(pl.col(name).first().alias(f"{name}_first") for name in "tfx"),
            *(pl.col(name).last().alias(f"{name}_last") for name in ("t", "f", "x", "dt", "dx", "sf", "sx")),
        )
        .sort("n")
        .with_columns(first=pl.col("samples").cum_sum() - pl.col("samples"))
        .collect()
    )  # fmt: skip
    g = {name: one[name].to_numpy() for name in one.columns}
    low = g["valley"] + BAND[0] * (g["peak"] - g["valley"])
    high = g["valley"] + BAND[1] * (g["peak"] - g["valley"])
    number = frame["n"]
    to = {
        name: pl.Series(values).gather(number)
        for name, values in (
            ("low", low), ("high", high), ("top", g["first"] + g["top"]), ("bottom", g["first"] + g["bottom"]),
        )
    }  # fmt: skip
    k = pl.int_range(pl.len(), dtype=pl.UInt32)
    f0, x0 = frame["f"].mean(), frame["x"].mean()
    sums = (
        frame.lazy()
        .select("n", f=f - f0, x=x - x0, down=(k >= to["top"]) & (k <= to["bottom"]),
                inside=(f >= to["low"]) & (f <= to["high"]))
        .filter("inside")
        .group_by("n", "down")
        .agg(pl.len().cast(pl.Float64).alias("c"), x.sum().alias("sx"), f.sum().alias("sf"),
             (x * x).sum().alias("sxx"), (x * f).sum().alias("sxf"))
        .select("n", "down", slope=(pl.col("c") * pl.col("sxf") - pl.col("sx") * pl.col("sf"))
                / (pl.col("c") * pl.col("sxx") - pl.col("sx") ** 2))
        .sort("n")
        .collect()
    )  # fmt: skip
    up, down = (sums.filter(pl.col("down") == way) for way in (False, True))
    slopes = [_at(one["n"].to_numpy(), way["n"].to_numpy(), way["slope"].to_numpy()) for way in (up, down)]
    at = {name: frame["x" if name[0] == "m" else "t"].to_numpy()[g["first"] + g[name[2:]]] for name in
          ("m_top", "m_bottom", "t_top", "t_bottom")}  # fmt: skip
    return _closed(g, slopes, at, level)


def _at(wanted: Floats, number: Floats, values: Floats) -> Floats:
    out = np.full(len(wanted), np.nan)
    out[np.searchsorted(wanted, number)] = values
    return out


def _closed(g: dict[str, Floats], slopes: list[Floats], at: dict[str, Floats], level: float) -> dict[str, Floats]:
    """Close the cycles at their crossings; the first and last group of samples are no whole cycles."""
    f0, f1 = g["f_last"][:-1], g["f_first"][1:]
    part = (level - f0) / (f1 - f0)
    edge_t = g["t_last"][:-1] + part * (g["t_first"][1:] - g["t_last"][:-1])
    edge_x = g["x_last"][:-1] + part * (g["x_first"][1:] - g["x_last"][:-1])
    c = slice(1, -1)
    m0, m1, period = edge_x[:-1], edge_x[1:], np.diff(edge_t)
    lead, trail = g["t_first"][c] - edge_t[:-1], edge_t[1:] - g["t_last"][c]
    load_sum = 0.5 * (g["load_sum"] - g["sf_last"] * g["dt_last"])[c]
    load_sum += 0.5 * lead * (level + g["f_first"][c]) + 0.5 * trail * (g["f_last"][c] + level)
    motion_sum = 0.5 * (g["motion_sum"] - g["sx_last"] * g["dt_last"])[c]
    motion_sum += 0.5 * lead * (m0 + g["x_first"][c]) + 0.5 * trail * (g["x_last"][c] + m1)
    area = 0.5 * (g["area"] - (g["sf_last"] - 2 * level) * g["dx_last"])[c]
    area += 0.5 * (g["f_first"][c] - level) * (g["x_first"][c] - m0)
    area += 0.5 * (g["f_last"][c] - level) * (m1 - g["x_last"][c])
    load_range, motion_range = (g["peak"] - g["valley"])[c], (g["x_max"] - g["x_min"])[c]
    energy = area * JOULE
    return dict(zip(FIGURES, (
        period, g["samples"][c], g["peak"][c], g["valley"][c], at["t_top"][c] - edge_t[:-1],
        at["t_bottom"][c] - edge_t[:-1], at["m_top"][c], at["m_bottom"][c], load_range, load_sum / period,
        g["x_max"][c], g["x_min"][c], motion_range, motion_sum / period, energy,
        load_range / (at["m_top"] - at["m_bottom"])[c], slopes[0][c], slopes[1][c],
        energy / (np.pi * load_range * motion_range * JOULE / 4), m1 - m0, (g["warm"] / g["samples"])[c],
    ), strict=True))  # fmt: skip


def ours_as_figures(cycles: pa.Table) -> dict[str, Floats]:
    """The same figures from the cycles table (complete cycles)."""
    cycles = cycles.filter(cycles.column("complete"))
    return {name: np.array(cycles.column(name), float) for name in FIGURES}


def apart(theirs: dict[str, Floats], mine: dict[str, Floats]) -> tuple[float, str]:
    """Largest difference of two sets of figures, as a part of the figure's own scale, and which it is.

    The scale of a figure that may be zero is that of the range it belongs to.

    Raises
    ------
    ValueError
        They have another number of cycles.
    """
    scale = {name: np.abs(mine[name]) for name in FIGURES}
    motions = ("closure_error", "motion_at_peak", "motion_at_valley", "motion_min")
    scale |= dict.fromkeys(motions, mine["motion_range"])
    scale |= dict.fromkeys(("peak_time_s", "valley_time_s"), mine["period_s"])
    count = len(mine["period_s"])
    if not count <= len(theirs["period_s"]) <= count + 1:  # ours is not sure of a boundary before the first valley
        raise ValueError(f"{len(theirs['period_s'])} cycles, ours {count}")
    found = {name: float(np.max(np.abs(theirs[name][-count:] - mine[name]) / scale[name])) for name in FIGURES}
    worst = max(found, key=lambda name: found[name])
    return found[worst], worst
