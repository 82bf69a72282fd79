"""Closest approach to each limit over several drives."""

from collections.abc import Iterable

from logan.metrics.limits import LimitCheck, LimitSummary
from logan.results import Severity, result
from logan.settings import LimitSide


@result("limit-line/1")
class LimitLine:
    """Closest approach to one limit over all drives.

    Parameters
    ----------
    check : LimitCheck
        Of the drive that came closest.
    drive : int
        Its number.
    beyond_red_drives, beyond_amber_drives : tuple of int
        Drives that went beyond.
    """

    check: LimitCheck
    drive: int
    beyond_red_drives: tuple[int, ...]
    beyond_amber_drives: tuple[int, ...]


def closest_lines(drives: Iterable[tuple[int, LimitSummary]]) -> tuple[LimitLine, ...]:
    """Closest approach to every limit, the gravest first; those without a limit last."""
    checks: dict[tuple[str, str], list[tuple[int, LimitCheck]]] = {}
    for number, limits in drives:
        for check in limits.checks:
            checks.setdefault((check.channel, check.side), []).append((number, check))
    return tuple(
        sorted((_line(found) for found in checks.values()), key=lambda line: (line.check.rank, line.check.channel))
    )


def _line(found: list[tuple[int, LimitCheck]]) -> LimitLine:
    number, worst = min(found, key=lambda entry: (*entry[1].rank, _closeness(entry[1])))
    red = tuple(drive for drive, check in found if check.severity is Severity.RED)
    amber = tuple(drive for drive, check in found if check.severity is Severity.AMBER)
    return LimitLine(check=worst, drive=number, beyond_red_drives=red, beyond_amber_drives=amber)


def _closeness(check: LimitCheck) -> float:
    """Smaller is closer; a drive that did not log the channel comes last."""
    if check.worst_value is None:
        return float("inf")
    if check.margin is not None:
        return check.margin
    return check.worst_value if check.side is LimitSide.BELOW else -check.worst_value
