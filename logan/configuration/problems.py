"""Settings files: their templates, loading them, and saying everything that is wrong with one in one message."""

import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, cast

from logan.errors import ConfigurationError, plain_words
from logan.units import DisplayUnits

LARGEST_FILE_BYTES = 2_000_000

_AMERICAN = {
    "tyre": "tire",
    "tyre_class": "tire_class",
    "tyre_rolling_circumference": "tire_rolling_circumference",
    "ageing": "aging",
}
_AMERICAN_CHOICES = {
    "body_class": {"classic_saloon": "classic_sedan", "modern_saloon": "modern_sedan"},
    "material": {"aluminium": "aluminum"},
}
"""By key, so that a signal or a build may be called what it likes."""


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
        text = path.read_text(encoding="utf-8-sig")
        refuse_deep(text)
        return cast("dict[str, Any]", _in_american(tomllib.loads(text)))
    except FileNotFoundError:
        raise ConfigurationError("there is no build here", "Make one with: logan new FOLDER", path) from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"not valid TOML: {error}", "Correct the line", path) from None
    except UnicodeDecodeError as error:
        remedy = "Save it as text in UTF-8"
        raise ConfigurationError(f"the file cannot be read: {plain_words(error)}", remedy, path) from None
    except (OSError, RecursionError) as error:
        raise ConfigurationError(f"the file cannot be read: {plain_words(error)}", "Check the file", path) from None


_LONG_KEY: Final = re.compile(r"""(?<![\w"'-])(?:[\w"'-]++[ \t]*+\.[ \t]*+){50}""")


def refuse_deep(text: str) -> None:
    """Refuse keys of very many parts: the parser's time goes with the square of their number.

    Raises
    ------
    RecursionError
        If there are any.
    """
    if _LONG_KEY.search(text):
        raise RecursionError


def _in_american(content: Any) -> Any:
    """Settings with keys and values as they are spelled in the US; builds that were made before read as they are."""
    if isinstance(content, dict):
        return {_AMERICAN.get(key, key): _in_american(_choice(key, value)) for key, value in content.items()}
    return [_in_american(value) for value in content] if isinstance(content, list) else content


def _choice(key: str, value: Any) -> Any:
    return _AMERICAN_CHOICES.get(key, {}).get(value, value) if isinstance(value, str) else value


def display_units_of(path: Path) -> DisplayUnits:
    """Read only the units that a build is shown in; the default where the file cannot be read."""
    try:
        return DisplayUnits.parse(str(load(path)["build"].get("units", "us")))
    except (ConfigurationError, KeyError, AttributeError, ValueError):
        return DisplayUnits()


_EITHER: Final = re.compile(r"<<(.*?)\|(.*?)>>")


def template(name: str, units: DisplayUnits | None = None) -> str:
    """Text of a template, such as ``build.toml``; where it says ``<<US|metric>>``, what the units ask for."""
    units = units or DisplayUnits()
    text = files("logan.configuration").joinpath("templates", name).read_text(encoding="utf-8")

    def chosen(match: re.Match[str]) -> str:
        for us, metric in (match.groups(), match.groups()[::-1]):
            if any(unit in us.split() and unit not in metric.split() for _, unit in units.choices):
                return us
        is_us = units.temperature == "degF" if "°" in match[1] else units.distance == "mi"
        return match[1] if is_us else match[2]

    return _EITHER.sub(chosen, text.replace("<<us|metric>>", units.typed()))
