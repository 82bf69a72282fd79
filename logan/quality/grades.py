"""How far each metric of a drive can be believed: grade A to D, or refused with the reason."""

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Final

from logan.channels.vocabulary import channel_kind
from logan.drive.drive import Drive, pack_power
from logan.numerics import integrate, nominal_period_s
from logan.results import DataFlag, Severity, result


class Grade(StrEnum):
    """How far a metric can be believed."""

    A = "A"
    """Nothing found that touches it."""
    B = "B"
    """Something small found, or a little of the drive is missing."""
    C = "C"
    """Less sure than it looks: several findings, or a twentieth of the drive is missing."""
    D = "D"
    """Not to be relied on; refused where ``is_refused``."""


@result("metric-grade/1")
class MetricGrade:
    """The grade of one metric and why.

    Parameters
    ----------
    metric : str
        Name from ``METRIC_CHANNELS``.
    grade : Grade
        A to D.
    reasons : tuple of str
        In plain words; empty for an A.
    is_refused : bool
        True when the figure must not be shown.
    remedy : str
        What to do about it; empty where nothing is needed.
    coverage_ratio : float or None
        Share of the drive that the metric rests on; None where it has none.
    flags : tuple of str
        Codes of the flags that count against it.
    is_missing : bool
        True when a channel that it needs is not logged.
    """

    metric: str
    grade: Grade
    reasons: tuple[str, ...] = ()
    is_refused: bool = False
    remedy: str = ""
    coverage_ratio: float | None = None
    flags: tuple[str, ...] = ()
    is_missing: bool = False


_PACK: Final = ("pack_voltage|pack_power", "pack_current|pack_power")
_ROAD: Final = ("speed|gnss_speed|wheel_speed",)

METRIC_CHANNELS: Final[Mapping[str, tuple[str, ...]]] = {
    "net_energy": _PACK,
    "consumption": (*_PACK, *_ROAD),
    "regen": _PACK,
    "peak_current": ("pack_current",),
    "rms_current": ("pack_current",),
    "charge": ("pack_current",),
    "distance": _ROAD,
    "temperatures": (
        "motor_temperature|inverter_temperature|coolant_temperature|cell_temperature_max|pack_temperature",
    ),
    "resistance": ("pack_voltage", "pack_current"),
    "usable_energy": (*_PACK, "state_of_charge"),
    "efficiency": (*_PACK, "motor_torque", "motor_speed"),
    "fit": (*_PACK, *_ROAD),
}
"""What each metric needs; ``|`` stands between channels of which one is enough."""

_RATE_LIMITED: Final = ("regen", "peak_current")
_ENERGY_METRICS: Final = ("net_energy", "consumption", "regen", "efficiency", "fit", "usable_energy")
_SMALL_EFFECT: Final = 0.005
_LEAST_FOR_FIT: Final = 0.5
"""The fit leaves gaps out by itself, and fills none."""
_GRADES: Final = (Grade.A, Grade.B, Grade.C, Grade.D)


def grade_metrics(
    drive: Drive,
    flags: Iterable[DataFlag],
    *,
    min_coverage_ratio: float = 0.9,
) -> Mapping[str, MetricGrade]:
    """Grade every metric that a drive may carry.

    Parameters
    ----------
    drive : Drive
        What was measured.
    flags : iterable of DataFlag
        What the detectors found.
    min_coverage_ratio : float
        Below it a metric is refused.

    Returns
    -------
    mapping of str to MetricGrade
        By metric, in the order of ``METRIC_CHANNELS``; a metric whose channels are missing
        is refused and says which.
    """
    found = tuple(flags)
    covered = _coverage_by_channel(drive)
    net = net_wh_per_km(drive)
    return {metric: _grade(drive, metric, found, covered, net, min_coverage_ratio) for metric in METRIC_CHANNELS}


def _grade(
    drive: Drive,
    metric: str,
    flags: tuple[DataFlag, ...],
    covered: Mapping[str, float],
    net_wh_per_km: float | None,
    min_coverage_ratio: float,
) -> MetricGrade:
    missing = [choice for choice in METRIC_CHANNELS[metric] if not _present(drive, choice)]
    if missing:
        names = " and ".join(dict.fromkeys(_words(choice) for choice in missing))
        return MetricGrade(
            metric=metric,
            grade=Grade.D,
            reasons=(f"{names} not logged",),
            is_refused=True,
            remedy=f"Log {names}, or map the signal that carries it",
            is_missing=True,
        )
    coverage = _coverage(metric, covered)
    if metric == "fit":
        min_coverage_ratio = min(min_coverage_ratio, _LEAST_FOR_FIT)
    steps: list[tuple[int, str, str]] = []
    if coverage is not None:
        steps.extend(_coverage_step(coverage, min_coverage_ratio))
    steps.extend(_rate_step(drive, metric))
    touching = [flag for flag in flags if _touches(flag, metric)]
    steps.extend(_flag_step(flag, metric, net_wh_per_km) for flag in touching)
    worst = max((step for step, _, _ in steps), default=0)
    amber = sum(1 for flag in touching if flag.severity is Severity.AMBER)
    level = min(max(worst, 2 if amber >= 3 and worst < 2 else worst), 3)
    refusing = [flag for flag in touching if metric in flag.refuses]
    is_short = coverage is not None and coverage < min_coverage_ratio
    ordered = sorted((step for step in steps if step[0] > 0), key=lambda step: -step[0])
    return MetricGrade(
        metric=metric,
        grade=Grade.D if refusing or is_short else _GRADES[level],
        reasons=tuple(reason for _, reason, _ in ordered),
        is_refused=bool(refusing) or is_short,
        remedy=ordered[0][2] if ordered else "",
        coverage_ratio=coverage,
        flags=tuple(
            dict.fromkeys(flag.code for flag in touching if flag.severity is not Severity.NOTE or flag.refuses)
        ),
    )


