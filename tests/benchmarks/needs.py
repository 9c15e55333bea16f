"""Packages that a benchmark needs besides the core: without them it says what brings them."""

from __future__ import annotations

from importlib.util import find_spec


def need(*modules: str) -> None:
    """End the program where a module is not installed."""
    missing = [name for name in modules if find_spec(name) is None]
    if missing:
        raise SystemExit(
            f"benchmarks: {', '.join(missing)} not installed here: run `make bench`, or `make .venv/.test` for the "
            "packages alone"
        )
