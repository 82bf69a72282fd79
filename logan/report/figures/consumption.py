"""What it uses: consumption against speed, by cause, and predicted against measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from logan.driving_range.consumption_curve import ConsumptionCurve
from logan.driving_range.coverage import Calibration
from logan.driving_range.prediction import RangePrediction
from logan.ledger.ledger import EnergyLedger
from logan.model.breakdown import CAUSES, ConsumptionBreakdown
from logan.model.fit_result import FitResult
from logan.report.theme import CAUSE_COLOURS, MEASURED, NEUTRAL, PLAN, REFINED, empty_figure, hatched, shown
from logan.results import Estimate
from logan.units import DisplayUnits
from logan.wording import CAUSE_WORDS

if TYPE_CHECKING:
    import plotly.graph_objects as go


def speed_figure(
    plan: ConsumptionCurve, refined: ConsumptionCurve | None, ledgers: Sequence[EnergyLedger], units: DisplayUnits
) -> go.Figure:
    """Consumption against steady speed, with its band, and what the drives used in each band of speed."""
    alt = "Consumption against speed: curve with 10 to 90 % band, and what each drive used by speed."
    figure = empty_figure(f"speed [{units.speed_label}]", f"net consumption [{units.consumption_label}]", alt=alt)
    curves = [(plan, "plan, steady on the level", PLAN, "dash", "rgba(138,143,152,0.20)")]
    if refined is not None:
        curves.append((refined, "refined, steady on the level", REFINED, "solid", "rgba(0,114,178,0.22)"))
    for curve, label, colour, dash, fill in curves:
        speed = curve.speed_m_per_s / units.metres_per_second
        low, mid, high = (units.metres / 1000.0 * array for array in (curve.p10, curve.p50, curve.p90))
        figure.add_scatter(x=speed, y=low, mode="lines", line={"width": 0}, showlegend=False, hoverinfo="skip")
        figure.add_scatter(
            x=speed,
            y=high,
            mode="lines",
            line={"width": 0},
            fill="tonexty",
            fillcolor=fill,
            showlegend=False,
            hoverinfo="skip",
        )
        figure.add_scatter(
            x=speed,
            y=mid,
            customdata=list(zip(low, high, strict=True)),
            mode="lines",
            name=label,
            line={"color": colour, "width": 3, "dash": dash},
            hovertemplate="%{x:.0f} "
            + units.speed_label
            + ": %{y:.0f} (%{customdata[0]:.0f} to %{customdata[1]:.0f}) "
            + units.consumption_label
            + "<extra></extra>",
        )
    rows = [row for ledger in ledgers for row in ledger.by_speed if row.net_wh_per_km is not None]
    figure.add_scatter(
        x=[row.distance_m / row.duration_s / units.metres_per_second for row in rows],
        y=[units.consumption(row.net_wh_per_km or 0.0) for row in rows],
        mode="markers",
        name="drives, by speed (hills and stops included)",
        marker={"color": MEASURED, "size": 9, "symbol": "circle-open", "line": {"width": 2}},
        hovertemplate="%{x:.0f} " + units.speed_label + ": %{y:.0f} " + units.consumption_label + "<extra></extra>",
    )
    figure.update_xaxes(rangemode="tozero")
    if refined is not None or plan is not None:
        top = float(max(curve.p90.max() for curve, *_ in curves)) * units.metres / 1000.0
        figure.update_yaxes(range=[0, top * 1.25])
    return figure


def cause_figure(prediction: RangePrediction, units: DisplayUnits) -> go.Figure:
    """Where the energy of each scenario goes, per distance, by cause."""
    names = [shown(scenario.name) for scenario in prediction.scenarios]
    causes = {cause: [0.0] * len(names) for cause in CAUSE_COLOURS}
    for index, scenario in enumerate(prediction.scenarios):
        for cause, value in breakdown_rows(scenario.breakdown):
            causes[cause][index] = units.consumption(value)
    alt = "Where the energy goes in each scenario, per distance, by cause."
    figure = empty_figure(f"consumption [{units.consumption_label}]", "", alt=alt, height=190 + 42 * len(names))
    shapes = ("", "/", ".", "|", "x", "\\", "-", "+", "")
    for (cause, values), shape in zip(causes.items(), shapes, strict=True):
        if any(abs(value) > 0.05 for value in values):
            figure.add_bar(
                x=values,
                y=names,
                orientation="h",
                name=cause,
                marker={"color": CAUSE_COLOURS[cause], "pattern": hatched(shape)},
                hovertemplate="%{y}, " + cause + ": %{x:.0f} " + units.consumption_label + "<extra></extra>",
            )
    figure.update_layout(barmode="relative")
    figure.update_yaxes(autorange="reversed")
    return figure


def breakdown_rows(breakdown: ConsumptionBreakdown) -> list[tuple[str, float]]:
    """Causes and their Wh/km at the median parameters, in the order drawn."""
    return [(CAUSE_WORDS[cause], float(getattr(breakdown, f"{cause}_wh_per_km")[0])) for cause in CAUSES]


def ledger_figure(ledger: EnergyLedger, units: DisplayUnits, distance_m: float) -> go.Figure:
    """Where the energy of one drive went, per distance; the residual is drawn too."""
    rows = [
        (entry.name, units.consumption(entry.energy_wh.value / (distance_m / 1000.0)), entry.basis)
        for entry in ledger.entries
        if isinstance(entry.energy_wh, Estimate)
    ][::-1]
    alt = "Energy ledger of the drive, per distance: " + ", ".join(
        f"{name} {value:.0f}" for name, value, _ in rows[::-1]
    )
    figure = empty_figure(f"energy [{units.consumption_label}]", "", alt=alt, height=150 + 30 * len(rows))
    for basis, colour, shape in (("measured", MEASURED, ""), ("modelled", REFINED, "/"), ("remainder", NEUTRAL, "x")):
        chosen = [(name, value) for name, value, row_basis in rows if row_basis == basis]
        figure.add_bar(
            x=[value for _, value in chosen],
            y=[name for name, _ in chosen],
            orientation="h",
            name=basis,
            marker={"color": colour, "pattern": hatched(shape)},
            hovertemplate="%{y}: %{x:.1f} " + units.consumption_label + f" ({basis})<extra></extra>",
        )
    figure.update_layout(barmode="overlay")
    figure.update_yaxes(categoryorder="array", categoryarray=[name for name, *_ in rows])
    return figure


def predicted_measured_figure(fit: FitResult, labels: Sequence[str], units: DisplayUnits) -> go.Figure:
    """Planned, refined and measured consumption, drive by drive."""
    drives = [drive for drive in fit.drives if not drive.refusal]
    shown = [label for label, drive in zip(labels, fit.drives, strict=True) if not drive.refusal]
    alt = f"Predicted against measured consumption of {len(drives)} drives."
    figure = empty_figure("drive", f"net consumption [{units.consumption_label}]", alt=alt)

    def per_distance(energy_wh: float, distance_m: float) -> float:
        return units.consumption(energy_wh / (distance_m / 1000.0))

    for name, pick, colour, symbol in (
        ("plan", "planned", PLAN, "diamond-open"),
        ("refined", "refined", REFINED, "circle"),
    ):
        estimates = [getattr(drive, pick) for drive in drives]
        figure.add_scatter(
            x=shown,
            y=[per_distance(e.value, drive.distance_m) for e, drive in zip(estimates, drives, strict=True)],
            error_y={
                "array": [
                    1.645 * per_distance(e.sigma or 0.0, drive.distance_m)
                    for e, drive in zip(estimates, drives, strict=True)
                ],
                "color": colour,
                "thickness": 2,
            },
            mode="markers",
            name=f"{name} (90 %)",
            marker={"color": colour, "size": 12, "symbol": symbol, "line": {"width": 2, "color": colour}},
            hovertemplate="%{x}: %{y:.0f} ± %{error_y.array:.0f} " + units.consumption_label + "<extra></extra>",
        )
    figure.add_scatter(
        x=shown,
        y=[per_distance(drive.measured_wh, drive.distance_m) for drive in drives],
        mode="markers",
        name="measured",
        marker={"color": MEASURED, "size": 13, "symbol": "line-ew", "line": {"width": 4, "color": MEASURED}},
        hovertemplate="%{x}: %{y:.0f} " + units.consumption_label + " measured<extra></extra>",
    )
    figure.update_xaxes(type="category")
    figure.update_yaxes(rangemode="tozero")
    return figure


def calibration_figure(
    calibration: Calibration, labels: Sequence[str], residuals: Mapping[str, float] | None = None
) -> go.Figure:
    """Each drive predicted by a fit that has not seen it, its 90 % interval, and the residual of the fit of all."""
    drives = calibration.drives
    covered = sum(drive.is_covered for drive in drives)
    alt = f"Leave-one-drive-out errors: {covered} of {len(drives)} drives lie inside their 90 % interval."
    figure = empty_figure("drive left out", "error of the prediction [%]", alt=alt, height=380)
    errors = [100.0 * drive.error_ratio for drive in drives]
    figure.add_scatter(
        x=list(labels),
        y=errors,
        mode="markers",
        name="fit without that drive (90 % interval)",
        marker={"color": REFINED, "size": 12},
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [
                100.0 * drive.high_wh / drive.measured_wh - 100.0 - e for drive, e in zip(drives, errors, strict=True)
            ],
            "arrayminus": [
                e - 100.0 * drive.low_wh / drive.measured_wh + 100.0 for drive, e in zip(drives, errors, strict=True)
            ],
        },
        hovertemplate="%{x}: %{y:+.1f} %<extra></extra>",
    )
    figure.add_scatter(
        x=list(labels),
        y=[100.0 * (drive.naive_wh / drive.measured_wh - 1.0) for drive in drives],
        mode="markers",
        name="mean consumption of the other drives",
        marker={"color": PLAN, "size": 11, "symbol": "x-thin", "line": {"width": 2, "color": PLAN}},
        hovertemplate="%{x}: %{y:+.1f} %<extra></extra>",
    )
    left = [100.0 * (residuals or {}).get(drive.drive_id, float("nan")) for drive in drives]
    if residuals:
        figure.add_scatter(
            x=list(labels),
            y=left,
            mode="markers",
            name="residual of the fit of all drives",
            marker={"color": MEASURED, "size": 11, "symbol": "diamond-open", "line": {"width": 2, "color": MEASURED}},
            hovertemplate="%{x}: %{y:+.1f} %<extra></extra>",
        )
    figure.update_xaxes(type="category")
    return figure
