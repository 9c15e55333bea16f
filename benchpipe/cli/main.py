"""The command line: one application, one way out."""

from __future__ import annotations

import os
import sys
import tempfile
import time
import traceback
from pathlib import Path

import typer

from benchpipe import __version__
from benchpipe.cli import data, demo, make, runs
from benchpipe.errors import BenchpipeError, ExitCode

EPILOG = (
    "Exit codes: 0 nothing failing, 2 usage or configuration, 10 a limit failed, 11 inconclusive or not evaluated, "
    "12 input that cannot be used, 70 a bug, 75 another job holds the store, 130 interrupted."
)

app = typer.Typer(
    name="benchpipe",
    help="Logs of bench tests of lockable prosthetic ankles and feet in, a verdict out.",
    epilog=EPILOG,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
app.command("demo")(demo.demo)
app.command("nightly")(runs.nightly)
app.command("show")(runs.show)
app.command("ingest")(runs.ingest)
app.command("process")(runs.process)
app.command("check")(runs.check)
app.command("trace")(data.trace)
app.command("export")(data.export)
app.command("simulate")(make.simulate)


def _version(value: bool) -> None:
    if value:
        typer.echo(f"benchpipe {__version__}")
        raise typer.Exit()


@app.callback()
def _options(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """Logs of bench tests of lockable prosthetic ankles and feet in, a verdict out."""


def run(arguments: list[str] | None = None) -> None:
    """Run a command and leave with its exit code; no traceback reaches the user."""
    code = call(sys.argv[1:] if arguments is None else arguments)
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        _drop_output()
    except OSError as error:
        _drop_output()
        _say(f"error: the output could not be written: {error.strerror}")
        code = ExitCode.BAD_INPUT
    sys.exit(int(code))


def call(arguments: list[str]) -> int:
    """Run a command; return its exit code."""
    import click

    try:
        result = typer.main.get_command(app).main(arguments, prog_name="benchpipe", standalone_mode=False)
        return int(result or 0)
    except BenchpipeError as error:
        _say(f"error: {error}")
        return error.exit_code
    except click.ClickException as error:
        error.show(sys.stderr)
        return ExitCode.USAGE
    except (KeyboardInterrupt, click.Abort):
        _say("interrupted: nothing is lost, run the command again")
        return ExitCode.INTERRUPTED
    except BrokenPipeError:
        _drop_output()
        return ExitCode.OK
    except Exception as error:
        _say(bug_report(error, arguments))
        return ExitCode.BUG


def bug_report(error: BaseException, arguments: list[str]) -> str:
    """Write down an error that is ours, and say where."""
    text = "".join(traceback.format_exception(error))
    facts = f"benchpipe {__version__}, Python {sys.version}, {sys.platform}\narguments: {arguments}\n\n{text}"
    try:
        name = f"benchpipe-bug-{time.strftime('%Y%m%d-%H%M%S')}-{os.getpid()}.txt"
        path = Path(tempfile.gettempdir()) / name
        path.write_text(facts)
    except OSError:
        return f"error: this is a bug in benchpipe ({type(error).__name__}: {error}); please report it with:\n{facts}"
    return (
        f"error: this is a bug in benchpipe ({type(error).__name__}: {error})\n"
        f"  do next:  send the report {path} to the people who maintain it; logs and store are as they were"
    )


def _say(text: str) -> None:
    try:
        print(text, file=sys.stderr)
    except OSError:
        pass


def _drop_output() -> None:
    """The reader of our output has gone: keep Python from complaining at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    run()
