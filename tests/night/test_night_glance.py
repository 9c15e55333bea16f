"""A night at a glance: where nothing is new the last view counts, and where anything is, it does not."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchpipe.blocks.figures import Figure
from benchpipe.cli.bugs import bug_report
from benchpipe.cli.main import call
from benchpipe.night import glance, keeping
from benchpipe.night.glance import VIEWS
from benchpipe.night.lab import NightResult, work_lab
from benchpipe.views.kept_view import kept_text, view_of
from benchpipe.views.model import RunView
from benchpipe.views.run_view import failed_view
from tests.cli.commands import environment

NOW = datetime(2031, 6, 1, 2, 0, tzinfo=UTC)
RUN = "wearing"
HEAVY = {"numpy", "scipy", "pyarrow", "numba", "llvmlite", "polars"}


@pytest.fixture(scope="module")
def idle(sample_lab: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A lab of one run whose last night found nothing new; its rig is watched."""
    folder = tmp_path_factory.mktemp("idle")
    shutil.copytree(sample_lab.parents[1], folder, dirs_exist_ok=True)
    lab = folder / "sample_runs" / "lab.toml"
    lab.write_text(f'name = "one"\nstore = "store"\nplans = ["{RUN}/plan.toml"]\n', "utf-8")
    made = lab.parent.parent.rglob("*.toml")
    for path in made:
        os.utime(path, (1.9e9, 1.0e9))  # not just now: what was read of it is what is there
    for k in range(3):
        night(lab, NOW + timedelta(hours=k))
    return lab


