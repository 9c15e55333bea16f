"""View of rolls: figures over the passes, in named axes, and what they say of walking and of standing."""

from __future__ import annotations

from math import isfinite

import numpy as np

from benchpipe.blocks.figures import BlockView, Figure, of_block
from benchpipe.blocks.roll.limits import compared
from benchpipe.blocks.roll.means import RollRows, last_remark, roll_rows
from benchpipe.blocks.roll.plan import RollBlock
from benchpipe.blocks.roll.reference import ARC_OF_LEG, published_radius, published_words
from benchpipe.columns import floats
from benchpipe.kernels.robust import median
from benchpipe.kernels.rocker_passes import PassesMean, RatioInterval, radius_words
from benchpipe.kernels.rocker_standing import RockerStanding, standing
from benchpipe.store.manifest import Manifest
from benchpipe.store.run_store import RunStore

SHORT = {"foot": "foot", "ankle-foot": "AF", "knee-ankle-foot": "KAF"}
MM = 1e3


def roll_view(block: RollBlock, units: dict[str, str], manifest: Manifest, store: RunStore) -> BlockView:
    """Means over the passes of the block's direction, with the interval that the scatter between passes makes."""
    here = roll_rows(block, manifest, store)
    if not here.used.num_rows:
        return BlockView(block.name, block.kind, 0, block.planned_passes, (), last_remark(here.rows))
    curvature = here.mean("curvature_per_m")
    figures = [*_figures(block, here, curvature), *_shares(block, here), *_other_way(block, manifest, store)]
    said = [
        *_said(block, here, curvature),
        *_compared(block, manifest, store, figures),
        *_standing(block, here, figures),
    ]
    said += _stances(units, manifest, store)
    return BlockView(
        block.name, block.kind, here.used.num_rows, block.planned_passes, tuple(figures), "; ".join(filter(None, said))
    )


def _figure(name: str, mean: PassesMean, unit: str, trend: tuple[float, ...] = (), factor: float = 1.0) -> Figure:
    known = isfinite(mean.u)
    return Figure(
        name, factor * mean.value, unit, None, trend, factor * mean.u if known else None,
        expanded_u=factor * mean.half if known else None,
    )  # fmt: skip


def _figures(block: RollBlock, here: RollRows, curvature: PassesMean) -> list[Figure]:
    short = SHORT[block.axes]
    figures = [_figure(f"{short} curvature", curvature, "1/m")]
    for column, name, unit in (
        ("slope_mm", f"{short} rolling slope", "m"),
        ("arc_length_mm", f"{short} arc length", "m"),
        ("foot_length_ratio", "effective foot length ratio", "1"),
        ("stiffness", "moment about the ankle, a degree", "N*m/deg"),
    ):
        mean = here.mean(column)
        if isfinite(mean.value):
            figures.append(_figure(name, mean, unit, factor=1.0 / MM if unit == "m" else 1.0))
    figures.append(Figure("distance from the arc (rms)", median(floats(here.used.column("rms_mm"))), "mm"))
    names = (("slope_heel_mm", "heel"), ("slope_mid_mm", "mid"), ("slope_fore_mm", "forefoot"))
    thirds = [(name, median(floats(here.used.column(column))) / MM) for column, name in names]
    group = f"{short} rolling slope by thirds of the tilt"
    return figures + [Figure(name, value, "m", group=group) for name, value in thirds if isfinite(value)]


def _shares(block: RollBlock, here: RollRows) -> list[Figure]:
    """Lengths as parts of stature and of leg length."""
    figures = []
    for person, length in (("stature", block.person.stature), ("leg length", block.person.leg_length)):
        if length is None:
            continue
        for column, name in (("slope_mm", "rolling slope"), ("arc_length_mm", "arc length")):
            mean = here.mean(column)
            figures.append(Figure(name, mean.value / length, "1", group=f"as a part of {person}"))
    return figures


def _other_way(block: RollBlock, manifest: Manifest, store: RunStore) -> list[Figure]:
    other = "back" if block.direction == "forward" else "forward"
    there = roll_rows(block, manifest, store, other)
    if not there.used.num_rows:
        return []
    group = f"{SHORT[block.axes]} curvature {'toe to heel' if other == 'back' else 'heel to toe'}"
    return [Figure(f"{there.used.num_rows} passes", there.mean("curvature_per_m").value, "1/m", group=group)]


