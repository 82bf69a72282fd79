"""Entry point: the commands, and what becomes of errors.

Exit codes: 0 done, 2 the user's input, 1 a fault of ours. Command modules import
their use case inside the command, so that ``logan --help`` starts at once.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys

import typer

from logan.errors import LoganError

COMMAND_MODULES = (
    "new_command",
    "plan_command",
    "gearing_command",
    "look_command",
    "channels_command",
    "import_command",
    "drives_command",
    "limits_command",
    "fit_command",
    "range_command",
    "compare_command",
    "effect_command",
    "difference_command",
    "trend_command",
    "report_command",
    "export_command",
    "library_command",
    "fleet_command",
    "serve_command",
    "demo_command",
)

app = typer.Typer(
    name="logan",
    help="What a converted vehicle used, what ran too hot, and how far it will really go.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


@app.callback(invoke_without_command=True)
def _root(
    context: typer.Context,
    version: bool = typer.Option(False, "--version", help="Print the version and stop."),
) -> None:
    if version:
        from logan.version import VERSION

        typer.echo(f"logan {VERSION}")
        raise typer.Exit


for _name in COMMAND_MODULES:
    if importlib.util.find_spec(f"logan.cli.{_name}"):
        importlib.import_module(f"logan.cli.{_name}").register(app)


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit code."""
    try:
        outcome = app(args=arguments, standalone_mode=False)
    except LoganError as error:
        typer.echo(f"logan: {error}", err=True)
        return 2
    except typer.Exit as stop:
        return stop.exit_code
    except (KeyboardInterrupt, typer.Abort):
        typer.echo("logan: stopped; nothing half-done was kept", err=True)
        return 130
    except BrokenPipeError:
        # The reader of our output has gone, as `logan drives | head` does; say nothing.
        sys.stderr.close()
        return 0
    except Exception as error:
        if hasattr(error, "exit_code") and hasattr(error, "format_message"):
            typer.echo(f"logan: {error.format_message()}", err=True)
            return 2
        raise
    return outcome if isinstance(outcome, int) else 0
