"""The strip of margins: every limit that is due on one scale, the limit at nought, a bar for value ± U."""

from __future__ import annotations

from collections.abc import Iterator

from benchpipe.check.decision import Verdict
from benchpipe.report.page.markup import Markup, joined, tag, void
from benchpipe.report.page.paths import label, path, picture, straight
from benchpipe.report.page.scales import Scale
from benchpipe.report.signs import margin_with_unit, number
from benchpipe.views.page.model import Margin

WIDTH, ROW, TOP, BOTTOM = 540.0, 36.0, 30.0, 26.0
SIGN = {Verdict.PASS: "✓", Verdict.FAIL: "✗", Verdict.INCONCLUSIVE: "?", Verdict.NOT_EVALUATED: "–"}
MOST_LETTERS = 48
LEAST_PART, MOST_PART = 0.1, 1.0  # of a limit, on either side of it


def strip_svg(margins: tuple[Margin, ...]) -> Markup:
    """The strip of the limits that are due."""
    due = [one for one in margins if one.row["due"]]
    known = [one for one in due if one.at is not None]
    scale = _scale(known)
    height = TOP + ROW * len(due) + BOTTOM
    zero, bottom = scale.place(0.0), height - BOTTOM
    words = f"margins of {len(due)} limits; left of nought fails"
    back = void("rect", class_="bad-side", x=f"{scale.start:.1f}", y=TOP - 4, width=f"{zero - scale.start:.1f}",
                height=f"{bottom - TOP + 4:.1f}")  # fmt: skip
    parts = [back, label(zero - 6, 14, "✗ beyond the limit", "axis end"), label(zero + 6, 14, "within ✓", "axis")]
    for value in scale.ticks(6):
        at = scale.place(value)
        parts += [straight(at, TOP - 4, at, bottom, "grid"),
                  label(at, bottom + 16, f"{100 * value:+.0f} %" if value else "limit", "tick mid")]  # fmt: skip
    parts.append(straight(zero, TOP - 8, zero, bottom, "limit"))
    names = [one.row["limit"] for one in due]
    rows = joined(
        joined(_row(one, TOP + ROW * (k + 0.5), scale, several=names.count(one.row["limit"]) > 1))
        for k, one in enumerate(due)
    )
    return picture(WIDTH, height, words, *parts, rows, class_="strip")


def _scale(known: list[Margin]) -> Scale:
    """From the worst to a limit's own size on the good side."""
    ends = [(one.at or 0.0) - (one.wide or 0.0) for one in known]
    far = [(one.at or 0.0) + (one.wide or 0.0) for one in known]
    low = max(min([*ends, -LEAST_PART]), -MOST_PART)
    high = min(max([*far, LEAST_PART]), MOST_PART)
    return Scale(low - 0.04 * (high - low), high + 0.04 * (high - low), 14.0, WIDTH - 14)


def _row(one: Margin, y: float, scale: Scale, *, several: bool) -> Iterator[Markup]:
    row, verdict = one.row, Verdict(one.row["verdict"])
    name = f"{row['limit']} ({row['block']})" if several else row["limit"]
    name = name if len(name) <= MOST_LETTERS else f"{name[: MOST_LETTERS - 1]}…"
    kind = f"v-{verdict.replace(' ', '-')}{' marginal' if one.marginal else ''}"
    yield label(14, y - 5, SIGN[verdict], f"sign {kind}")
    yield label(30, y - 5, f"{name}, near to failing" if one.marginal else name, "name")
    y += 6.0
    if one.at is None:
        yield label(scale.place(0.0) + 8, y + 4, "not measured", "tick")
        return
    low, high = (min(max(v, scale.low), scale.high) for v in (one.at - (one.wide or 0), one.at + (one.wide or 0)))
    at = scale.place(min(max(one.at, scale.low), scale.high))
    margin = margin_with_unit(row["margin"], row["unit"], 3)
    tip = f"margin {margin} = {100 * one.at:.3g} % ± {100 * (one.wide or 0):.2g} %"
    body = [tag("title", f"{row['limit']} ({row['block']}): {verdict}, {tip}")]
    if scale.inside(one.at):
        body.append(void("rect", class_=f"u {kind}", x=f"{scale.place(low):.1f}", y=f"{y - 5:.1f}",
                         width=f"{max(scale.place(high) - scale.place(low), 1.0):.1f}", height=10))  # fmt: skip
        body.append(void("rect", class_=f"value {kind}", x=f"{at - 1.5:.1f}", y=f"{y - 7:.1f}", width=3, height=14))
    else:
        way = 1 if one.at > scale.high else -1
        body.append(path(f"M{at + 4 * way:.1f} {y:.1f}l{-9 * way} -5v10z", f"far {kind}"))
        beyond = f"{'+' if one.at > 0 else ''}{number(100.0 * one.at, 2)} %"
        body.append(label(at - 9 * way, y + 4, beyond, "tick end" if way > 0 else "tick"))
    yield tag("g", joined(body))
