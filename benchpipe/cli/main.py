"""The command line: one application, one way out."""

from __future__ import annotations

import io
import os
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import typer

from benchpipe import __version__
from benchpipe.cli import (
    bumper,
    changes,
    compare,
    data,
    demo,
    doctor,
    guide,
    init,
    inspect,
    loop,
    note,
    notify,
    page,
    record,
    retention,
    runs,
    signing,
    simulate,
    verify,
)
from benchpipe.cli.bugs import bug_report
from benchpipe.cli.interrupt import interrupt_kept
from benchpipe.cli.naming import with_names
from benchpipe.cli.output import drop_output, open_streams, system_error, tell, tell_error
from benchpipe.errors import BenchpipeError, ExitCode
from benchpipe.stream.left_out import leave_out
from benchpipe.stream.matrix_threads import take_one_thread
from benchpipe.stream.memory import collect_rarely

if TYPE_CHECKING:
    from typer.exceptions import TyperException

EPILOG = (
    "Exit codes: 0 nothing failing, 2 usage or configuration, 10 a limit failed, 11 inconclusive or not evaluated, "
    "12 input that cannot be used, 13 stored or logged data changed, 69 a recipient could not be reached, 70 a bug, "
    "75 another job holds the store, "
    "130 interrupted."
)

COMMANDS: dict[str, Callable[..., Any]] = {  # in the order of the work
    "demo": demo.demo,
    "guide": guide.guide,
    "init": init.init,
    "inspect": inspect.inspect,
    "doctor": doctor.doctor,
    "nightly": runs.nightly,
    "show": runs.show,
    "page": page.page,
    "loop": loop.loop,
    "note": note.note,
    "record": record.record,
    "ingest": runs.ingest,
    "process": runs.process,
    "check": runs.check,
    "explain": data.explain,
    "trace": data.trace,
    "changes": changes.changes,
    "export": data.export,
    "compare": compare.compare,
    "bumper": bumper.bumper,
    "key": signing.key,
    "sign": signing.sign,
    "verify": verify.verify,
    "drop": retention.drop,
    "archive": retention.archive,
    "restore": retention.restore,
    "tell": notify.try_out,
    "simulate": simulate.simulate,
}


def _version(value: bool) -> None:
    if value:
        typer.echo(f"benchpipe {__version__}")
        raise typer.Exit()


def _options(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """Logs of bench tests of lockable prosthetic ankles and feet in, a verdict out."""


def application(commands: dict[str, Callable[..., Any]]) -> typer.Typer:
    """The command line with some commands, by name."""
    made = typer.Typer(
        name="benchpipe",
        help="Logs of bench tests of lockable prosthetic ankles and feet in, a verdict out.",
        epilog=EPILOG,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    made.callback()(_options)
    for name, command in commands.items():
        made.command(name)(with_names(command))
    return made


def run(arguments: list[str] | None = None) -> None:
    """Run a command and exit with its code; no traceback reaches the user.

    The command of the shell (no ``arguments``) ends without the interpreter's clean-up, which takes a fifth of a second
    where tables were read: all files are closed and all output is flushed by then.
    """
    open_streams()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a name that the terminal cannot show is no reason to stop
    collect_rarely()
    if arguments is None:
        leave_out()
        take_one_thread()
        os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # to look for them takes as long as to say --help
    with interrupt_kept():
        code = call(sys.argv[1:] if arguments is None else arguments)
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        drop_output()
    except OSError as error:
        drop_output()
        tell_error(f"the output could not be written: {error.strerror}")
        code = ExitCode.BAD_INPUT
    if arguments is None:
        _leave(int(code))
    sys.exit(int(code))


def _leave(code: int) -> None:
    """End this process at once, unless a thread still works."""
    if any(not one.daemon for one in threading.enumerate() if one is not threading.main_thread()):
        return
    with suppress(OSError, ValueError):
        sys.stderr.flush()
    os._exit(code)


def call(arguments: list[str]) -> int:
    """Run a command; return its exit code."""
    from typer.exceptions import TyperException

    try:
        command = typer.main.get_command(application(_needed(arguments)))
        code = command.main(arguments, prog_name="benchpipe", standalone_mode=False) or 0
        if code == ExitCode.INTERRUPTED:  # what Typer makes of Control-C
            raise KeyboardInterrupt
        return int(code)
    except BenchpipeError as error:
        tell_error(str(error))
        return error.exit_code
    except TyperException as error:
        tell(*_usage(error).split("\n"))
        return ExitCode.USAGE
    except (KeyboardInterrupt, typer.Abort):
        tell("interrupted: nothing is lost, run the command again")
        return ExitCode.INTERRUPTED
    except (BrokenPipeError, SystemExit):  # the reader of our output has gone
        drop_output()
        return ExitCode.OK
    except OSError as error:
        drop_output()
        tell_error(system_error(error))
        return ExitCode.BAD_INPUT
    except Exception as error:
        tell(*bug_report(error, arguments).split("\n"))
        return ExitCode.BUG


def _needed(arguments: list[str]) -> dict[str, Callable[..., Any]]:
    """The commands that the arguments need: to read the options of all takes as long as to import this.

    One that is named, alone; all where their help is asked for, without their options. What asks for completion comes
    without arguments.
    """
    first = arguments[0] if arguments else ""
    if first in COMMANDS:
        return {first: COMMANDS[first]}
    return {name: _bare(one) for name, one in COMMANDS.items()} if first in ("-h", "--help") else COMMANDS


def _bare(command: Callable[..., Any]) -> Callable[..., Any]:
    """A command as the list of commands shows it."""

    def bare() -> None: ...

    bare.__doc__ = command.__doc__
    return bare


def _usage(error: TyperException) -> str:
    """A mistake on the command line, with the usage of the command."""
    context = getattr(error, "ctx", None)
    if context is None:
        return f"error: {error.format_message()}"
    if type(error).__name__ == "NoArgsIsHelpError":
        return error.format_message()
    return f"{context.get_usage()}\nerror: {error.format_message()}\n  do next:  see '{context.command_path} --help'"


if __name__ == "__main__":
    run()
