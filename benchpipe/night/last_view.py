"""The view of a run that the last night kept, where nothing that it was made from has changed since."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from benchpipe.config.lab_file import beside, find_lab
from benchpipe.errors import BenchpipeError
from benchpipe.night.alarms_kept import with_known_alarms
from benchpipe.night.glance import Glance, file_hash, unchanged
from benchpipe.night.task import LabMark
from benchpipe.store.identity import must_be_there
from benchpipe.verify.share import verified_words
from benchpipe.views.model import RunView


def last_view(run: str, lab: Path | None, now: datetime) -> RunView | None:
    """Find what the last night kept of a run, and bring it up to the hour.

    The files are not validated: what was kept counts only where they are to the last byte those that once were.

    Parameters
    ----------
    run : str
        A plan file, or a run's name in the lab file.
    lab : Path, optional
        The lab file; else the nearest.

    Returns
    -------
    RunView or None
        None where the run has to be looked at in full, which also says what is wrong with it.
    """
    is_plan = Path(run).suffix == ".toml" or Path(run).is_file()
    try:
        lab = (lab or find_lab(Path(run).absolute().parent if is_plan else Path.cwd()) or Path()).absolute()
        mark = LabMark(lab, file_hash(lab))
        document = _toml(lab)
        store = beside(lab, str(document["store"]))
        plans = [beside(lab, str(one)) for one in document["plans"]]
        named = [Path(run).absolute()] if is_plan else [one for one in plans if _toml(one).get("name") == run][:1]
        for plan in named:
            glance = unchanged(store, plan, mark)
            if glance is None or not glance.data_are_same(date.today()):
                return None
            must_be_there(lab, store)
            return _shown(glance, document.get("health", {}), store, now)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, BenchpipeError):
        return None
    return None


def _shown(glance: Glance, health: dict[str, Any], store: Path, now: datetime) -> RunView:
    from benchpipe.config.model import FROM_FILE
    from benchpipe.config.watching import HealthConfig

    view = glance.view(HealthConfig.model_validate(health, context=FROM_FILE), now)
    view = replace(view, verified=verified_words(store, glance.name))
    return with_known_alarms(view, store, now)


def _toml(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
