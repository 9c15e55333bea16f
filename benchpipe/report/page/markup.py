"""HTML and SVG elements as text. Every text is escaped here, once, with its control letters made visible."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from benchpipe.escapes import visible


class Markup(str):
    """Text that is markup already."""

    __slots__ = ()


def text(value: object) -> Markup:
    """A text as it may stand in HTML: no markup in it is obeyed, and no control letter."""
    if isinstance(value, Markup):
        return value
    shown = str(value).encode("utf-8", "backslashreplace").decode()  # bytes of a name that are no text
    return Markup(escape(visible(shown), quote=True))


def tag(element: str, /, *inside: object, **attributes: object) -> Markup:
    """An element. ``class_`` and ``for_`` are the attributes without the bar; a bar inside is a hyphen.

    None leaves an attribute out, True gives it without a value.
    """
    words = [element]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        key = key.rstrip("_").replace("_", "-") if key != "viewBox" else key
        words.append(key if value is True else f'{key}="{text(value)}"')
    return Markup(f"<{' '.join(words)}>{''.join(map(text, inside))}</{element}>")


def void(element: str, /, **attributes: object) -> Markup:
    """An element that has nothing inside, as SVG and HTML both take it."""
    made = tag(element, **attributes)
    return Markup(made.removesuffix(f"></{element}>") + "/>")


def joined(parts: Iterable[object], between: str = "") -> Markup:
    """Several pieces in one."""
    return Markup(between.join(map(text, parts)))
