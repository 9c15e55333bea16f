"""Fit bumper loops, predict between settings, choose what to try next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from benchpipe.cli.options import Json
from benchpipe.cli.output import say
from benchpipe.errors import ConfigError
from benchpipe.escapes import quoted

if TYPE_CHECKING:
    from benchpipe.bumper.choose import BumperChoice
    from benchpipe.bumper.model import BumperModel


def bumper(
    action: Annotated[
        Literal["fit", "predict", "choose"], typer.Argument(metavar="fit|predict|choose", help="What to do.")
    ],
    file: Annotated[Path, typer.Argument(metavar="FILE", help="fit: a bumper file; else the model that fit wrote.")],
    out: Annotated[Path | None, typer.Option("--out", "-o", metavar="MODEL", help="fit: write the model here.")] = None,
    setting: Annotated[float | None, typer.Option("--setting", help="predict: between those measured.")] = None,
    rate: Annotated[float | None, typer.Option("--rate", metavar="DEG/S", help="Rate of the motion.")] = None,
    temperature: Annotated[
        float | None, typer.Option("--temperature", metavar="DEGC", help="predict: of the bumper.")
    ] = None,
    torque: Annotated[
        float | None, typer.Option("--torque", metavar="N*M", help="predict: the motion at this torque.")
    ] = None,
    opposed: Annotated[
        float | None, typer.Option("--opposed", metavar="SETTING", help="predict: of the bumper of falling motion.")
    ] = None,
    preload: Annotated[
        float | None, typer.Option("--preload", metavar="MM", help="predict: of the bumper of rising motion.")
    ] = None,
    opposed_preload: Annotated[
        float | None, typer.Option("--opposed-preload", metavar="MM", help="predict: of the other bumper.")
    ] = None,
    target: Annotated[list[Path] | None, typer.Option("--target", metavar="FILE", help="choose: target files.")] = None,
    mass: Annotated[float | None, typer.Option("--mass", metavar="KG", help="choose: of the wearer.")] = None,
    activity: Annotated[int | None, typer.Option("--activity", min=0, max=4, help="choose: functional level.")] = None,
    speed: Annotated[float | None, typer.Option("--speed", metavar="M/S", help="choose: walking speed.")] = None,
    leg_length: Annotated[
        float | None, typer.Option("--leg-length", metavar="M", help="choose: of the wearer.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--page", metavar="FILE", help="choose: write a page to look at too.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Fit a bumper model from measured loops, predict between its settings, rank bumpers for a target.

    Example: benchpipe bumper choose sample_runs/bumpers.json --target configs/targets/able-bodied-walking.toml
    --mass 80 --activity 3 --leg-length 0.9
    """  # fmt: skip
    if action == "fit":
        _fit(file, out, as_json=as_json)
    elif action == "predict":
        if setting is None:
            raise ConfigError("say for which setting", do_next="give --setting")
        asked = {"rate": rate, "temperature": temperature, "torque": torque}
        pair = None if opposed is preload is opposed_preload is None else (opposed, preload, opposed_preload)
        _predict(file, setting, asked, pair, as_json=as_json)
    else:
        if mass is None or not target:
            raise ConfigError(
                "say for whom, and by which target", do_next=f"give --mass and --target FILE, such as {_shipped()}"
            )
        wearer = {"activity": activity, "speed_m_s": speed, "leg_length_m": leg_length}
        _choose(file, target, mass, rate, wearer, page, as_json=as_json)


def _give(lines: Any, document: Any, *, as_json: bool) -> None:
    if as_json:
        from benchpipe.report.document import json_text, plain

        typer.echo(json_text(plain(document())))
    else:
        say(*lines())


def _fit(file: Path, out: Path | None, *, as_json: bool) -> None:
    from benchpipe.bumper.config import load_bumper_file
    from benchpipe.bumper.fit import fit_bumper_file
    from benchpipe.bumper.model import model_text
    from benchpipe.cli.drafting import replaces_only
    from benchpipe.store.files import write_whole
    from benchpipe.store.refusals import refused
    from benchpipe.views.bumpers import model_lines

    model = fit_bumper_file(load_bumper_file(file))
    text = model_text(model)
    if out is not None:
        replaces_only(out, '{\n "document": "benchpipe bumper model"', "--out")
        with refused(out.absolute(), "name another file with --out"):
            write_whole(out.absolute(), text.encode())
    if as_json:
        typer.echo(text.rstrip())
    else:
        say(*model_lines(model))


def _shipped() -> str:
    from benchpipe.config.starter import templates

    return quoted(templates() / "targets" / "able-bodied-walking.toml")


def _predict(
    file: Path, setting: float, asked: dict[str, Any], pair: tuple[float | None, float | None, float | None] | None, *,
    as_json: bool,
) -> None:  # fmt: skip
    from benchpipe.bumper.model import load_bumper_model
    from benchpipe.bumper.opposed import predict_opposed
    from benchpipe.bumper.predict import predict
    from benchpipe.views.bumpers import prediction_document, prediction_lines

    model = load_bumper_model(file)
    if pair is None:
        found = predict(model, setting, **asked)
    else:
        other, first, second = pair
        found = predict_opposed(model, setting, setting if other is None else other, preloads=(first, second), **asked)
    _give(lambda: prediction_lines(found, model.setting), lambda: prediction_document(found), as_json=as_json)


def _choose(
    file: Path, targets: list[Path], mass: float, rate: float | None, wearer: dict[str, Any], page: Path | None, *,
    as_json: bool,
) -> None:  # fmt: skip
    from benchpipe.bumper.choose import choose
    from benchpipe.bumper.model import load_bumper_model
    from benchpipe.bumper.target import load_targets, target_for
    from benchpipe.views.bumpers import choice_document, choice_lines

    model = load_bumper_model(file)
    found = choose(model, target_for(load_targets(targets), mass, **wearer), rate)
    if page is not None:
        write_bumper_page(page, model, found, quoted(file), wearer_options(targets, mass, rate, **wearer))
    _give(lambda: choice_lines(found), lambda: choice_document(found), as_json=as_json)


def wearer_options(
    targets: list[Path], mass: float, rate: float | None = None, *, activity: int | None = None,
    speed_m_s: float | None = None, leg_length_m: float | None = None,
) -> str:  # fmt: skip
    """Options of a choice, as they are typed."""
    words = [f"--target {quoted(path)}" for path in targets]
    stated = {
        "mass": mass, "activity": activity, "speed": speed_m_s, "leg-length": leg_length_m, "rate": rate,
    }  # fmt: skip
    return " ".join(words + [f"--{name} {value:g}" for name, value in stated.items() if value is not None])


def write_bumper_page(target: Path, model: BumperModel, found: BumperChoice, called: str, wearer: str) -> None:
    """The page of a choice, written whole."""
    from benchpipe.cli.drafting import replaces_only
    from benchpipe.report.page.bumpers import bumper_document
    from benchpipe.store.files import write_whole
    from benchpipe.store.refusals import refused
    from benchpipe.views.page.bumper_page import bumper_page

    replaces_only(target, "<!doctype html>", "--page")
    text = bumper_document(bumper_page(model, found, called, wearer))
    with refused(target.absolute(), "name another file with --page"):
        target.parent.mkdir(parents=True, exist_ok=True)
        write_whole(target.absolute(), text.encode())
