"""Closest approach to each limit and each curve over several drives."""

from collections.abc import Iterable

from logan.metrics.current import CurrentSummary, CurveApproach
from logan.metrics.limits import VERDICTS, LimitCheck, LimitSummary
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


@result("curve-line/1")
class CurveLine:
    """Closest approach to one component's curve over all drives."""

    approach: CurveApproach
    drive: int


def closest_lines(drives: Iterable[tuple[int, LimitSummary]]) -> tuple[LimitLine, ...]:
    """Closest approach to every limit, the gravest first; those without a limit last."""
    checks: dict[tuple[str, str], list[tuple[int, LimitCheck]]] = {}
    for number, limits in drives:
        for check in limits.checks:
            checks.setdefault((check.channel, check.side), []).append((number, check))
    return tuple(sorted((_line(found) for found in checks.values()), key=_gravity))


def closest_curves(drives: Iterable[tuple[int, CurrentSummary]]) -> tuple[CurveLine, ...]:
    """Closest approach to every component's curve, the most used first."""
    curves: dict[tuple[str, str], CurveLine] = {}
    for number, current in drives:
        for approach in current.approaches:
            key = (approach.component, approach.direction)
            if key not in curves or approach.used_ratio > curves[key].approach.used_ratio:
                curves[key] = CurveLine(approach=approach, drive=number)
    return tuple(sorted(curves.values(), key=lambda line: -line.approach.used_ratio))


def _line(found: list[tuple[int, LimitCheck]]) -> LimitLine:
    number, worst = min(found, key=lambda entry: (VERDICTS.index(entry[1].verdict), _closeness(entry[1])))
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


def _gravity(line: LimitLine) -> tuple[int, str]:
    return VERDICTS.index(line.check.verdict), line.check.channel
