"""What kernels give to Python can be handed over while an interrupt waits."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from typing import Any, get_args, get_type_hints

import benchpipe.kernels


def kernels_called_from_python() -> Iterator[tuple[str, Any]]:
    """Every compiled kernel that is not put into its callers."""
    for module in pkgutil.iter_modules(benchpipe.kernels.__path__, "benchpipe.kernels."):
        for name, value in vars(importlib.import_module(module.name)).items():
            value = value if hasattr(value, "py_func") else getattr(value, "__wrapped__", value)  # a scan's kernel
            options = getattr(value, "targetoptions", None) or getattr(value, "options", {})
            if hasattr(value, "py_func") and options.get("inline") != "always":
                yield f"{module.name}.{name}", value


def parts(hint: Any) -> Iterator[Any]:
    """A type and all that stands in its brackets."""
    yield hint
    for part in get_args(hint):
        yield from parts(part)


def test_kernels_give_no_named_tuples() -> None:
    found = dict(kernels_called_from_python())
    assert len(found) > 20
    assert {"benchpipe.kernels.boundaries.find_boundaries", "benchpipe.kernels.holds.scan_hold"} <= set(found)
    named = {
        name
        for name, kernel in found.items()
        for part in parts(get_type_hints(kernel.py_func)["return"])
        if hasattr(part, "_fields")
    }
    assert named == set()
