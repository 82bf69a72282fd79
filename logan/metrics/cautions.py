"""What helps where a limit was passed: by channel, side, and which way the current ran; for a report, and live."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from fnmatch import fnmatchcase
from functools import cache
from importlib.resources import files
from typing import Any, Final

from logan.channels.vocabulary import channel_kind
from logan.settings import LimitSide


class Flow(StrEnum):
    """Which way the pack's current ran at the worst moment."""

    DRIVE = "drive"
    REGEN = "regen"
    CHARGE = "charge"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice: what happened and what follows (report), and what to do now (live)."""

    past: str
    live: str


@cache
def _listed() -> dict[str, Any]:
    return tomllib.loads(files("logan.metrics").joinpath("cautions.toml").read_text(encoding="utf-8"))


CAUTION_ALWAYS: Final[str] = _listed()["caution"]["always"]
CAUTION_ROAD_TEST: Final[str] = _listed()["caution"]["road_test"]
CAUTION_HIGH_VOLTAGE: Final[str] = _listed()["caution"]["high_voltage"]


def every_caution() -> tuple[str, ...]:
    """What to keep in mind before acting on any of this: the list of the report and of the certificate."""
    return tuple(_listed()["caution"]["every"])


@cache
def every_advice() -> Mapping[str, Advice]:
    """Each piece of advice by its name, as ``cautions.toml`` has it."""
    listed = _listed()
    return {
        name: Advice(texts["past"].format(fire=listed["fire"]), texts["live"].format(fire=listed["fire"]))
        for name, texts in listed["advice"].items()
    }


def advice_for(channel: str, side: LimitSide, flow: Flow = Flow.UNKNOWN) -> Advice:
    """Return what helps where a channel passed its limit.

    Parameters
    ----------
    channel : str
        Canonical name, numbered or not.
    side : LimitSide
        On which side it passed.
    flow : Flow
        Which way the pack's current ran then.
    """
    kind = channel_kind(channel)
    name = kind.name if kind else channel
    return next(
        every_advice()[advice]
        for channels, its_side, flows, advice in _listed()["rows"]  # the last of which fits everything
        if any(fnmatchcase(name, one) for one in channels.split())
        and its_side in ("", side)
        and (not flows or flow in flows.split())
    )
