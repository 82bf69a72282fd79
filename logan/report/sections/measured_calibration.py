"""What one drive says about vehicle and instruments, in tables: coastdowns, steady runs, tyre, ratio, zeros."""

from __future__ import annotations

from logan.metrics.calibration import CalibrationSummary, WheelCalibration
from logan.metrics.coastdowns import CoastdownRun, CoastdownSummary
from logan.metrics.steady_runs import SteadyRun
from logan.report.inputs import Block, TableBlock, Words
from logan.report.sections.measured_energy import MOST_ROWS, moment, told
from logan.results import Refusal
from logan.units import DisplayUnits
from logan.wording import consumption, figure, number, percent, reason, tone_of


def coastdown_tables(coastdowns: CoastdownSummary, units: DisplayUnits) -> list[Block]:
    """Road load at reference conditions, and every run that was found."""
    if isinstance(coastdowns.force_65_mph_n, Refusal) and not coastdowns.runs:
        return [Words(lines=(f"Coastdowns: refused. {reason(coastdowns.force_65_mph_n)}",), tone="grey")]
    free = coastdowns.three_term
    blocks: list[Block] = [
        TableBlock(
            headings=("road load", "value"),
            rows=(
                ("A", told(coastdowns.constant_n, digits=1, unit="N")),
                ("B", "0, held"),
                ("C", told(coastdowns.quadratic_n_s2_per_m2, digits=4, unit="N/(m/s)²")),
                ("A, with B free", told(free.constant_n, digits=1, unit="N")),
                ("B, with B free", told(free.linear_n_s_per_m, digits=2, unit="N/(m/s)")),
                ("C, with B free", told(free.quadratic_n_s2_per_m2, digits=4, unit="N/(m/s)²")),
                ("CdA", told(coastdowns.drag_area_m2, digits=3, unit="m²")),
                ("Crr at 25 °C", told(coastdowns.rolling_coefficient, digits=5)),
                ("force at 65 mph", told(coastdowns.force_65_mph_n, digits=1, unit="N")),
            ),
            caption=f"Road load from {coastdowns.pair_count} pairs of coastdowns, at 20 °C and 98.21 kPa",
        )
    ]
    if coastdowns.runs:
        blocks.append(
            TableBlock(
                headings=("at", units.speed_label, "heading °", "slope", "A N", "C N/(m/s)²", "pair", "note"),
                rows=tuple(_run_row(run, units) for run in coastdowns.runs[:MOST_ROWS]),
                caption="Coastdowns found",
                is_long=True,
            )
        )
    if coastdowns.notes:
        blocks.append(Words(lines=tuple(f"{note[:1].upper()}{note[1:]}." for note in coastdowns.notes), tone="grey"))
    return blocks


def _run_row(run: CoastdownRun, units: DisplayUnits) -> tuple[str, ...]:
    step = units.metres_per_second
    return (
        moment(run.start_s),
        f"{run.start_speed_m_per_s / step:.0f} to {run.end_speed_m_per_s / step:.0f}",
        number(run.heading_deg),
        percent(run.mean_grade_ratio, 1),
        number(run.constant_n),
        number(run.quadratic_n_s2_per_m2, 3),
        "–" if run.pair is None else str(run.pair),
        run.rejected or f"strays by {run.residual_m_per_s:.2f} m/s",
    )


def calibration_tables(calibration: CalibrationSummary, units: DisplayUnits) -> list[Block]:
    """Tyre and ratio, odometer and speed, current zero, standing load, steady runs."""
    wheel = calibration.wheel
    rows = [
        ("tire rolling circumference", told(wheel.circumference_m, digits=3, unit="m"), _verdict(wheel)),
        ("total ratio", figure(wheel.total_ratio, digits=3), ""),
        ("odometer error", told(calibration.odometer_error_ratio, scale=100.0, digits=2, unit="%"), ""),
        ("speed signal error", told(calibration.speed_error_ratio, scale=100.0, digits=2, unit="%"), ""),
        ("current sensor zero", told(calibration.current_zero_a, digits=2, unit="A"), ""),
    ]
    rows += [
        (f"power at standstill: {load.state}", told(load.power_w, unit="W"), f"over {moment(load.observed_s)}")
        for load in calibration.standstill
    ]
    blocks: list[Block] = [
        TableBlock(
            headings=("calibration", "value", "note"),
            rows=tuple(rows),
            tones=(tone_of(wheel.severity),),
            caption="Instruments, checked by driving",
        )
    ]
    if calibration.steady_runs:
        blocks.append(
            TableBlock(
                headings=(units.speed_label, "kW", units.consumption_label, "ways", "when"),
                rows=tuple(_steady_row(run, units) for run in calibration.steady_runs[:MOST_ROWS]),
                caption="Steady speeds, kinetic and height energy taken out",
                is_long=True,
            )
        )
    return blocks


def _verdict(wheel: WheelCalibration) -> str:
    return "" if isinstance(wheel.circumference_m, Refusal) else wheel.verdict


def _steady_row(run: SteadyRun, units: DisplayUnits) -> tuple[str, ...]:
    return (
        number(run.speed_m_per_s / units.metres_per_second, 1),
        told(run.power_w, scale=0.001, digits=2),
        consumption(run.wh_per_km, units),
        "both" if run.is_two_way else "one: wind not removed",
        ", ".join(f"{moment(start_s)}–{moment(end_s)}" for start_s, end_s in run.spans),
    )
