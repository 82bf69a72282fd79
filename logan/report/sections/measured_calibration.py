"""What one drive says about vehicle and instruments, in tables: coastdowns, steady runs, tyre, ratio, zeros."""

from __future__ import annotations

from logan.metrics.calibration import CalibrationSummary, WheelCalibration
from logan.metrics.coastdowns import CoastdownSummary
from logan.report.inputs import Block, TableBlock, Words, table
from logan.report.sections.measured_energy import MOST_ROWS, moment, speeds_text, told
from logan.results import Figure, Refusal
from logan.units import DisplayUnits
from logan.units.sentences import measure
from logan.wording import consumption, figure, figure_text, number, percent, reason, sentence, tone_of


def coastdown_tables(coastdowns: CoastdownSummary, units: DisplayUnits) -> list[Block]:
    """Road load at reference conditions, and every run that was found."""
    if isinstance(coastdowns.force_65_mph_n, Refusal) and not coastdowns.runs:
        return [Words(lines=(f"Coastdowns: refused. {reason(coastdowns.force_65_mph_n)}",), tone="grey")]
    free = coastdowns.three_term
    load: tuple[tuple[str, Figure], ...] = (
        ("A, B held at 0", coastdowns.constant_n),
        ("C, B held at 0", coastdowns.quadratic_n_s2_per_m2),
        ("A, with B free", free.constant_n),
        ("B, with B free", free.linear_n_s_per_m),
        ("C, with B free", free.quadratic_n_s2_per_m2),
        ("CdA", coastdowns.drag_area_m2),
        (f"Crr at {measure(25, '°C')}", coastdowns.rolling_coefficient),
        (f"force at {measure(65, 'mph')}", coastdowns.force_65_mph_n),
    )
    force, square = units.unit_of("force"), units.unit_of("force_by_square")
    return [
        *table(
            load,
            ("road load", lambda row: row[0]),
            ("value", lambda row: figure_text(row[1], units)),
            caption=f"Road load from {coastdowns.pair_count} pairs of coastdowns, at {measure(20, '°C')} and "
            f"{measure(98.21, 'kPa', '.2f')}",
        ),
        *table(
            coastdowns.runs[:MOST_ROWS],
            ("at", lambda run: moment(run.start_s)),
            (units.speed_label, lambda run: speeds_text(run, units)),
            ("heading °", lambda run: number(run.heading_deg)),
            ("slope", lambda run: percent(run.mean_grade_ratio, 1)),
            (f"A {force}", lambda run: number(units.to_shown(run.constant_n, "force"))),
            (f"C {square}", lambda run: number(units.to_shown(run.quadratic_n_s2_per_m2, "force_by_square"), 4)),
            ("pair", lambda run: "–" if run.pair is None else str(run.pair)),
            ("note", lambda run: run.rejected or f"strays by {measure(run.residual_m_per_s, 'm/s', '.2f')}"),
            caption="Coastdowns found",
            is_long=True,
        ),
        *([Words(lines=tuple(map(sentence, coastdowns.notes)), tone="grey")] if coastdowns.notes else []),
    ]


def calibration_tables(calibration: CalibrationSummary, units: DisplayUnits) -> list[Block]:
    """Tyre and ratio, odometer and speed, current zero, standing load, steady runs."""
    wheel = calibration.wheel
    rows = [
        ("tire rolling circumference", figure_text(wheel.circumference_m, units, "length"), _verdict(wheel)),
        ("total ratio", figure(wheel.total_ratio, digits=3), ""),
        ("odometer error", told(calibration.odometer_error_ratio, scale=100.0, digits=2, unit="%"), ""),
        ("speed signal error", told(calibration.speed_error_ratio, scale=100.0, digits=2, unit="%"), ""),
        ("current sensor zero", told(calibration.current_zero_a, digits=2, unit="A"), ""),
    ]
    rows += [
        (f"power at standstill: {load.state}", told(load.power_w, unit="W"), f"over {moment(load.observed_s)}")
        for load in calibration.standstill
    ]
    return [
        TableBlock(
            headings=("calibration", "value", "note"),
            rows=tuple(rows),
            tones=(tone_of(wheel.severity),),
            caption="Instruments, checked by driving",
        ),
        *table(
            calibration.steady_runs[:MOST_ROWS],
            (units.speed_label, lambda run: number(run.speed_m_per_s / units.metres_per_second, 1)),
            ("kW", lambda run: told(run.power_w, scale=0.001, digits=2)),
            (units.consumption_label, lambda run: consumption(run.wh_per_km, units)),
            ("ways", lambda run: "both" if run.is_two_way else "one: wind not removed"),
            ("when", lambda run: ", ".join(f"{moment(start_s)}–{moment(end_s)}" for start_s, end_s in run.spans)),
            caption="Steady speeds, kinetic and height energy taken out",
            is_long=True,
        ),
    ]


def _verdict(wheel: WheelCalibration) -> str:
    return "" if isinstance(wheel.circumference_m, Refusal) else wheel.verdict
