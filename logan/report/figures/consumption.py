"""What it uses: against speed, by cause, drive by drive."""

from collections.abc import Sequence

import numpy as np

from logan.driving_range.consumption_curve import ConsumptionCurve
from logan.driving_range.coverage import Calibration
from logan.driving_range.prediction import RangePrediction
from logan.ledger.ledger import EnergyLedger
from logan.metrics.steady_runs import SteadyRun
from logan.model.breakdown import CAUSES, ConsumptionBreakdown
from logan.model.fit_result import DrivenHull
from logan.report.figure import Axis, Band, Dots, Figure, Limit, Line, Panel, Span
from logan.report.figures.driving_range import Part, waterfall
from logan.results import Estimate
from logan.units import DisplayUnits
from logan.wording import CAUSE_WORDS, capital, number, percent, signed

AT_THE_TERMINALS = ("pack out", "pack in", "pack resistance")
"""Rows of a ledger that its net energy is made of, or that lie before the terminals."""


def speed_figure(
    plan: ConsumptionCurve,
    refined: ConsumptionCurve | None,
    runs: Sequence[tuple[str, SteadyRun]],
    units: DisplayUnits,
    driven: DrivenHull | None = None,
) -> Figure:
    """Steady consumption on the level without wind against speed, and what steady stretches of the drives used."""
    scale, mph = units.metres / 1000.0, units.metres_per_second
    marks: list[Line | Band | Dots | Span] = []
    if driven is not None:
        marks.append(
            Span(
                start=driven.speed_low_m_per_s / mph, end=driven.speed_high_m_per_s / mph, ink="neutral", words="driven"
            )
        )
    curves = [(plan, "plan", "plan", "dash")] + ([(refined, "drives", "refined", "solid")] if refined else [])
    for curve, label, ink, dash in curves:
        speed = curve.speed_m_per_s / mph
        marks += [
            Band(x=speed, low=scale * curve.p10, high=scale * curve.p90, ink=ink),
            Line(x=speed, y=scale * curve.p50, ink=ink, dash=dash, width=2.5, label=label),
        ]
    for is_two_way, symbol in ((False, "ring"), (True, "circle")):
        chosen = [
            (label, run, run.wh_per_km)
            for label, run in runs
            if run.is_two_way is is_two_way and isinstance(run.wh_per_km, Estimate)
        ]
        if chosen:
            used = [units.consumption(estimate.value) for *_, estimate in chosen]
            sigma = [units.consumption(estimate.spread) for *_, estimate in chosen]
            marks.append(
                Dots(
                    x=[run.speed_m_per_s / mph for _, run, _ in chosen],
                    y=used,
                    low=[value - one for value, one in zip(used, sigma, strict=True)],
                    high=[value + one for value, one in zip(used, sigma, strict=True)],
                    ink="measured",
                    symbol=symbol,
                    size=8.0,
                    words=tuple(
                        f"drive {label}, {run.speed_m_per_s / mph:.0f} {units.speed_label}: {value:.0f} ± {one:.0f} "
                        f"{units.consumption_label}, {estimate.source}"
                        for (label, run, estimate), value, one in zip(chosen, used, sigma, strict=True)
                    ),
                )
            )
    return Figure(
        finding=_speed_finding(refined or plan, units),
        x=Axis(title=f"steady speed [{units.speed_label}]"),
        panels=(Panel(y=Axis(title=f"consumption [{units.consumption_label}]", low=0.0), marks=tuple(marks),
                      height=270.0),),
        detail=(
            "Level road, still air. Bands hold the truth eight times in ten; the speeds driven are shaded. "
            "Dots are steady stretches brought to the level: filled where both ways were averaged, open where the "
            "wind of one way is part of their ±."
            if runs
            else "Level road, still air. Bands hold the truth eight times in ten."
        ),
    )  # fmt: skip


def _speed_finding(curve: ConsumptionCurve, units: DisplayUnits) -> str:
    slow, fast = (50.0, 70.0) if units.distance == "mi" else (80.0, 110.0)
    at = np.interp(np.array([slow, fast]) * units.metres_per_second, curve.speed_m_per_s, curve.p50)
    used = [units.consumption(value) for value in at]
    return (
        f"From {slow:.0f} to {fast:.0f} {units.speed_label} consumption rises by {percent(at[1] / at[0] - 1.0)}, "
        f"from {number(used[0])} to {number(used[1])} {units.consumption_label}."
    )


