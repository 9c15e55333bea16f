"""The page of a run as one HTML file."""

from __future__ import annotations

from benchpipe import __version__
from benchpipe.report.page.document import asset, document
from benchpipe.report.page.markup import joined, tag
from benchpipe.report.page.sections import is_bare, sections
from benchpipe.report.values import headline_words
from benchpipe.views.caution import CAUTION
from benchpipe.views.page.model import RunPage

NAMES = (
    ("stands", "Where it stands"), ("limits", "Limits"), ("changed", "What changed"), ("loops", "Loops"),
    ("trends", "Over the cycles"), ("load", "Under load"), ("free", "Free"), ("proofs", "Proofs and lock changes"),
    ("rig", "The rig"), ("left-out", "Left out"), ("sure", "How sure"), ("origin", "Origin"),
)  # fmt: skip
BARE = 2  # sections that need no table


def run_document(page: RunPage, board: str = "") -> str:
    """The page of a run.

    Parameters
    ----------
    board : str
        Address of the lab's board, where there is one.
    """
    view = page.view
    words = headline_words(view)
    kind = f"v-{view.verdict.replace(' ', '-')}" if view.judged and view.failed is None else "v-none"
    nav = joined((tag("a", title, href=f"#{name}") for name, title in NAMES[: BARE if is_bare(page) else None]), " ")
    header = tag(
        "header", tag("p", tag("a", "← all runs", href=board)) if board else "", tag("h1", view.run),
        tag("p", words, class_=f"verdict {kind}"),
        tag("p", "; ".join(filter(None, (view.specimen, f"rig {view.rig}" if view.rig else "", view.note))),
            class_="dim"),
    )  # fmt: skip
    body = joined((
        tag("a", "Skip to the limits", href="#limits", class_="skip"), header,
        tag("nav", nav, aria_label="Sections"), tag("main", joined(sections(page), "\n")),
        tag("footer", tag("p", CAUTION), tag("p", f"Made by benchpipe {__version__} from state {page.state[:12]}.")),
    ), "\n")  # fmt: skip
    style = asset("page.css") + asset("figures.css")
    return document(f"{view.run}: {words.lower()}", page.state, body, asset("page.js"), style)
