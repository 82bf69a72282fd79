"""Settings files: loading them, and saying everything that is wrong with one in one message."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logan.errors import ConfigurationError, plain_words
from logan.units import DisplayUnits

if TYPE_CHECKING:
    from pydantic import BaseModel, ValidationError

LARGEST_FILE_BYTES = 2_000_000

_AMERICAN = {
    "tyre": "tire",
    "tyre_class": "tire_class",
    "tyre_rolling_circumference": "tire_rolling_circumference",
    "ageing": "aging",
    "classic_saloon": "classic_sedan",
    "modern_saloon": "modern_sedan",
    "aluminium": "aluminum",
}

_WANTED = {
    "bool": "true or false",
    "string": "text in quotes",
    "string_too_short": "some text",
    "float": "a number",
    "list": "a list in brackets",
    "dict": "a table",
    "model": "a table",
}
"""What is expected where a value is of the wrong kind, by the validator's name for it."""


def refusal(path: Path, problems: tuple[str, ...]) -> ConfigurationError:
    """Return the error that lists every problem of a settings file."""
    count = "1 entry" if len(problems) == 1 else f"{len(problems)} entries"
    return ConfigurationError(
        f"{count} cannot be used", "Correct them and run the command again", path, problems=problems
    )


def load(path: Path) -> dict[str, Any]:
    """Load a settings file.

    Raises
    ------
    ConfigurationError
        If it is missing, too large, unreadable or not TOML.
    """
    if path.exists() and not path.is_file():
        raise ConfigurationError("this is not a file", "Give the path of a settings file", path)
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise ConfigurationError("the file is too large for settings", "Is it a build.toml?", path)
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        return {_AMERICAN.get(key, key): _in_american(value) for key, value in content.items()}
    except FileNotFoundError:
        raise ConfigurationError("there is no build here", "Make one with: logan new FOLDER", path) from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"not valid TOML: {error}", "Correct the line", path) from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"the file cannot be read: {plain_words(error)}", "Check the file", path) from None


def _in_american(content: Any) -> Any:
    """Settings with keys and values as they are spelled in the US; builds that were made before read as they are."""
    if isinstance(content, dict):
        return {_AMERICAN.get(key, key): _in_american(value) for key, value in content.items()}
    if isinstance(content, list):
        return [_in_american(value) for value in content]
    return _AMERICAN.get(content, content) if isinstance(content, str) else content


def problems_of(error: ValidationError) -> tuple[str, ...]:
    """Return one line per fault: the key's path, what is allowed, and the nearest right name."""
    from logan.configuration.schema import nearest

    lines = []
    for fault in error.errors(include_url=False):
        where = [str(part) for part in fault["loc"]]
        kind, message = fault["type"], str(fault["msg"]).removeprefix("Value error, ")
        if kind == "extra_forbidden":
            message = f"unknown key{nearest(where[-1], _known_keys(where[:-1]))}"
        elif kind == "missing":
            message = "missing; it has no typical value"
        elif kind == "value_error":
            first = message.split(":", 1)[0]
            if ":" in message and " " not in first:
                where, message = [*where, first], message.split(":", 1)[1].strip()
        else:
            wanted = _WANTED.get(kind.removesuffix("_parsing").removesuffix("_type"))
            message = f"expected {wanted}" if wanted else f"{message[:1].lower()}{message[1:]}"
            message = f"{message}, got {_short(fault.get('input'))}"
        lines.append(f"{_dotted(where)}: {message}")
    return tuple(lines)


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _dotted(where: list[str]) -> str:
    path = ""
    for part in where:
        path += f"[{int(part) + 1}]" if part.isdigit() else (f".{part}" if path else part)
    return path


def _known_keys(where: list[str]) -> list[str]:
    from pydantic import BaseModel

    from logan.configuration.schema import BuildFile

    model: type[BaseModel] = BuildFile
    for part in where:
        if part.isdigit():
            continue
        field = model.model_fields.get(part)
        if field is None:
            return []
        inner = field.annotation
        candidates = [inner, *getattr(inner, "__args__", ())]
        model = next((c for c in candidates if isinstance(c, type) and issubclass(c, BaseModel)), model)
    return [name for name in model.model_fields if name != "sources"]


def display_units_of(path: Path) -> DisplayUnits:
    """Read only the units that a build is shown in; the default where the file cannot be read."""
    try:
        return DisplayUnits.parse(str(load(path)["build"].get("units", "us")))
    except (ConfigurationError, KeyError, AttributeError, ValueError):
        return DisplayUnits()