def cause_figure(prediction: RangePrediction, units: DisplayUnits) -> Figure:
    """Where the energy goes in the target's scenario, per distance; the causes add up."""
    target = prediction.target
    causes = [(name, units.consumption(value)) for name, value in breakdown_rows(target.breakdown)]
    total = sum(value for _, value in causes)
    parts = [Part(name=name, change=value) for name, value in causes if abs(value) > 0.004 * abs(total)]
    parts.sort(key=lambda part: -part.change)
    largest = parts[0]
    return waterfall(
        f"{capital(largest.name)} takes {percent(largest.change / total)} of the {number(total)} "
        f"{units.consumption_label} in '{target.name}'.",
        f"consumption [{units.consumption_label}]",
        parts,
        before=None,
        after=("in all", total),
        inks=("refined", "good"),
    )


def breakdown_rows(breakdown: ConsumptionBreakdown) -> list[tuple[str, float]]:
    """Causes and their Wh/km, in the order drawn."""
    return [(CAUSE_WORDS[cause], float(getattr(breakdown, f"{cause}_wh_per_km")[0])) for cause in CAUSES]


def ledger_figure(ledger: EnergyLedger, label: str) -> Figure | None:
    """Where the net energy of one drive went: parts that add up, what is not explained among them."""
    parts = [
        Part(
            name="not explained" if entry.name == "residual" else entry.name,
            change=entry.energy_wh.value / 1000.0,
            words=f"{entry.name}: {entry.energy_wh.value / 1000.0:.2f} kWh, {entry.basis}",
            is_residual=entry.name == "residual",
        )
        for entry in ledger.entries
        if entry.name not in AT_THE_TERMINALS and isinstance(entry.energy_wh, Estimate)
    ]
    net = sum(part.change for part in parts)
    parts = [part for part in parts if abs(part.change) >= 0.002 * abs(net) or part.is_residual]
    parts.sort(key=lambda part: (part.is_residual, -part.change))
    known = [part for part in parts if not part.is_residual]
    if not known:
        return None
    residual = sum(part.change for part in parts if part.is_residual)
    digits = 1 if abs(net) >= 3.0 else 2
    left = number(abs(residual), digits)
    rest = f"{left} kWh {'are not' if residual >= 0 else 'too many are'} explained" if float(left) else "it adds up"
    return waterfall(
        f"{capital(known[0].name)} took {number(known[0].change, digits)} of the {number(net, digits)} kWh of drive "
        f"{label}; {rest}.",
        "net energy [kWh]",
        parts,
        before=None,
        after=("out of the pack", net),
        inks=("refined", "good"),
        digits=digits,
    )


def calibration_figure(calibration: Calibration, labels: Sequence[str]) -> Figure:
    """Each drive predicted by a fit that has not seen it, with its 90 % interval."""
    drives = calibration.drives
    covered = sum(drive.is_covered for drive in drives)
    errors = [100.0 * drive.error_ratio for drive in drives]
    place = list(range(len(drives)))
    dots = Dots(
        x=place,
        y=errors,
        low=[100.0 * drive.low_wh / drive.measured_wh - 100.0 for drive in drives],
        high=[100.0 * drive.high_wh / drive.measured_wh - 100.0 for drive in drives],
        ink="refined",
        words=tuple(f"{label}: {signed(error, 1)} %" for label, error in zip(labels, errors, strict=True)),
    )
    mean = Dots(
        x=place,
        y=[100.0 * (drive.naive_wh / drive.measured_wh - 1.0) for drive in drives],
        ink="plan",
        symbol="cross",
        size=9.0,
        words=tuple(f"{label}: mean of the other drives" for label in labels),
    )
    step = max(1, len(drives) // 12)
    return Figure(
        finding=(
            f"Left out, half the drives are met within {percent(calibration.median_error_ratio, 1)}; {covered} of "
            f"{len(drives)} lie in their 90 % interval."
        ),
        x=Axis(
            title="drive left out",
            low=-0.6,
            high=len(drives) - 0.4,
            ticks=tuple((float(k), labels[k].split(" ")[0]) for k in place[::step]),
        ),
        panels=(
            Panel(
                y=Axis(title="error of the prediction [%]"),
                marks=(mean, dots, Limit(value=0.0, label="", ink="neutral")),
                height=140.0,
            ),
        ),
        detail="Circles: the fit without that drive. Crosses: the mean consumption of the other drives, to be beaten.",
    )
