"""The commands for the page: the same functions with the same tables, asked by name and answered in blocks.

The page starts nothing and parses nothing: a command's own declaration says what can be asked, and what it would
print is taken as tables, words and JSON instead.
"""

from __future__ import annotations

import inspect
import re
import types
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Final, Union, get_args, get_origin, get_type_hints

from typer.models import OptionInfo

from logan.cli.main import command_line
from logan.cli.rendering import Captured, captured
from logan.errors import UsageError

_ELSEWHERE: Final = ("new", "demo", "serve")
"""Commands that make a build or serve the page: the others are all asked in one way."""

_OURS: Final = ("build", "fleet", "cluster", "units", "as_json", "yes")
"""What the page says itself, or what is not for it to say: a computer elsewhere to work on."""

_FILES: Final = ("plan", "route", "weather")
_WRITTEN: Final = ("output", "out")
_FREE: Final = ("note", "why", "change", "tag", "name", "mask", "trim", "topic")
"""Words and spans (..30s), which no command takes for a path."""


def described() -> list[dict[str, Any]]:
    """What can be asked of each command, from its own declaration."""
    return [
        {"name": name, "title": re.split("[:;.]", about)[0], "about": about, "options": options}
        for name, function in commands().items()
        for about in [(inspect.getdoc(function) or "").split("\n\n")[0]]
        for options in [[_described(key, *of) for key, of in _options(function).items() if key not in _OURS]]
    ]


def run_command(
    build: Path,
    *,
    name: str,
    options: Mapping[str, object],
    files: Mapping[str, Path],
    told: Callable[[str], None],
    as_json: bool = False,
) -> list[dict[str, Any]]:
    """Run a command on a build and return what it would print, block by block.

    Parameters
    ----------
    build : Path
        The build's folder.
    name : str
        One of ``commands``.
    options : mapping of str to object
        Options by name: texts, truths, or lists of texts; what is left out has its default.
    files : mapping of str to Path
        Files that may be named; a file that is written goes into the build's ``exports`` folder.
    told : callable
        Given words on what is being done.
    as_json : bool
        Answer with the result itself, in SI.

    Raises
    ------
    LoganError
        If the command refuses, or an option is none of its own.
    """
    if name not in commands():
        raise UsageError(f"'{name}' is no command of the page", f"Known: {', '.join(commands())}")
    known = _options(commands()[name])
    if strange := sorted(set(options) - (set(known) - set(_OURS))):
        raise UsageError(f"'{strange[0]}' is nothing that can be said here", f"Known: {', '.join(sorted(known))}")
    plain: list[str] = []
    said = {"--build": ["build", str(build)], "--json": ["as_json"] if as_json else ["-"], "--yes": ["yes"]}
    named = [part for option, (key, *value) in said.items() if key in known for part in (option, *value)]
    plain += [str(build.parent)] if "fleet" in known else []
    for key, (kind, _, about) in known.items():  # in the order that the command wants its arguments in
        if (raw := options.get(key)) is None:
            continue
        bare, is_many = _bare(kind)
        texts = raw if isinstance(raw, list) else [str(raw)]
        if is_many and isinstance(raw, str) and bare is not Path:
            texts = raw.replace(",", " ").split()
        words = [] if bare is bool else [_safe(key, bare, text.strip(), build, files) for text in texts if text]
        option = _named(about).split("/")[0]
        if bare is bool:
            named += [option] if raw in (True, "true") else []
        elif option:
            named += [part for word in words for part in (option, word)]
        else:
            plain += words
    with captured(Captured(told)) as sink:
        try:
            command_line((name.split()[0],))(
                args=[*name.split(), *named, "--", *plain], prog_name="logan", standalone_mode=False
            )
        except Exception as error:
            if hasattr(error, "format_message"):  # what the command line's own parser refuses
                raise UsageError(error.format_message().rstrip("."), "Correct it") from None
            raise
    return sink.blocks


@cache
def commands() -> dict[str, Callable[..., None]]:
    """Every command that can be asked, by its words, and its function."""
    app = command_line()
    groups = [("", app), *((f"{one.name} ", one.typer_instance) for one in app.registered_groups if one.typer_instance)]
    found = ((f"{before}{one.name}", one.callback) for before, group in groups for one in group.registered_commands)
    return {name: function for name, function in found if function and name not in _ELSEWHERE}


def _options(function: Callable[..., None]) -> dict[str, tuple[Any, Any, Any]]:
    """Type, default and typer's own declaration of each parameter; a default of ``...`` is none."""
    hints = get_type_hints(function, include_extras=True)
    found = {}
    for key, parameter in inspect.signature(function).parameters.items():
        kind, *about = get_args(hints[key]) if get_origin(hints[key]) is Annotated else (hints[key],)
        default = ... if parameter.default is inspect.Parameter.empty else parameter.default
        found[key] = (kind, default, about[0] if about else None)
    return found


def _bare(kind: Any) -> tuple[Any, bool]:
    """The type itself, and whether several may be given."""
    if get_origin(kind) in (Union, types.UnionType):
        kind = next(one for one in get_args(kind) if one is not type(None))
    return (get_args(kind)[0], True) if get_origin(kind) is list else (kind, False)


def _named(about: Any) -> str:
    """First name of an option; typer keeps it where, within ``Annotated``, a default would stand. Empty for others."""
    return str(about.default) if isinstance(about, OptionInfo) else ""


def _described(key: str, kind: Any, default: Any, about: Any) -> dict[str, Any]:
    bare, is_many = _bare(kind)
    is_file = key in _FILES or (bare is Path and key not in _WRITTEN)
    shown = "flag" if bare is bool else "number" if bare in (int, float) else "file" if is_file else "text"
    return {
        "name": key,
        "kind": shown,
        "is_many": is_many,
        "is_required": default is ...,
        "default": str(default) if isinstance(default, str | int | float) and not isinstance(default, bool) else "",
        # As the command line says it, without its dashes: the parameter's own name is the code's.
        "label": (_named(about) or key).split("/")[0].lstrip("-").replace("-", " ").replace("_", " "),
        "help": (getattr(about, "help", "") or "").replace("--", ""),
    }


def _safe(key: str, kind: Any, text: str, build: Path, files: Mapping[str, Path]) -> str:
    """A text that leads to no file of this machine but those at hand, and to ``exports`` for what is written."""
    if key in _WRITTEN:
        name = "".join(one if one.isalnum() or one in "._-" else "_" for one in text).strip("._-")[-100:]
        (build / "exports").mkdir(exist_ok=True)
        return str(build / "exports" / (name or "export"))
    bus, equals, file = text.rpartition("=") if key == "dbc" else ("", "", text)
    if key in _FILES or key == "dbc" or kind is Path:
        if file not in files:
            raise UsageError(f"there is no file '{file}' here", "Drop it on the page first, or choose one of the list")
        return f"{bus}{equals}{files[file]}"
    if key in _FREE:
        return text
    # Units with a stroke such as Wh/mi have no other part like a path.
    if text.startswith((".", "/", "~")) or "../" in text or "\\" in text:
        raise UsageError(f"{key.replace('_', ' ')}: '{text}' is a path", "Name what is in the build")
    return text
