"""Tools of the chart of loops: one is singled out by a slider, another is laid beside it."""

from __future__ import annotations

from benchpipe.blocks.charts import Chart
from benchpipe.report.page.markup import Markup, joined, tag, void


def loop_tools(chart: Chart, name: str) -> Markup:
    """Slider and choice; hidden where no script runs."""
    loops = chart.panels[0].series
    numbers = [one.name for one in loops]
    choices = [tag("option", "none", value="")]
    choices += [tag("option", f"cycle {n}{f' ({one.note})' if one.note else ''}", value=k)
                for k, (n, one) in enumerate(zip(numbers, loops, strict=True))]  # fmt: skip
    slider = void("input", type="range", min=0, max=len(loops) - 1, value=len(loops) - 1, id=f"{name}-one",
                  class_="one", aria_describedby=f"{name}-said")  # fmt: skip
    parts = (
        tag("label", "Single out ", slider, for_=f"{name}-one"),
        tag("label", "against ", tag("select", joined(choices), class_="other", id=f"{name}-other"),
            for_=f"{name}-other"),
        tag("output", "", id=f"{name}-said", class_="said", aria_live="polite"),
    )  # fmt: skip
    return tag("div", *parts, class_="js tools")
