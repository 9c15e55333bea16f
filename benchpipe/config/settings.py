"""Settings files of a run as they were read: what the store keeps of them with each state."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from benchpipe.config.lab import LabConfig
from benchpipe.config.model import load_model
from benchpipe.config.toml import TomlFile

# Sections of a lab file that say how a run is kept, verified and signed. Addresses of recipients stay out of the store.
LAB_SECTIONS = ("name", "retention", "verify", "signing", "signer")


@dataclass(frozen=True)
class SettingsFile:
    """One file: its role (plan, rig, limits, lab), its name as the plan gives it, and its bytes."""

    role: str
    name: str
    data: bytes


def lab_settings(path: Path, run: str) -> SettingsFile:
    """Sections of a lab file that concern a run, as JSON: its rules, who may sign, and the tests that the run is in.

    Raises
    ------
    ConfigError
        The file is wrong.
    """
    _, file = load_model(LabConfig, path)
    return SettingsFile("lab", path.name, _of_run(file, run))


def _of_run(file: TomlFile, run: str) -> bytes:
    values = file.values
    found = {key: values[key] for key in LAB_SECTIONS if key in values}
    tests = [
        test
        for test in values.get("test", ())
        if any(
            run in (stage.get("run"), stage.get("repeated_by"))
            for specimen in test.get("specimen", ())
            for stage in specimen.get("stage", ())
        )
    ]
    found |= {"test": tests} if tests else {}
    return json.dumps(found, indent=1, sort_keys=True, ensure_ascii=False, default=str).encode()
