"""The whole document: one file that asks for nothing from any place."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from pathlib import Path

from benchpipe import __version__
from benchpipe.report.page.markup import Markup, joined, tag, void

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