@pytest.fixture
def lab(idle: Path, tmp_path: Path) -> Path:
    """A copy of it, in which each file is as old as there; the glance is of its own place."""
    shutil.copytree(idle.parents[1], tmp_path, dirs_exist_ok=True)
    mine = tmp_path / "sample_runs" / "lab.toml"
    shutil.rmtree(mine.parent / "store" / VIEWS)
    for k in range(2):
        night(mine, NOW + timedelta(hours=k))
    return mine


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Runs that were looked at in full."""
    from benchpipe.night import run as run_module

    seen: list[str] = []
    before = run_module.work_run

    def watched(task, tell):  # type: ignore[no-untyped-def]
        seen.append(task.name)
        return before(task, tell)

    monkeypatch.setattr(run_module, "work_run", watched)
    return seen


def night(lab: Path, now: datetime) -> NightResult:
    return work_lab(lab, bug=bug_report, now=now, new_store=True)


@pytest.mark.parametrize("later", [timedelta(hours=3), timedelta(days=400), timedelta(days=-4000)])
def test_the_last_view_is_that_of_a_full_look_at_any_hour(lab: Path, worked: list[str], later: timedelta) -> None:
    found = night(lab, NOW + later)
    assert worked == []
    shutil.rmtree(lab.parent / "store" / VIEWS)
    assert repr(night(lab, NOW + later)) == repr(found)
    assert worked == [RUN]


def test_what_depends_on_the_hour_is_judged_again(lab: Path, worked: list[str]) -> None:
    codes = [[one.code for one in night(lab, NOW + later).views[0].health] for later in map(_days, (0, -4000))]
    assert worked == []
    assert codes[0] != codes[1]
    assert codes[1][:1] == ["clock"]


def _days(count: int) -> timedelta:
    return timedelta(days=count)


def grown(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"\n")


def newer(path: Path) -> None:
    os.utime(path)


def changed_inside(path: Path) -> None:
    """Another byte, the same size and time."""
    stat, data = path.stat(), bytearray(path.read_bytes())
    data[-3] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def one_more(path: Path) -> None:
    shutil.copy(path, path.parent / f"another{''.join(path.suffixes)}")


@pytest.mark.parametrize(
    ("where", "change"),
    [
        (f"{RUN}/plan.toml", grown), ("rig-two.toml", grown), ("../configs/limits/drift.toml", grown),
        ("lab.toml", grown), (f"{RUN}/logs/*", newer), (f"{RUN}/logs/*", one_more),
        (f"store/{RUN}/manifest.json", changed_inside), (f"store/{RUN}/manifest.json", newer),
        (f"store/{RUN}/cycles/*", newer), (f"store/{RUN}/verdicts/*", Path.unlink),
        (f"store/{RUN}/verdicts/*", one_more),
        (f"store/{VIEWS}/*", changed_inside), (f"store/{VIEWS}/*", Path.unlink),
    ],
)  # fmt: skip
def test_a_run_is_looked_at_in_full_where_anything_has_changed(
    lab: Path, worked: list[str], where: str, change: Callable[[Path], None]
) -> None:
    paths = sorted(lab.parent.glob(where)) if ".." not in where else [lab.parent / where]
    if not paths:
        pytest.skip("no such file")
    change(paths[0])
    night(lab, NOW)
    assert worked == [RUN]


def test_another_program_believes_no_view(lab: Path, worked: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(glance, "program", lambda: "another")
    night(lab, NOW)
    assert worked == [RUN]


def test_what_a_night_that_worked_kept_is_what_a_full_one_would_show(lab: Path, worked: list[str]) -> None:
    plan = lab.parent / RUN / "plan.toml"
    plan.write_text(plan.read_text("utf-8").replace('specimen = "', 'specimen = "another '), "utf-8")
    limits = lab.parents[1] / "configs" / "limits" / "drift.toml"
    limits.write_text(limits.read_text().replace('value = "-15 %"', 'value = "-50 %"'))
    for path in (plan, limits):
        os.utime(path, (1.9e9, 1.1e9))
    first = night(lab, NOW)
    assert worked == [RUN]  # judged again
    kept = night(lab, NOW)
    assert worked == [RUN]  # nothing new
    shutil.rmtree(lab.parent / "store" / VIEWS)
    full = night(lab, NOW)
    assert worked == [RUN, RUN]
    assert shown(kept) == shown(full) == shown(first)


def shown(result: NightResult) -> list[RunView]:
    """Views without what only the night that worked has: its own use of time and memory."""
    return [replace(view, steps=()) for view in result.views]


def test_a_config_that_was_changed_just_now_is_read_again(lab: Path, worked: list[str]) -> None:
    newer(lab.parent / RUN / "plan.toml")
    shutil.rmtree(lab.parent / "store" / VIEWS)
    night(lab, NOW)
    assert not list((lab.parent / "store" / VIEWS).glob("*"))
    assert keeping.SETTLED_S > 0.0


@pytest.mark.parametrize("named", [RUN, f"{RUN}/plan.toml"])
def test_show_says_the_same_in_either_way(
    lab: Path, named: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(lab.parent)
    code = call(["show", named])
    quick = capsys.readouterr().out
    shutil.rmtree(lab.parent / "store" / VIEWS)
    assert call(["show", named]) == code
    full = capsys.readouterr().out
    assert _without_hours(quick) == _without_hours(full)
    assert RUN in quick


def _without_hours(text: str) -> str:
    return re.sub(r"\(\S+ (?:d|h|min|s)\)", "(long)", text)


@pytest.mark.parametrize("arguments", [["nightly", "--brief"], ["show", RUN]])
def test_an_idle_night_imports_nothing_heavy(lab: Path, arguments: list[str]) -> None:
    program = (
        "import sys\nfrom benchpipe.cli.main import call\ncode = call(sys.argv[1:])\n"
        "print('loaded:', *{m.split('.')[0] for m in sys.modules}, file=sys.stderr)\nsys.exit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], cwd=lab.parent, env=environment(), capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode in (0, 10, 11)
    assert RUN in done.stdout
    assert not HEAVY & set(done.stderr.rsplit("loaded:", 1)[1].split())


def test_a_view_comes_back_as_it_was_or_is_not_kept() -> None:
    view = replace(
        failed_view(Path("plan.toml"), "why"), limits=({"value": float("nan"), "some": [1, 2.5, None, True]},),
        reasons=(("late", 3),), phases=({"at": float("inf")},),
    )  # fmt: skip
    text = kept_text(view)
    assert text is not None
    assert repr(view_of(text)) == repr(view)
    assert kept_text(replace(view, phases=({"at": datetime(2031, 1, 1)},))) is None
    assert kept_text(replace(view, phases=({"at": Path("here")},))) is None


@pytest.mark.parametrize(
    "text", ["", "3", "{}", '{"o":["Path",["x"]]}', '{"o":["Finding",["a","b","c","d"]]}', '{"o":["Figure",[]]}']
)
def test_what_is_no_view_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        view_of(text)
    assert Figure("a", 1.0, "s").name == "a"
