"""``logan trend``: one metric over all drives."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, FullOption, JsonOption, UnitsOption, display_units
from logan.cli.rendering import answer, print_cautions, print_lines, print_table, working
from logan.pipeline.cautions import CAUTION_ALWAYS
from logan.units import QUANTITY_OF_UNIT
from logan.wording import asked_metric, metric_words, moment, number, percent, runs, with_sigma

if TYPE_CHECKING:
    from logan.pipeline.trend import Trend
    from logan.results import Estimate
    from logan.units import DisplayUnits


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("trend")
    def trend(
        metric: Annotated[str, typer.Argument(help="Metric; left out, those there are are listed.")] = "",
        build: BuildOption = Path(),
        units: UnitsOption = None,
        with_excluded: Annotated[
            bool, typer.Option("--with-excluded", help="Drives that the fit leaves out take part too.")
        ] = False,
        as_json: JsonOption = False,
        is_full: FullOption = False,
    ) -> None:
        """Show one metric drive by drive, with intervals, and what each change to the vehicle did to it."""
        from logan.pipeline.builds import bring_up_to_date, find_build, open_library
        from logan.pipeline.trend import trend_of_build

        folder = find_build(build)
        with open_library(folder.path) as library:
            with working("looking through the drives") as told:
                bring_up_to_date(library, folder, told=told)
            known_names = library.metric_names()
            if not metric:
                names = sorted({metric_words(name) for name in known_names}, key=str.lower)
                known = f"Metrics: {', '.join(names)}. One over all drives: logan trend net-consumption"
                print_lines(known if names else "No drive yet. Import one with: logan import LOG")
                return
        with working("looking through the drives") as told:
            found = trend_of_build(folder, asked_metric(metric, known_names), with_excluded=with_excluded, told=told)
        answer(found, as_json, _show, display_units(units, build))


def _show(trend: Trend, units: DisplayUnits) -> None:
    from logan.pipeline.trend import LEVEL_RATIO

    unit, scale, offset = _shown_unit(trend.metric, trend.unit, units)
    print_lines(_answer(trend, unit, scale, offset), "")
    low = min(point.figure.value for point in trend.points)
    high = max(point.figure.value for point in trend.points)
    rows = [
        (
            point.number,
            moment(point.started, "%Y-%m-%d"),
            _text(point.figure, scale, offset),
            _interval(point.figure, scale, offset),
            _bar(point.figure.value, low, high),
            point.change,
        )
        for point in trend.points
    ]
    print_table(
        ("drive", "day", unit, f"{percent(LEVEL_RATIO)} interval", "", "change"),
        rows,
        left=(0, 1, 4, 5),
        is_newest_last=True,
    )
    steps = [
        (
            f"{period.first}-{period.last}" if period.last != period.first else str(period.first),
            period.drive_count,
            _text(period.mean, scale, offset),
            "" if period.step is None else _text(period.step, scale, 0.0),
            period.change or "as first recorded",
        )
        for period in trend.periods
    ]
    print_table(("drives", "n", f"mean {unit}", "step", "after"), steps, left=(0, 4), is_newest_last=True)
    if trend.basis != "measured":
        print_lines(f"By the vehicle of the {trend.basis}, alike for every drive.")
    if trend.refused:
        print_lines(f"Refused for drives {runs(trend.refused)}; why: logan drive {trend.refused[0]} --full")
    if trend.excluded:
        print_lines(f"Left out by their notes: drives {runs(trend.excluded)}")
    if "margin" in trend.metric:
        print_cautions(CAUTION_ALWAYS)


def _answer(trend: Trend, unit: str, scale: float, offset: float) -> str:
    """The mean since the last change, and what that change did."""
    last = trend.periods[-1]
    drives = f"{last.drive_count} drive{'s' if last.drive_count != 1 else ''}"
    words = f"{metric_words(trend.metric)}: {_text(last.mean, scale, offset, unit)} over the last {drives}"
    if last.step is None:
        return f"{words}; no change to the vehicle is noted."
    return f"{words}, {_text(last.step, scale, 0.0, unit)} after: {last.change}."


def _shown_unit(metric: str, unit: str, units: DisplayUnits) -> tuple[str, float, float]:
    """Unit shown, units shown in one of the metric's, and what is shown at zero."""
    quantity = {"m": "length" if "circumference" in metric else "distance", "ratio": "share"}.get(unit)
    quantity = quantity if quantity and metric != "rolling_coefficient_ratio" else QUANTITY_OF_UNIT.get(unit)
    if quantity is None:
        return ("" if unit == "ratio" else unit), 1.0, 0.0
    offset = units.to_shown(0.0, quantity)
    return units.unit_of(quantity), units.to_shown(1.0, quantity) - offset, offset


def _text(figure: Estimate, scale: float, offset: float, unit: str = "") -> str:
    digits = _digits(figure, scale, offset)
    sigma = None if figure.sigma is None else figure.sigma * scale
    return f"{with_sigma(figure.value * scale + offset, sigma, digits)} {unit}".rstrip()


def _interval(figure: Estimate, scale: float, offset: float) -> str:
    from logan.pipeline.trend import LEVEL_RATIO

    digits = _digits(figure, scale, offset)
    ends = (number(end * scale + offset, digits) for end in figure.interval(LEVEL_RATIO) or ())
    return " to ".join(ends)


def _digits(figure: Estimate, scale: float, offset: float) -> int:
    """Two figures of the uncertainty; four of the value where there is none."""
    size = abs((figure.sigma or 1e-2 * (figure.value + offset / scale)) * scale) or 1.0
    return max(0, 1 - math.floor(math.log10(size)))


def _bar(value: float, low: float, high: float, width: int = 10) -> str:
    place = round((value - low) / (high - low) * (width - 1)) if high > low else 0
    return "·" * place + "●" + "·" * (width - 1 - place)
