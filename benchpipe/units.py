"""Unit texts in configs and logs → factors. Inside, plain floats and unit suffixes.

A closed table: the quantities this trade measures, each with one inside unit.
Factors are exact by definition (SI brochure; NIST SP 811 for inch, pound and kip)
and are tested against an independent units library.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from benchpipe.errors import ConfigError, nearest


@dataclass(frozen=True)
class Unit:
    """One unit text: ``inside = value * factor + offset`` in the quantity's inside unit."""

    text: str
    quantity: str
    factor: float
    offset: float = 0.0


_LBF_N = 4.4482216152605
_INCH_MM = 25.4

# quantity → (inside unit, {text: factor}). The inside unit is what columns end in.
_QUANTITIES: dict[str, tuple[str, dict[str, float]]] = {
    "force": ("N", {"N": 1.0, "kN": 1e3, "daN": 10.0, "lbf": _LBF_N, "kip": 1e3 * _LBF_N, "kgf": 9.80665}),
    "torque": (
        "N*m",
        {"N*m": 1.0, "N*mm": 1e-3, "kN*m": 1e3, "lbf*in": _LBF_N * _INCH_MM * 1e-3, "lbf*ft": _LBF_N * 0.3048},
    ),
    "angle": ("deg", {"deg": 1.0, "rad": 180.0 / math.pi, "mrad": 0.18 / math.pi}),
    "length": ("mm", {"mm": 1.0, "um": 1e-3, "cm": 10.0, "m": 1e3, "in": _INCH_MM}),
    "time": ("s", {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "d": 86400.0}),
    "frequency": ("Hz", {"Hz": 1.0, "kHz": 1e3, "1/min": 1.0 / 60.0}),
    "temperature": ("degC", {"degC": 1.0, "K": 1.0, "degF": 5.0 / 9.0}),
    "ratio": ("1", {"1": 1.0, "%": 1e-2, "mm/m": 1e-3, "ppm": 1e-6}),  # strain too
    "stress": (
        "MPa",
        {"MPa": 1.0, "GPa": 1e3, "kPa": 1e-3, "Pa": 1e-6, "bar": 0.1,
         "psi": _LBF_N / _INCH_MM**2, "ksi": 1e3 * _LBF_N / _INCH_MM**2},
    ),
    "stiffness (linear)": ("N/mm", {"N/mm": 1.0, "N/m": 1e-3, "kN/mm": 1e3}),
    "stiffness (angular)": ("N*m/deg", {"N*m/deg": 1.0, "N*m/rad": math.pi / 180.0}),
    "curvature": ("1/m", {"1/m": 1.0, "1/mm": 1e3}),
    "energy": ("J", {"J": 1.0, "mJ": 1e-3}),
    "angle rate": ("deg/h", {"deg/h": 1.0, "deg/min": 60.0, "deg/s": 3600.0}),
    "length rate": ("mm/h", {"mm/h": 1.0, "mm/min": 60.0, "mm/s": 3600.0}),
    "force rate": ("N/s", {"N/s": 1.0, "kN/s": 1e3}),
    "torque rate": ("N*m/s", {"N*m/s": 1.0, "N*m/min": 1.0 / 60.0}),
    "voltage": ("V", {"V": 1.0, "mV": 1e-3}),
    "count": ("cycles", {"cycles": 1.0}),
    "number": ("times", {"times": 1.0}),
}
_OFFSETS = {"K": -273.15, "degF": -32.0 * 5.0 / 9.0}
# Other ways people write the same unit.
_ALIASES = {
    "°": "deg", "degree": "deg", "degrees": "deg", "Grad": "deg",
    "°C": "degC", "C": "degC", "°F": "degF", "µm": "um", "μm": "um",
    "µs": "us", "μs": "us", "sec": "s", "hour": "h", "day": "d", "inch": "in", "lb": "lbf",
    "Nm": "N*m", "N·m": "N*m", "N m": "N*m", "N.m": "N*m", "Nmm": "N*mm", "N·mm": "N*mm", "N mm": "N*mm",
    "kN m": "kN*m", "kN·m": "kN*m", "kNm": "kN*m", "lbf·in": "lbf*in", "lbf·ft": "lbf*ft",
    "N·m/deg": "N*m/deg", "Nm/deg": "N*m/deg", "N m/deg": "N*m/deg", "N·m/°": "N*m/deg",
    "Nm/°": "N*m/deg", "N·m/rad": "N*m/rad", "Nm/rad": "N*m/rad", "N m/rad": "N*m/rad",
    "N·m/s": "N*m/s", "Nm/s": "N*m/s", "N m/s": "N*m/s", "N·m/min": "N*m/min",
    "°/h": "deg/h", "°/min": "deg/min", "°/s": "deg/s", "cycle": "cycles",
    "": "1", "-": "1", "[-]": "1",
    "strain": "1", "mm/mm": "1", "m/m": "1", "in/in": "1", "microstrain": "ppm", "um/m": "ppm", "µm/m": "ppm",
    "μm/m": "ppm", "µε": "ppm", "με": "ppm", "ustrain": "ppm", "‰": "mm/m",
    "N/mm2": "MPa", "N/mm²": "MPa", "N/mm^2": "MPa", "MN/m2": "MPa", "MN/m²": "MPa", "N/m2": "Pa", "N/m²": "Pa",
}  # fmt: skip

