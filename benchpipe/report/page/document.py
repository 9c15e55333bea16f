"""The whole document: one file that asks for nothing from any place."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path

from benchpipe import __version__
from benchpipe.report.page.markup import Markup, joined, tag, void
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
STATE = "benchpipe-state"


@cache
def asset(name: str) -> str:
    """A style or script of the page."""
    return (Path(__file__).parent / name).read_text(encoding="utf-8")


def policy(script: str, style: str) -> str:
    """Content policy: this script, this style, and nothing else."""
    hashes = [base64.b64encode(hashlib.sha256(words.encode()).digest()).decode() for words in (script, style)]
    return (f"default-src 'none'; script-src 'sha256-{hashes[0]}'; style-src 'sha256-{hashes[1]}'; "
            "base-uri 'none'; form-action 'none'")  # fmt: skip


def document(title: str, state: str, body: Markup, script: str, style: str) -> str:
    """An HTML document with its policy, style and script."""
    head = joined((
        void("meta", charset="utf-8"),
        void("meta", http_equiv="Content-Security-Policy", content=policy(script, style)),
        void("meta", name="viewport", content="width=device-width, initial-scale=1"),
        void("meta", name=STATE, content=state), void("meta", name="generator", content=f"benchpipe {__version__}"),
        tag("title", title), tag("style", Markup(style)),
    ), "\n")  # fmt: skip
    return f'<!doctype html>\n<html lang="en">\n<head>\n{head}\n</head>\n<body>\n{body}\n' \
           f"<script>{script}</script>\n</body>\n</html>\n"  # fmt: skip


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
