"""Entry point: the commands, and what becomes of errors.

Exit codes: 0 done, 2 the user's input, 1 a fault of ours. Command modules import
their use case inside the command, so that ``logan --help`` starts at once.
"""

from __future__ import annotations

import importlib
import logging
import sys
import traceback
import warnings
from collections.abc import Sequence
from contextlib import nullcontext

import typer

from logan.cli.rendering import clean, one_screen
from logan.errors import LoganError

INTERRUPTED = 130

COMMANDS = (
    "new",
    "plan",
    "gearing",
    "look",
    "channels",
    "import",
    "drives",
    "drive",
    "limits",
    "fit",
    "range",
    "compare",
    "effect",
    "trend",
    "report",
    "export",
    "library",
    "fleet",
    "serve",
    "explain",
    "demo",
)
"""Each lies in a module of its name and is registered there; help lists them in this order."""

SCREENED = frozenset(COMMANDS[1:5] + COMMANDS[6:14])
"""Their answers fit one screen unless ``--full`` is said; the others ask, or tell of work while it is done."""


def _root(
    context: typer.Context,
    version: bool = typer.Option(False, "--version", help="Print the version and stop."),
) -> None:
    if version:
        from logan.version import VERSION

        typer.echo(f"logan {VERSION}")
        raise typer.Exit


def command_line(commands: Sequence[str] = COMMANDS) -> typer.Typer:
    """The command line with these commands: only one where it is known which, because each takes time to build."""
    app = typer.Typer(
        name="logan",
        help="What a converted vehicle used, what ran too hot, and how far it will really go.",
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback(invoke_without_command=True)(_root)
    for command in commands:
        importlib.import_module(f"logan.cli.{command}_command").register(app)
    return app


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit code."""
    if arguments is None:  # on a terminal, where what libraries say to programmers would stand between our lines
        logging.lastResort = None
        if not sys.warnoptions:
            warnings.simplefilter("ignore")
    given = sys.argv[1:] if arguments is None else arguments
    app = command_line(given[:1] if given and given[0] in COMMANDS else COMMANDS)
    try:
        with one_screen(given) if given and given[0] in SCREENED else nullcontext():
            outcome = app(args=given, prog_name="logan", standalone_mode=False)
    except LoganError as error:
        return _refuse(str(error))
    except typer.Abort:
        outcome = INTERRUPTED
    except (SystemExit, BrokenPipeError):
        # So the library ends when the reader of our output has gone, as in `logan drives | head`: no fault.
        return 0
    except OSError as error:
        # A full disk, a folder that may not be written, a file that went away: no fault of ours.
        place = f"{error.filename}: " if error.filename else ""
        return _refuse(f"{place}{error.strerror or error}. Check the disk and the permissions")
    except Exception as error:
        if hasattr(error, "exit_code") and hasattr(error, "format_message"):
            return _refuse(error.format_message())
        traceback.print_exc()
        typer.echo(
            "logan: this is a fault of logan, not of your input; please report it with the lines above", err=True
        )
        return 1
    if outcome == INTERRUPTED:
        typer.echo("logan: stopped; nothing half-done was kept", err=True)
    return outcome if isinstance(outcome, int) else 0


def _refuse(problem: str) -> int:
    typer.echo(f"logan: {clean(problem)}", err=True)
    return 2