UNITS: dict[str, Unit] = {
    text: Unit(text, quantity, factor, _OFFSETS.get(text, 0.0))
    for quantity, (_, texts) in _QUANTITIES.items()
    for text, factor in texts.items()
}
INSIDE_UNIT: dict[str, str] = {quantity: inside for quantity, (inside, _) in _QUANTITIES.items()}

# Digits may be set apart by single underscores, as in TOML.
_VALUE = re.compile(r"^\s*([+-]?(?:[0-9]+(?:_[0-9]+)*\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)(?![0-9_,.])\s*(.*?)\s*$")


def a_quantity(quantity: str) -> str:
    """``"a length"``, ``"an angle"``."""
    return f"{'an' if quantity[0] in 'aeiou' else 'a'} {quantity}"


def find_unit(text: str, quantities: tuple[str, ...] = tuple(INSIDE_UNIT)) -> Unit:
    """Return the unit written as ``text`` (``"N"``, ``"N·m"``, ``"°C"`` …).

    Parameters
    ----------
    text : str
    quantities : tuple of str, optional
        Whose units an error names as known.

    Raises
    ------
    ConfigError
        The text is no known unit.
    """
    key = text.strip()
    key = _ALIASES.get(key, key)
    unit = UNITS.get(key)
    if unit is None:
        known = [u.text for u in UNITS.values() if u.quantity in quantities]
        raise ConfigError(f"unknown unit '{text}'", expected=nearest(key, known))
    return unit


def parse_quantity(text: str, quantity: str | tuple[str, ...]) -> float:
    """Turn ``"80 mm"`` into a float in the inside unit of ``quantity``.

    Parameters
    ----------
    text : str
        A number and a unit.
    quantity : str or tuple of str
        What it must be: a key of :data:`INSIDE_UNIT`, or several that are allowed.

    Returns
    -------
    float
        The value in the inside unit (``INSIDE_UNIT[quantity]``).

    Raises
    ------
    ConfigError
        No number, an unknown unit, or a unit of another quantity.
    """
    return parse_value(text, quantity)[0]


def parse_value(text: str, quantity: str | tuple[str, ...], *, difference: bool = False) -> tuple[float, str]:
    """Like :func:`parse_quantity`, and say which quantity the unit belongs to.

    Parameters
    ----------
    difference : bool
        The value is a difference or an uncertainty: temperatures take no offset, ``"0.5 K"`` is 0.5.
    """
    allowed = (quantity,) if isinstance(quantity, str) else quantity
    wanted = " or ".join(f"{a_quantity(q)}, such as '1 {INSIDE_UNIT[q]}'" for q in allowed)
    match = _VALUE.match(text)
    if match is None:
        raise ConfigError(f"'{text}' is not a number with a unit", expected=wanted)
    unit = find_unit(match[2], allowed)
    if unit.quantity not in allowed:
        raise ConfigError(f"'{text}' is {a_quantity(unit.quantity)}", expected=wanted)
    value = float(match[1]) * unit.factor + (0.0 if difference else unit.offset)
    if not math.isfinite(value):
        raise ConfigError(f"'{text}' is too large for a number", expected=wanted)
    return value, unit.quantity
