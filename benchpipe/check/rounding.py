"""Figures as they are printed: value and uncertainty to the same decimal, probabilities, bounds.

References
----------
JCGM 100:2008 (GUM) 7.2.6: at most two significant digits of u or U, rounded up where appropriate (10.47 to 11), with
common sense (28.05 to 28), and the value to the same decimal (10.057 62 with 0.027 to 10.058).
EA-4/02 M asks to round up where otherwise more than 5 % is lost: with two digits that never happens, and
GUM's own 10.47 loses 4.5 %. Here it is 2.5 %, which agrees with both examples.
Both written from memory; not checked against the documents.
"""

from __future__ import annotations

from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from math import isfinite
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DIGITS = 2
MOST_LOST = Decimal("0.025")
DIGITS_ALONE = 4
"""Significant digits of a value without an uncertainty."""
NOT_MEASURED = "not measured"
NOT_KNOWN = "not known"
TINY = Decimal("1e-9")


def decimal_of(value: float) -> float:
    """A number that is one of single precision, by the shortest decimal that names it: 23.1 for 23.100000381469727.

    Samples and the figures of cycles are kept so. Any other double, and an integer, stays as it is.
    """
    if not isfinite(value) or float(value).is_integer():
        return value
    import numpy as np

    single = np.float32(value)  # what is beyond its range is an integer
    return float(str(single)) if float(single) == value else value


def decimals_of(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """:func:`decimal_of` of each; shape (n,)."""
    import numpy as np
    import pyarrow as pa

    with np.errstate(over="ignore", invalid="ignore"):
        single = values.astype(np.float32)
        exact = (single.astype(np.float64) == values) & (values != np.rint(values))
    shortest = np.asarray(pa.array(single).cast(pa.string()).cast(pa.float64()))
    return np.where(exact, shortest, values)


def rounded(value: float | None, u: float | None) -> tuple[str, str]:
    """Return value and uncertainty as text (GUM 7.2.6).

    Parameters
    ----------
    value : float or None
        None or not finite: "not measured".
    u : float or None
        Standard or expanded uncertainty in the value's unit. 0: the value is exact and keeps all its digits (a count);
        None or not finite: "not known", and the value has four significant digits.
    """
    if value is None or not isfinite(value):
        return NOT_MEASURED, NOT_KNOWN
    exact = _decimal(decimal_of(value) if u == 0.0 else value)
    if u is None or not isfinite(u) or u < 0.0:
        return _text(exact, _place(exact, DIGITS_ALONE)), NOT_KNOWN
    if u == 0.0:
        return _text(exact, min(int(exact.normalize().as_tuple().exponent), 0)), "0"
    short, place = _short(_decimal(u))
    return _text(exact, place), _text(short, place)


def bound(value: float | None, u: float | None, side: Literal["at least", "at most"]) -> str:
    """Return a bound as text; rounded so that the statement stays true: down for "at least", up for "at most"."""
    if value is None or not isfinite(value):
        return NOT_MEASURED
    exact = _decimal(value)
    known = u is not None and isfinite(u) and u > 0.0
    place = _short(_decimal(u))[1] if known and u is not None else _place(exact, DIGITS_ALONE)
    return f"{side} {_text(exact, place, ROUND_FLOOR if side == 'at least' else ROUND_CEILING)}"


def probability_text(p: float | None) -> str:
    """Return a probability in percent; outside 0.1 to 99.9 % as a bound, since no model is trusted that far."""
    if p is None or not 0.0 <= p <= 1.0:
        return NOT_KNOWN
    if p > 0.999:
        return "> 99.9 %"
    return "< 0.1 %" if p < 0.001 else f"{100.0 * p:.1f} %"


def risk_text(p: float) -> str:
    """Return the percentage behind "at most": two significant digits, rounded up."""
    percent = 100 * _decimal(p)
    place = max(_place(percent, DIGITS), -6)
    return f"{_plain(_to(percent - percent * TINY, place, ROUND_CEILING))} %"


def _decimal(value: float) -> Decimal:
    """Shortest decimal of a double, so that 0.3 is 0.3."""
    return Decimal(repr(float(value)))


def _place(value: Decimal, digits: int) -> int:
    """Power of ten of the last of so many significant digits."""
    return value.adjusted() - digits + 1 if value else 0


def _to(value: Decimal, place: int, how: str) -> Decimal:
    """Round to a power of ten. Divided by it first: `quantize` stops at 28 digits."""
    return value.scaleb(-place).to_integral_value(how).scaleb(place)


def _short(u: Decimal) -> tuple[Decimal, int]:
    """Uncertainty in two significant digits, and the power of ten of its last."""
    place = _place(u, DIGITS)
    near = _to(u, place, ROUND_HALF_UP)
    if near < u * (1 - MOST_LOST):
        near = _to(u, place, ROUND_CEILING)
    if near.adjusted() > u.adjusted():  # 0.0996 has become 0.100: two digits are 0.10
        place += 1
    return _to(near, place, ROUND_HALF_UP), place


def _plain(value: Decimal) -> str:
    """Text without trailing zeros after the point."""
    text = f"{value:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _text(value: Decimal, place: int, how: str = ROUND_HALF_UP) -> str:
    """Text rounded to a power of ten, thousands grouped; far from 1 with a power of ten instead of many zeros."""
    near = _to(value, place, how)
    if not near:
        near = Decimal(0)  # no sign
    elif not -12 <= near.adjusted() <= 14:
        return f"{near:.{max(near.adjusted() - place, 0)}e}"
    return f"{near:,.{max(-place, 0)}f}"
