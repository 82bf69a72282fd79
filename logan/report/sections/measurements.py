"""The measurements of one drive in tables: currents, temperatures, calibrations, and whatever else a metric says."""

from collections.abc import Callable, Iterable, Mapping
from itertools import chain
from typing import Any, Final, TypeAlias

from logan.analysis import METRICS, DriveAnalysis
from logan.metrics.calibration import CalibrationSummary, WheelCalibration
from logan.metrics.coastdowns import CoastdownSummary
from logan.metrics.current import CurrentDuration, CurrentSummary, DwellHistogram
from logan.metrics.derating import DeratingEvent, DeratingSummary
from logan.metrics.metric import Metric
from logan.metrics.thermal import CoolantFlow, ThermalSummary
from logan.report.inputs import Block, DriveInputs, TableBlock, Words, table
from logan.report.sections.measured_energy import MOST_ROWS, ledger_tables, moment, regen_tables, speeds_text, told
from logan.report.sections.measured_pack import pack_tables, resistance_tables
from logan.results import Estimate, Figure, Refusal
from logan.units import DisplayUnits
from logan.units.sentences import measure
from logan.wording import (
    channel_words,
    consumption,
    figure,
    figure_text,
    number,
    percent,
    reason,
    sentence,
    shown_value,
    tone_of,
)

_LEAST_DWELL_S: Final = 0.05


def current_tables(current: CurrentSummary, units: DisplayUnits) -> list[Block]:
    """Duration curve, component curves, conductors and dwell times."""
    degree, temperature = units.temperature_label, units.temperature_of
    return [
        *_duration_tables(current),
        *table(
            current.conductors,
            ("conductor", lambda heating: heating.name),
            ("window s", lambda heating: f"{heating.window_s:g}"),
            ("RMS A", lambda heating: number(heating.rms_a)),
            ("would take A", lambda heating: number(heating.withstand_a)),
            (f"from {degree}", lambda heating: number(temperature(heating.start_degc))),
            (f"to {degree}", lambda heating: number(temperature(heating.end_degc))),
            ("limit", lambda heating: number(temperature(heating.limit_degc))),
            ("at", lambda heating: moment(heating.context.at_s)),
            tone=lambda heating: tone_of(heating.severity),
            caption="Conductors, heated without loss (IEC 60949, second-hand): an upper estimate",
        ),
        *(block for dwell in current.dwell for block in _dwell_table(dwell)),
        *([Words(lines=tuple(map(sentence, current.notes)), tone="grey")] if current.notes else []),
    ]


def _dwell_table(dwell: DwellHistogram) -> list[TableBlock]:
    total_s = sum(dwell.time_s)
    bands = zip(dwell.edges_a[:-1], dwell.edges_a[1:], dwell.time_s, strict=True)
    return table(
        (band for band in bands if band[2] >= _LEAST_DWELL_S),
        ("A", lambda band: f"{band[0]:.0f} to {band[1]:.0f}"),
        ("s", lambda band: number(band[2], 1)),
        ("of the time", lambda band: percent(band[2] / total_s, 1)),
        caption=f"Time spent in each band of {channel_words(dwell.channel)}",
        is_long=True,
    )


def _duration_tables(current: CurrentSummary) -> list[TableBlock]:
    """Each current's hardest windows, its directions side by side; they say what both together say."""
    channels: dict[str, list[CurrentDuration]] = {}
    for duration in current.durations:
        channels.setdefault(duration.channel, []).append(duration)
    blocks = []
    for channel, found in channels.items():
        ways = [one for one in found if one.direction != "both"] or found
        blocks += table(
            range(len(ways[0].points)),
            ("window s", lambda k, points=ways[0].points: f"{points[k].window_s:g}"),  # type: ignore[misc]
            *(column for one in ways for column in _duration_columns(one)),
            caption=f"Hardest windows of {channel_words(channel)}: {'; '.join(map(_peak_words, ways))}",
        )
    return blocks


def _duration_columns(duration: CurrentDuration) -> tuple[tuple[str, Callable[[int], str]], ...]:
    points = duration.points
    return (
        (f"{duration.direction} RMS A", lambda k: number(points[k].rms_a)),
        ("I²t A²s", lambda k: number(points[k].i2t_a2s)),
        ("ends at", lambda k: moment(points[k].rms_at_s)),
    )


def _peak_words(duration: CurrentDuration) -> str:
    peak = duration.peak
    if peak.refusal:
        return f"{duration.direction} peak refused, as {peak.refusal}"
    return (
        f"{duration.direction} peak {'at least ' if peak.is_lower_bound else ''}{peak.sampled_a:.0f} A at "
        f"{moment(peak.context.at_s)}, by its steepest slew up to {peak.upper_bound_a:.0f} A"
        f"{f', {peak.note}' if peak.is_lower_bound else ''}, {percent(duration.coverage_ratio)} sampled"
    )


