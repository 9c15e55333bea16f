"""Software and kind of machine that a step was made with."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from benchpipe import __version__, kernels
from benchpipe.store.manifest import Step

LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "polars", "pyarrow")
Software = dict[str, str]


@lru_cache(maxsize=1)
def software() -> Software:
    """Versions of benchpipe, of its kernels (a hash of their sources), of Python and the libraries that compute, and
    the machine's kind: system, instruction set, and the processor as LLVM names it."""
    from llvmlite import binding

    found = {"benchpipe": __version__, "kernels": _kernels(), "python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not known"
    return found | {
        "system": platform.system(), "machine": platform.machine(), "processor": str(binding.get_host_cpu_name())
    }  # fmt: skip


def _kernels() -> str:
    """Hash of the sources of the kernels, 12 hexadecimal digits."""
    sources = sorted(Path(str(kernels.__file__)).parent.glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:12]


def made_with(
    steps: Mapping[str, Step], before: Mapping[str, Step], known: Mapping[str, Software]
) -> dict[str, Software]:
    """Software of each step: this one's where the step is another than before, else what is known of it."""
    changed = {name for name, step in steps.items() if before.get(name) != step}
    return {name: software() if name in changed else known[name] for name in steps if name in changed or name in known}


def other_software(known: Mapping[str, Software]) -> str:
    """What of software and machine differs from now, in words; empty where nothing does, or nothing is known."""
    now = software() if known else {}
    found = [
        (step, f"{name} {was}, now {now.get(name, 'none')}")
        for step, made in known.items()
        for name, was in made.items()
        if now.get(name) != was
    ]
    steps, texts = (list(dict.fromkeys(some)) for some in zip(*found, strict=True)) if found else ([], [])
    return f"made by other software ({', '.join(steps)}): {'; '.join(texts)}" if found else ""
