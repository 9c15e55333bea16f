"""Names of months in logs of several languages, and their numbers."""

from __future__ import annotations

import re
from types import MappingProxyType

_LANGUAGES = (
    "january february march april may june july august september october november december",
    "januar februar märz april mai juni juli august september oktober november dezember",
    "janvier février mars avril mai juin juillet août septembre octobre novembre décembre",
)
_SHORT = (
    "jan feb mar apr may jun jul aug sep oct nov dec",
    "jan feb mär apr mai jun jul aug sep okt nov dez",
    "janv févr mars avr mai juin juil août sept oct nov déc",
    "jän feb mrz apr mai juni juli aug sept okt nov dez",
)
NUMBERS = MappingProxyType(
    {name: number for names in (*_LANGUAGES, *_SHORT) for number, name in enumerate(names.split(), 1)}
)
PATTERN = "|".join(re.escape(name) for name in sorted(NUMBERS, key=len, reverse=True))


def numbered_names() -> tuple[list[str], list[str]]:
    """Names as they look where each byte beyond ASCII is a ``?``, longest first, and their numbers in two digits."""
    seen: dict[str, str] = {}
    for name in sorted(NUMBERS, key=len, reverse=True):
        for codec in ("utf-8", "latin-1"):
            shown = "".join(chr(b) if b < 128 else "?" for b in name.encode(codec))
            seen |= {f"{shown}.": f"{NUMBERS[name]:02d}"} | {shown: f"{NUMBERS[name]:02d}"}
    names = sorted(seen, key=len, reverse=True)
    return names, [seen[name] for name in names]
