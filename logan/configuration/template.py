"""The files of a new build, in the units of who makes it."""

from __future__ import annotations

import re
from importlib.resources import files
from typing import Final

from logan.units import DisplayUnits

_EITHER: Final = re.compile(r"<<(.*?)\|(.*?)>>")


def template(name: str, units: DisplayUnits | None = None) -> str:
    """Text of a template, such as ``build.toml``; where it says ``<<US|metric>>``, what the units ask for."""
    units = units or DisplayUnits()
    text = files("logan.configuration").joinpath("templates", name).read_text(encoding="utf-8")

    def chosen(match: re.Match[str]) -> str:
        is_us = units.temperature == "degF" if "°" in match[1] else units.distance == "mi"
        return match[1] if is_us else match[2]

    return _EITHER.sub(chosen, text.replace("<<us|metric>>", units.typed()))