def heat_tables(thermal: ThermalSummary, units: DisplayUnits) -> list[Block]:
    """Soak-back and coolant; the temperatures stand among the limits."""
    degree = units.temperature_label
    return [
        *table(
            thermal.soak_backs,
            ("after the stop", lambda soak: _part(soak.channel)),
            ("stopped at", lambda soak: moment(soak.stopped_at_s)),
            (f"then {degree}", lambda soak: number(units.temperature_of(soak.at_stop_degc))),
            (f"peak {degree}", lambda soak: number(units.temperature_of(soak.peak_degc))),
            (f"rise {degree}", lambda soak: number(units.temperature_step(soak.rise_k), 1)),
            ("after", lambda soak: moment(soak.peak_after_s)),
            caption="Heat that soaked back after stopping",
        ),
        _coolant(thermal.coolant),
    ]


def _part(channel: str) -> str:
    """What is warm, without the word that all rows share."""
    return channel_words(channel.replace("_temperature", ""))


def _coolant(coolant: CoolantFlow) -> Words:
    lines = [f"Coolant flow: {coolant.note}."]
    if isinstance(coolant.heat_w, Estimate):
        lines.append(f"Heat carried away: {told(coolant.heat_w, scale=0.001, digits=1, unit='kW')}.")
    return Words(lines=tuple(lines), tone="amber" if coolant.is_low else "grey")


def derating_tables(derating: DeratingSummary, units: DisplayUnits) -> list[Block]:
    """What was asked and not delivered, limits reached and lowered, and what could not be looked for."""

    def speed_lost(event: DeratingEvent) -> str:
        lost = event.speed_lost_m_per_s
        return number(None if lost is None else lost / units.metres_per_second, 1)

    blocks: list[Block] = [
        *table(
            derating.events[:MOST_ROWS],
            ("what", lambda event: f"{event.kind}: {channel_words(event.channel)}"),
            ("from", lambda event: moment(event.start_s)),
            ("for", lambda event: f"{number(event.duration_s, 1)} s"),
            ("missing", lambda event: shown_value(event.shortfall, event.unit, units)),
            ("why, probably", lambda event: event.probable_cause.replace("_", " ")),
            ("Wh lost", lambda event: number(event.energy_not_delivered_wh, 1)),
            (f"{units.speed_label} lost", speed_lost),
            tone=lambda event: "amber",
            caption=f"Derating ({len(derating.events)}); in all {told(derating.time_derated, unit='s')}",
        )
    ]
    none = ["none seen in the channels logged"] if not blocks and isinstance(derating.time_derated, Estimate) else []
    if lines := (*none, *derating.notes):
        blocks.append(Words(lines=(f"Derating: {'; '.join(lines)}.",), tone="grey"))
    return blocks


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
    return "" if isinstance(wheel.circumference_m, Refusal) or wheel.severity is None else wheel.verdict


Measured: TypeAlias = DriveInputs | DriveAnalysis
"""Whatever holds the results of one drive."""


_TABLES: Final[Mapping[str, Callable[[Any, DisplayUnits], Iterable[Block]]]] = {
    "ledger": ledger_tables,
    "regen": regen_tables,
    "current": current_tables,
    "thermal": heat_tables,
    "derating": derating_tables,
    "resistance": resistance_tables,
    "pack": pack_tables,
    "coastdowns": coastdown_tables,
    "calibration": calibration_tables,
}
"""Tables of metrics that have their own, in the order of their questions; any other is shown by its figures."""

_ABOVE: Final = ("energy", "limits")
"""Shown with the drive itself."""


def measurement_blocks(measured: Measured, units: DisplayUnits) -> tuple[Block, ...]:
    """Tables of every registered metric of one drive."""
    plain = [metric for metric in METRICS if metric.name not in (*_TABLES, *_ABOVE)]
    own = [tables(getattr(measured, name), units) for name, tables in _TABLES.items()]
    return tuple(chain(*own, *(figure_table(metric, getattr(measured, metric.name), units) for metric in plain)))


def figure_table(metric: Metric, found: object, units: DisplayUnits) -> tuple[Block, ...]:
    """The figures of a metric that has no table of its own."""
    rows = tuple(
        (name.replace("_", " "), shown_value(figure.value, figure.unit, units), figure.source)
        if isinstance(figure, Estimate)
        else (name.replace("_", " "), "refused", figure.reason)
        for name, figure in metric.figures(found).items()
    )
    caption = metric.name.replace("_", " ").capitalize()
    return (TableBlock(headings=("figure", "value", "from"), rows=rows, caption=caption),) if rows else ()
