"""The demo: the main job on the sample runs."""

from __future__ import annotations

import shutil
import sys
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from benchpipe.cli.naming import names_in
from benchpipe.cli.output import give_runs, tell
from benchpipe.errors import ConfigError
from benchpipe.escapes import quoted

STUDY = Path("bumper-study") / "study.toml"
BUMPERS, WEARER_KG = "bumpers.json", 80.0
WEARER: dict[str, Any] = {"activity": 3, "leg_length_m": 0.9}
SAMPLES = Path(__file__).parents[2] / "sample_runs"
TWO_WEEKS = "two-weeks"


def demo(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="Folder of the sample runs.")] = SAMPLES,
) -> None:
    """Run the main job on small runs of an invented scenario.

    Example: benchpipe demo
    """
    from benchpipe.cli.runs import work_night, write_pages_of

    if not (folder / "lab.toml").is_file():
        raise ConfigError("the sample runs are not there", where=folder, do_next="give the folder sample_runs")
    tell("An invented scenario: four simulated specimens, names and figures made up.")
    night = work_night(folder / "lab.toml", new_store=True)
    from benchpipe.views.lab_view import Besides

    code = night.code
    names = partial(names_in, folder / "lab.toml")
    give_runs(list(night.views), code, names, as_json=False, besides=Besides(tests=night.tests))
    tell(f"(benchpipe nightly {quoted(folder / 'lab.toml')} would leave with exit code {int(code)})")
    write_pages_of(folder / "lab.toml", night)
    if (folder / TWO_WEEKS / "lab.toml").is_file():
        _show_two_weeks(folder / TWO_WEEKS / "lab.toml")
    _compare_sets(folder)
    _choose_bumpers(folder)
    tell("", "What to do next:", *next_steps(folder))


def _show_two_weeks(lab: Path) -> None:
    """A run of two weeks in a lab of its own: it comes loose, is warm and wears out; with the trend that shows it."""
    from benchpipe.cli.options import loaded
    from benchpipe.cli.runs import draw_trend, work_night

    tell("", "Two weeks of another specimen: a screw comes loose, days are warm, something wears out.")
    night = work_night(lab, new_store=True)
    give_runs(list(night.views), night.code, partial(names_in, lab), as_json=False)
    draw_trend(loaded(str(lab.parent / "plan.toml"), lab, None), "motion_range")


def _compare_sets(folder: Path) -> None:
    """Work through the study of bumper sets and write its page."""
    from benchpipe.cli.compare import write_study_page
    from benchpipe.cli.runs import work_night
    from benchpipe.compare.run import compare_study
    from benchpipe.compare.study import load_study
    from benchpipe.views.comparison import outcome_lines

    study = folder / STUDY
    if not study.is_file():
        return
    work_night(study.parent / "lab.toml", new_store=True)
    loaded = load_study(study)
    found = compare_study(loaded)
    target = folder / "pages" / "bumper-study.html"
    write_study_page(target, loaded, found)
    tell("", f"{found.name}, nine runs compared:", *(f"  {line}" for line in outcome_lines(found)), f"page: {target}")


def _choose_bumpers(folder: Path) -> None:
    """Choose among the invented bumpers for an invented wearer and write the page."""
    from benchpipe.bumper.choose import choose
    from benchpipe.bumper.model import load_bumper_model
    from benchpipe.bumper.target import load_targets, target_for
    from benchpipe.cli.bumper import wearer_options, write_bumper_page
    from benchpipe.config.starter import templates

    file = folder / BUMPERS
    if not file.is_file():
        return
    model = load_bumper_model(file)
    target = templates() / "targets" / "able-bodied-walking.toml"
    found = choose(model, target_for(load_targets([target]), WEARER_KG, **WEARER))
    page = folder / "pages" / "bumpers.html"
    options = wearer_options([target], WEARER_KG, **WEARER)
    write_bumper_page(page, model, found, quoted(file), options)
    tell("", f"{found.model}, for an invented wearer of {WEARER_KG:g} kg:", f"  {found.words}",
         "  It ranks measured bumpers and prescribes nothing: the prosthetist decides, with the wearer.",
         f"page: {page}")  # fmt: skip


def next_steps(folder: Path) -> list[str]:
    """Commands that a person may type after the demo, in the shell they are in."""
    here = Path(sys.executable).parent
    known = shutil.which("benchpipe")
    steps = [] if known and Path(known).parent == here else [f'  export PATH={quoted(here)}:"$PATH"']
    plan = quoted(folder / "wearing" / "plan.toml")
    return [
        *steps,
        f"  benchpipe trace {plan} durability --cycle 100   # a figure back to its raw rows",
        f"  benchpipe compare {quoted(folder / STUDY)}   # which bumper set is stiffer, and by how much",
        "  benchpipe init my-lab                           # your own logs: benchpipe guide first-night",
    ]