def _present(drive: Drive, choice: str) -> bool:
    return any(channel.value.size > 1 for name in choice.split("|") for channel in drive.of_kind(name))


def _words(choice: str) -> str:
    return choice.split("|")[0].replace("_", " ")


def _coverage_by_channel(drive: Drive) -> dict[str, float]:
    """Share of the drive's duration in which each channel was sampled without gaps."""
    total_s = drive.duration_s
    if total_s <= 0.0:
        return {}
    shares = {
        name: integrate(one.time_s, one.value, max_gap_s=one.max_gap_s).covered_s / total_s
        for name, one in drive.channels.items()
    }
    power = pack_power(drive)
    if power is not None:
        shares["pack"] = integrate(power.time_s, power.power_w, max_gap_s=power.max_gap_s).covered_s / total_s
    return {name: min(share, 1.0) for name, share in shares.items()}


def _coverage(metric: str, covered: Mapping[str, float]) -> float | None:
    """Lowest coverage of what the metric needs; of alternatives, the best one."""
    shares = []
    for choice in METRIC_CHANNELS[metric]:
        if choice in _PACK:
            shares.append(covered.get("pack", 0.0))
            continue
        names = choice.split("|")
        shares.append(max((share for key, share in covered.items() if kind_name(key) in names), default=0.0))
    return min(shares) if shares else None


def kind_name(channel: str) -> str:
    """Kind of a channel: ``motor_temperature`` for ``motor_temperature_2``."""
    kind = channel_kind(channel)
    return channel if kind is None else kind.name


def _coverage_step(coverage: float, min_coverage_ratio: float) -> list[tuple[int, str, str]]:
    remedy = "See the flags on gaps and lost samples; repeat the drive with the logger's supply and bus load put right"
    if coverage < min_coverage_ratio:
        reason = f"only {100 * coverage:.0f} % of the drive is covered, less than {100 * min_coverage_ratio:.0f} %"
        return [(3, reason, remedy)]
    if coverage < 0.95:
        return [(2, f"{100 * coverage:.0f} % of the drive is covered", remedy)]
    return [(1, f"{100 * coverage:.1f} % of the drive is covered", remedy)] if coverage < 0.98 else []


def _rate_step(drive: Drive, metric: str) -> list[tuple[int, str, str]]:
    """Slow sampling hides peaks, and regen that lasts for less than a step."""
    channel = drive.get("pack_current") or drive.get("pack_power")
    if metric not in _RATE_LIMITED or channel is None:
        return []
    period_s = nominal_period_s(channel.time_s)
    remedy = "Log pack current at 10 Hz or more; 50 Hz for peaks"
    what = "regen reads low and the peak" if metric == "regen" else "the peak"
    if period_s > 1.5:
        return [(3, f"current comes every {period_s:.1f} s: {what} is a lower bound only", remedy)]
    if period_s > 0.55:
        return [(2, f"current comes every {period_s:.1f} s: {what} is a lower bound", remedy)]
    if drive.is_averaged:
        return [(2, "the log holds averages: peak and regen are lower bounds", remedy)]
    return [(1, f"current comes every {period_s:.2f} s", remedy)] if period_s > 0.25 else []


def _touches(flag: DataFlag, metric: str) -> bool:
    if metric in flag.refuses:
        return True
    if not flag.channels:
        return flag.code != "notes_missing" or metric == "fit"
    needed = {name for choice in METRIC_CHANNELS[metric] for name in choice.split("|")}
    return any(kind_name(channel) in needed for channel in flag.channels)


def _flag_step(flag: DataFlag, metric: str, net_wh_per_km: float | None) -> tuple[int, str, str]:
    """How many grades a flag costs, and the words for it."""
    if metric in flag.refuses:
        return 3, flag.title, flag.remedy
    if flag.severity is Severity.NOTE:
        return 0, flag.title, flag.remedy
    level = 3 if flag.severity is Severity.RED else 1
    if metric in _ENERGY_METRICS and flag.effect_wh_per_km is not None and net_wh_per_km:
        share = abs(flag.effect_wh_per_km / net_wh_per_km)
        if share < _SMALL_EFFECT:
            level = min(level, 1)
        elif flag.severity is Severity.AMBER and share > 0.05:
            level = 2
    return level, flag.title, flag.remedy


def net_wh_per_km(drive: Drive) -> float | None:
    """Net consumption as logged, gaps left out; None for less than 100 m. [Wh/km]"""
    power, speed = pack_power(drive), drive.get("speed") or drive.get("gnss_speed")
    if power is None or speed is None:
        return None
    energy_wh = integrate(power.time_s, power.power_w, max_gap_s=power.max_gap_s).total / 3600.0
    distance_km = integrate(speed.time_s, speed.value, max_gap_s=speed.max_gap_s).total / 1000.0
    return energy_wh / distance_km if distance_km > 0.1 else None


def worst_grade(grades: Mapping[str, MetricGrade], metrics: Iterable[str]) -> str:
    """Lowest grade of some metrics as a letter; those that are not logged have none."""
    found = [grades[name].grade.value for name in metrics if name in grades and not grades[name].is_missing]
    return max(found, default="")