def _said(block: RollBlock, here: RollRows, curvature: PassesMean) -> list[str]:
    """Axes, window, radius or its bound, and what is published."""
    low, high = (median(floats(here.used.column(name))) for name in ("tilt_low_deg", "tilt_high_deg"))
    radius = radius_words(curvature)
    words = [f"{block.axes} axes, {block.window_words} (tilt {low:.1f} to {high:.1f} deg)", radius]
    if curvature.passes < 2:
        fit = float(floats(here.used.column("curvature_per_m_u"))[0])
        words.append(f"one pass: its fit alone has a standard uncertainty of {fit:.2g} 1/m, passes differ by more")
    words.append(here.plates_differ)
    person = block.person
    found = published_radius(person.published, block.axes, None if person.stature is None else person.stature / MM)
    if found is not None:
        words.append(published_words(found))
    if person.leg_length is not None:
        part = here.mean("arc_length_mm").value / person.leg_length
        words.append(f"arc {100 * part:.0f} % of leg length, published optimum of rigid arcs {100 * ARC_OF_LEG:.0f} %")
    lost = here.rows.num_rows - sum(np.isfinite(floats(here.rows.column("curvature_per_m"))))
    return [*words, f"{lost} pass(es) without a figure" if lost else ""]


def _compared(block: RollBlock, manifest: Manifest, store: RunStore, figures: list[Figure]) -> list[str]:
    """Ratio to the block it is compared with; its figure goes to the others."""
    ratio = ratio_to_other(block, manifest, store)
    if ratio is not None and ratio.known:
        half = max(ratio.high - ratio.value, ratio.value - ratio.low)
        figures.append(Figure(f"curvature over {block.compare_with}", ratio.value, "1", u=half / 2, expanded_u=half))
    return [ratio_words(block, ratio)] if ratio is not None else []


def ratio_to_other(block: RollBlock, manifest: Manifest, store: RunStore) -> RatioInterval | None:
    """Curvature over that of the block it is compared with; None where there is no such block."""
    if block.compare_with is None:
        return None
    rows = store.read(manifest, "rolls")
    return compared(of_block(rows, block.name), of_block(rows, block.compare_with), block.direction)


def ratio_words(block: RollBlock, ratio: RatioInterval) -> str:
    """The same in words, with its interval."""
    if not ratio.known:
        return f"curvature over that of {block.compare_with}: {ratio.why or 'no bound'}"
    ends = f"{ratio.value:.3g} of its curvature ({ratio.low:.3g} to {ratio.high:.3g})"
    if ratio.high < 1.0:
        return f"flatter than {block.compare_with}: {ends}"
    if ratio.low > 1.0:
        return f"more curved than {block.compare_with}: {ends}"
    return f"not separable from {block.compare_with}: {ends}"


NEITHER = {"undecided": "undecided", "not known": "not known"}
WORDS = {"yes": "flat enough to stand on", "no": "too curved to stand on", **NEITHER}
STIFF = {"yes": "stiff enough", "no": "too soft", **NEITHER}


def standing_of(block: RollBlock, here: RollRows) -> RockerStanding | None:
    """What the passes say of standing; None without a height of the centre of mass."""
    person = block.person
    if person.centre_of_mass is None:
        return None
    return standing(
        here.mean("curvature_per_m"),
        here.mean("stiffness"),
        here.mean("force_mean_n").value,
        person.centre_of_mass / MM,
        person.body_weight,
        person.legs,
    )


def _standing(block: RollBlock, here: RollRows, figures: list[Figure]) -> list[str]:
    found = standing_of(block, here)
    if found is None or block.person.centre_of_mass is None:
        return []
    height = block.person.centre_of_mass / MM
    words = [f"shape: {WORDS[found.shape]} with the centre of mass {height:g} m up (R > {height:g} m)"]
    force, weight = here.mean("force_mean_n").value, block.person.body_weight
    if found.stiff == "not known" and weight is not None:
        leg = weight / block.person.legs
        words.append(f"stiffness: not judged, rolled under {force:.0f} N and a leg carries {leg:.0f} N")
    if found.stiff != "not known":
        words.append(
            f"stiffness: {STIFF[found.stiff]}, {found.stiffness:.3g} N*m/deg ({found.stiffness_low:.3g} to "
            f"{found.stiffness_high:.3g}) under {force:.0f} N, m g h asks for {found.least_stiffness:.3g} of each of "
            f"{block.person.legs} leg(s)"
        )
    return words


def _stances(units: dict[str, str], manifest: Manifest, store: RunStore) -> list[str]:
    """The same run's stance windows, beside what the shape says of standing."""
    if "stances" not in store.tables:
        return []
    rows = store.read(manifest, "stances").to_pylist()
    last = {row["block"]: row for row in rows}
    return [
        f"{name}, {row['duration_s']:.3g} s of standing: range {row['motion_range']:.3g} {units['motion']}"
        for name, row in last.items()
        if row["motion_range"] is not None
    ]
