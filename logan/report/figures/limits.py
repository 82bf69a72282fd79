"""How close everything came to its limit: bullets sorted by margin, and current against the curves given."""

from collections.abc import Iterable, Sequence
from typing import Final

from logan.metrics.current import CurrentSummary
from logan.metrics.limit_lines import LimitLine, closest_lines
from logan.metrics.limits import BRIEFLY, HELD, LimitCheck
from logan.report.figure import DASH_ORDER, SERIES, Axis, Bars, Dots, Figure, Limit, Line, Mark, Panel, by_rows
from logan.report.inputs import DriveInputs
from logan.results import Severity
from logan.settings import LimitSheet
from logan.units import QUANTITY_OF_UNIT, DisplayUnits
from logan.wording import NONE, capital, channel_words, limit_name, number, percent, shown_value, told_apart, with_sigma

MOST_BULLETS: Final = 14
_INKS: Final = {Severity.RED: "red", Severity.AMBER: "amber", Severity.NOTE: "good", None: "good"}
_QUANTITY: Final = {"rms": "RMS", "peak": "peak"}
_WINDOWS: Final = {0.1: "0.1 s", 1.0: "1 s", 10.0: "10 s", 60.0: "1 min", 300.0: "5 min", 1800.0: "30 min"}


def approaches(drives: Iterable[DriveInputs]) -> list[LimitLine]:
    """Every limit and curve that was given and met by a value, the gravest and closest first."""
    lines = closest_lines((drive.number, drive.limits) for drive in drives)
    return [line for line in lines if line.check.used_ratio is not None]


def margin_text(check: LimitCheck, units: DisplayUnits) -> str:
    """A margin with its bound and unit."""
    if check.margin is None:
        return NONE
    quantity = {"degC": "temperature_step", "ratio": "share"}.get(check.unit) or QUANTITY_OF_UNIT.get(check.unit)
    scale, unit = (0.001, "kΩ") if check.unit == "ohm" else (1.0, check.unit)
    if quantity is not None:
        scale, unit = units.to_shown(1.0, quantity) - units.to_shown(0.0, quantity), units.unit_of(quantity)
    digits = (3 if abs(check.margin) < 1.0 else 1 if abs(check.margin) < 20.0 else 0) if unit == "V" else 0
    bound = None if check.margin_bound is None else scale * check.margin_bound
    return f"{with_sigma(scale * check.margin, bound, digits)} {unit}"


def approach_words(one: LimitLine, units: DisplayUnits) -> str:
    """What was reached of what limit, on which drive."""
    check = one.check
    reached = told_apart(check.worst_value, check.met, unit=check.unit, units=units)
    return f"{' against '.join(reached)} on drive {one.drive}"


def bullet_figure(
    found: Sequence[LimitLine], units: DisplayUnits, design_degc: float, *, most: int = MOST_BULLETS
) -> Figure | None:
    """Closest approach to every limit given, the least margin on top; None where no limit is given."""
    shown = list(found[:most])
    if not shown:
        return None
    place = list(range(len(shown)))
    used = [100.0 * min(max(one.check.used_ratio or 0.0, 0.0), 1.25) for one in shown]
    marks: list[Mark] = [
        Bars(
            at=place,
            start=[0.0] * len(shown),
            end=used,
            inks=tuple(_ink(one.check) for one in shown),
            labels=tuple(_bullet_label(one, units) for one in shown),
            words=tuple(f"{limit_name(one.check)}: {approach_words(one, units)}, {one.check.verdict}" for one in shown),
            thickness=0.56,
        ),
        Limit(value=100.0, label="limit", ink="red", is_upright=True),
    ]
    ambers = [(row, one.check.amber_ratio) for row, one in enumerate(shown) if one.check.amber_ratio is not None]
    if ambers:
        marks.append(
            Dots(
                x=[100.0 * ratio for _, ratio in ambers],
                y=[float(row) for row, _ in ambers],
                ink="amber",
                symbol="tick",
                size=17.0,
                words=("amber",) * len(ambers),
            )
        )
    first = shown[0]
    how = "passed its limit" if (first.check.margin or 0.0) < 0.0 else "came closest to its limit"
    if first.check.verdict == BRIEFLY:
        how = f"was {first.check.verdict}"
    if first.check.severity is Severity.AMBER:
        how = "passed amber"
    return by_rows(
        f"{capital(limit_name(first.check))} {how}: {approach_words(first, units)}.",
        Axis(title="way to the limit [%]", low=0.0, high=max(100.0, *used)),
        [limit_name(one.check) for one in shown],
        *marks,
        detail=f"Temperatures from the design ambient of {shown_value(design_degc, 'degC', units)}, cells from their "
        "nominal voltage, all else from zero. Labels: what was reached, and the margin left (estimated). "
        "Ticks: amber.",
    )


def _ink(check: LimitCheck) -> str:
    """Green is for what stayed within; what was beyond without being an event of amber or red is neither."""
    return "neutral" if check.severity is None and check.verdict in (HELD, BRIEFLY) else _INKS[check.severity]


def _bullet_label(one: LimitLine, units: DisplayUnits) -> str:
    check = one.check
    reached = shown_value(check.worst_value, check.unit, units)
    if check.margin is not None and check.margin < 0.0:
        return f"{reached}, {margin_text(check, units).lstrip('-')} {BRIEFLY if check.verdict == BRIEFLY else 'beyond'}"
    return f"{reached}, {margin_text(check, units)} left"


def duration_figure(current: CurrentSummary, limits: LimitSheet) -> Figure | None:
    """Highest RMS current over windows of every length against the curves given; None where none is given."""
    if not limits.curves or not current.approaches:
        return None
    marks: list[Mark] = []
    for index, duration in enumerate(entry for entry in current.durations if entry.direction != "both"):
        marks.append(
            Line(
                x=[point.window_s for point in duration.points],
                y=[point.rms_a for point in duration.points],
                ink=SERIES[index % len(SERIES)],
                dash=DASH_ORDER[index % len(DASH_ORDER)],
                width=2.5,
                label=f"{channel_words(duration.channel)}, {duration.direction}",
            )
        )
    for curve in limits.curves:
        longest = max([*curve.duration_s, 1800.0])
        marks.append(
            Line(
                x=[*curve.duration_s, longest],
                y=[*curve.current_a, curve.current_a[-1]],
                ink="red",
                dash="dash",
                label=curve.component,
            )
        )
    worst = max(current.approaches, key=lambda approach: approach.used_ratio)
    return Figure(
        finding=f"{capital(channel_words(worst.channel))} came to {percent(worst.used_ratio)} of what the "
        f"{worst.component} holds: {number(worst.current_a)} A {_QUANTITY[worst.quantity]} over {worst.window_s:g} s.",
        x=Axis(title="window [s, min]", is_log=True, ticks=tuple(_WINDOWS.items())),
        panels=(Panel(y=Axis(title="highest RMS current [A]", low=0.0), marks=tuple(marks), height=310.0),),
    )
