"""One fault trips several detectors: name the cause, and count what follows from it as a note."""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache
from importlib.resources import files

from logan.results import DataFlag, Severity


@cache
def followers() -> Mapping[str, Mapping[str, frozenset[str]]]:
    """Codes of what follows from each cause on any channel, and on the same one, as ``consequences.toml`` has them."""
    listed = tomllib.loads(files("logan.quality").joinpath("consequences.toml").read_text(encoding="utf-8"))
    groups: dict[str, str] = {}
    for name, codes in listed.pop("groups").items():
        groups[name] = codes.format(**groups)
    return {
        table: {cause: frozenset(codes.format(**groups).split()) for cause, codes in causes.items()}
        for table, causes in listed.items()
    }


def name_causes(flags: Iterable[DataFlag]) -> tuple[DataFlag, ...]:
    """Turn findings that follow from another finding into notes that name it.

    Nothing is dropped, and what a finding refuses stays refused; only its severity falls, and
    its effect goes, which would be counted twice.

    Parameters
    ----------
    flags : iterable of DataFlag
        All findings on one drive.

    Returns
    -------
    tuple of DataFlag
        The same findings in the same order.
    """
    found = tuple(flags)
    # A finding that follows from another one explains nothing by itself any more.
    followers = {id(flag) for flag in found if _cause_of(flag, found) is not None}
    causes = tuple(flag for flag in found if id(flag) not in followers)
    return tuple(_marked(flag, _cause_of(flag, causes) or _cause_of(flag, found)) for flag in found)


def _cause_of(flag: DataFlag, found: tuple[DataFlag, ...]) -> DataFlag | None:
    for cause in found:
        if cause is flag or cause.code == flag.code:
            continue
        if flag.code in followers()["any_channel"].get(cause.code, ()):
            return cause
        if flag.code in followers()["same_channel"].get(cause.code, ()) and set(flag.channels) & set(cause.channels):
            return cause
    return None


def _marked(flag: DataFlag, cause: DataFlag | None) -> DataFlag:
    if cause is None:
        return flag
    return replace(
        flag,
        severity=Severity.NOTE,
        evidence=f"{flag.evidence}; probably follows from: {cause.title[0].lower()}{cause.title[1:]}",
        effect_wh_per_km=None,
    )
