"""``logan trend``: one metric over all drives."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logan.cli.options import BuildOption, JsonOption, UnitsOption

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
    ) -> None:
        """Show one metric drive by drive, with intervals, and what each change to the vehicle did to it."""
        from logan.cli.options import display_units
        from logan.cli.rendering import print_json, print_lines, working
        from logan.pipeline.builds import find_build
        from logan.pipeline.library import bring_up_to_date, open_library
        from logan.pipeline.trend import metric_trend

        folder = find_build(build)
        with open_library(folder.path) as library:
            with working("looking through the drives") as told:
                bring_up_to_date(library, folder, told=told)
            if not metric:
                print_lines(*library.metric_names() or ["No drive yet. Import one with: logan import LOG"])
                return
            found = metric_trend(library, metric, with_excluded=with_excluded)
        if as_json:
            print_json(found)
        else:
            _show(found, display_units(units, build))


def _show(trend: Trend, units: DisplayUnits) -> None:
    from logan.cli.rendering import print_cautions, print_lines, print_table
    from logan.pipeline.cautions import CAUTION_ALWAYS
    from logan.pipeline.trend import LEVEL_RATIO

    unit, scale = _shown_unit(trend.unit, units)
    low = min(point.figure.value for point in trend.points)
    high = max(point.figure.value for point in trend.points)
    rows = [
        (
            point.number,
            f"{point.started:%Y-%m-%d}" if point.started else "no clock",
            _text(point.figure, scale),
            _interval(point.figure, scale),
            _bar(point.figure.value, low, high),
            point.change,
        )
        for point in trend.points
    ]
    print_table(
        ("drive", "day (UTC)", unit, f"{LEVEL_RATIO:.0%} interval", "", "change"),
        rows,
        title=trend.metric,
        left=(0, 1, 4, 5),
    )
    steps = [
        (
            f"{period.first}-{period.last}" if period.last != period.first else str(period.first),
            period.drive_count,
            _text(period.mean, scale),
            "" if period.step is None else _text(period.step, scale),
            period.change or "as first recorded",
        )
        for period in trend.periods
    ]
    print_table(("drives", "n", f"mean {unit}", "step", "after"), steps, left=(0, 4))
    if trend.refused:
        print_lines(f"refused for drives {_numbers(trend.refused)}")
    if trend.excluded:
        print_lines(f"left out by their notes: drives {_numbers(trend.excluded)}")
    if "margin" in trend.metric:
        print_cautions(CAUTION_ALWAYS)


def _shown_unit(unit: str, units: DisplayUnits) -> tuple[str, float]:
    if unit == "Wh/km":
        return units.consumption_label, units.consumption(1.0)
    if unit == "m":
        return units.distance, 1.0 / units.metres
    return unit, 1.0


def _text(figure: Estimate, scale: float) -> str:
    value = f"{figure.value * scale:.4g}"
    return value if figure.sigma is None else f"{value} ± {figure.sigma * scale:.2g}"


def _interval(figure: Estimate, scale: float) -> str:
    from logan.pipeline.trend import LEVEL_RATIO

    interval = figure.interval(LEVEL_RATIO)
    return "" if interval is None else f"{interval[0] * scale:.4g} to {interval[1] * scale:.4g}"


def _bar(value: float, low: float, high: float, width: int = 10) -> str:
    place = round((value - low) / (high - low) * (width - 1)) if high > low else 0
    return "·" * place + "●" + "·" * (width - 1 - place)


def _numbers(numbers: tuple[int, ...]) -> str:
    return ", ".join(str(number) for number in numbers)
