"""Pulse resistance and sag of the pack and of its lowest cell."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logan.drive.context import ContextLookup
from logan.drive.drive import CELL_TEMPERATURES, Channel, Drive
from logan.metrics.metric import Metric
from logan.metrics.pulses import Pulse, ResponseWindow, Sag, combine, find_pulses, response_windows, voltage_sag
from logan.numerics import nominal_period_s
from logan.results import Estimate, Figure, Refusal, all_refused, result
from logan.settings import BuildSettings, PackSettings
from logan.units import GAS_CONSTANT_J_PER_MOL_K, ZERO_CELSIUS_K, FloatArray
from logan.units.sentences import measure

PULSE_DURATIONS_S: Final = (2.0, 10.0, 18.0)
"""Pulse lengths of ISO 12405-type profiles (from memory) that a road log can show. [s]"""

STATE_BAND_RATIO: Final = 0.1
TEMPERATURE_BAND_K: Final = 10.0
COLD_DEGC: Final = (25.0, 10.0, 0.0, -10.0, -20.0)
SEEN_MARGIN_K: Final = 5.0
"""A temperature further than this from those seen is an extrapolation. [K]"""

ACTIVATION_SIGMA_J_PER_MOL: Final = 6_000.0
"""One standard uncertainty of the activation energy: 20 to 35 kJ/mol are in use (from memory)."""


@result("resistance-band/1")
class ResistanceBand:
    """Median resistance in one band of state of charge and temperature.

    Parameters
    ----------
    subject : str
        "pack" or "lowest cell".
    duration_s : float
        Pulse length. [s]
    state_of_charge_low_ratio, state_of_charge_high_ratio : float or None
        Band; None where state of charge is not logged.
    temperature_low_degc, temperature_high_degc : float or None
        Band; None where temperature is not logged.
    count : int
        Pulses in it.
    resistance_ohm : Figure
        Median with its standard uncertainty. [ohm]
    """

    subject: str
    duration_s: float
    state_of_charge_low_ratio: float | None
    state_of_charge_high_ratio: float | None
    temperature_low_degc: float | None
    temperature_high_degc: float | None
    count: int
    resistance_ohm: Figure


MOST_BEYOND_RATIO: Final = 1.5
BEYOND_SIGMA_RATIO: Final = 0.15
"""A current this far beyond the highest seen is as unsure as this share of the way: resistance grows with current."""


@result("allowed-current/1")
class AllowedCurrent:
    """Discharge current at which the lowest cell would reach its floor.

    Parameters
    ----------
    state_of_charge_ratio, temperature_degc : float or None
        For which state.
    current_a : Figure
        From the rest voltage, the floor and the 10 s resistance. [A]
    is_extrapolated : bool
        True where the temperature lies outside those seen.
    """

    state_of_charge_ratio: float | None
    temperature_degc: float | None
    current_a: Figure
    is_extrapolated: bool


@result("cold-resistance/1")
class ColdResistance:
    """Resistance carried to another temperature by an Arrhenius law."""

    temperature_degc: float
    resistance_ohm: Figure
    is_extrapolated: bool


@result("resistance-summary/1")
class ResistanceSummary:
    """Resistance and sag over one drive.

    Parameters
    ----------
    whole_drive : tuple of ResistanceBand
        One per subject and pulse length, over all states (median), or the reason why not.
    bands : tuple of ResistanceBand
        By state of charge and temperature.
    pulses : tuple of Pulse
        The pack's pulses.
    sags : tuple of Sag
        Pack and lowest cell.
    allowed : tuple of AllowedCurrent
        Current that the lowest cell allows.
    cold : tuple of ColdResistance
        10 s pack resistance at other temperatures.
    notes : tuple of str
        What limits these figures.
    """

    whole_drive: tuple[ResistanceBand, ...]
    bands: tuple[ResistanceBand, ...]
    pulses: tuple[Pulse, ...]
    sags: tuple[Sag, ...]
    allowed: tuple[AllowedCurrent, ...]
    cold: tuple[ColdResistance, ...]
    notes: tuple[str, ...]


def resistance_summary(
    drive: Drive, build: BuildSettings, *, refusals: Mapping[str, Refusal] | None = None
) -> ResistanceSummary:
    """Pulse resistance of pack and lowest cell, sag, and the current that the lowest cell allows.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Capacity, cell floor, temperature law.
    refusals : mapping of str to Refusal, optional
        Metrics that a data flag forbids: ``resistance``.

    Returns
    -------
    ResistanceSummary
        Figures with their intervals, or the reason why not.
    """
    current, voltage = drive.get("pack_current"), drive.get("pack_voltage")
    refusal = (refusals or {}).get("resistance")
    if refusal is not None or current is None or voltage is None:
        return _refused(refusal or Refusal("pack voltage and current are not both logged", "Log both"))
    states, gain = _States(drive), build.instruments.power_gain_sigma_ratio
    capacity_ah = build.pack.cell_capacity_ah.value * build.pack.cells_in_parallel
    least_a = max(8.0, 0.04 * capacity_ah)
    pack = response_windows(voltage, current, PULSE_DURATIONS_S, least_spread_a=least_a)
    cell_channel = drive.get("cell_voltage_min")
    cells = response_windows(cell_channel, current, PULSE_DURATIONS_S, least_spread_a=least_a) if cell_channel else ()
    subjects = (("pack", pack, voltage), ("lowest cell", cells, cell_channel))
    whole = tuple(band for name, windows, channel in subjects for band in _whole(name, windows, channel, gain))
    bands = tuple(band for name, windows, _ in subjects for band in _bands(name, windows, states, gain))
    lookup = ContextLookup(drive)
    sags = [
        voltage_sag(channel, current, capacity_ah, lookup) for channel in (voltage, cell_channel) if channel is not None
    ]
    return ResistanceSummary(
        whole_drive=whole,
        bands=bands,
        pulses=find_pulses(voltage, current, PULSE_DURATIONS_S, capacity_ah, states.at),
        sags=tuple(sag for sag in sags if sag is not None),
        allowed=tuple(
            _within_limit(one, build.pack, current) for one in _allowed(cells, pack, states, build.pack, gain)
        ),
        cold=_cold(pack, states, build.pack, gain),
        notes=_notes(voltage, current, cell_channel, pack),
    )


def _refused(refusal: Refusal) -> ResistanceSummary:
    whole = _banded("pack", [refusal] * len(PULSE_DURATIONS_S), 0)
    return all_refused(ResistanceSummary, refusal, whole_drive=tuple(whole), notes=(refusal.reason,))


class _States:
    """State of charge and cell temperature of a drive at any time; NaN where not logged."""

    def __init__(self, drive: Drive) -> None:
        self._channels = drive.get("state_of_charge"), drive.first_of(*CELL_TEMPERATURES)

    def at(self, at_s: float) -> tuple[float, float]:
        """State of charge [ratio] and temperature [degC]."""
        at = np.array([at_s])
        charge, degc = (np.nan if one is None else float(one.at(at, max_gap_s=120.0)[0]) for one in self._channels)
        return charge, degc


def _notes(
    voltage: Channel, current: Channel, cell: Channel | None, pack: tuple[ResponseWindow, ...]
) -> tuple[str, ...]:
    notes = ["resistance is the fitted answer to a current step, not single pulses"]
    if cell is None:
        notes.append("cell voltages are not logged: the lowest cell is not known")
    if nominal_period_s(current.time_s) > 0.5 or nominal_period_s(voltage.time_s) > 0.5:
        notes.append("voltage or current come slower than twice a second: the 2 s figure is coarse")
    if not pack:
        notes.append("current does not vary enough for a resistance")
    return tuple(notes)


def _banded(
    subject: str, figures: Sequence[Figure], count: int, edges: tuple[float | None, ...] = (None,) * 4
) -> list[ResistanceBand]:
    """A band for each pulse length, between edges of state of charge and of temperature."""
    return [
        ResistanceBand(
            subject=subject,
            duration_s=duration,
            state_of_charge_low_ratio=edges[0],
            state_of_charge_high_ratio=edges[1],
            temperature_low_degc=edges[2],
            temperature_high_degc=edges[3],
            count=count,
            resistance_ohm=figure,
        )
        for duration, figure in zip(PULSE_DURATIONS_S, figures, strict=True)
    ]


def _estimates(windows: tuple[ResponseWindow, ...], gain: float) -> list[Estimate]:
    values = np.array([window.resistance_ohm for window in windows])
    sigmas = np.array([window.sigma_ohm for window in windows])
    found = []
    for column in range(values.shape[1]):
        mean, sigma = combine(values[:, column], sigmas[:, column])
        # Every window has the same sensors: their gain does not average out.
        found.append(Estimate(mean, "ohm", float(np.hypot(sigma, gain * mean)), "fitted step response"))
    return found


def _whole(
    subject: str, windows: tuple[ResponseWindow, ...], channel: Channel | None, gain: float
) -> list[ResistanceBand]:
    if not windows:
        reason = "current does not vary enough for a resistance" if channel is not None else "not logged"
        refusal = Refusal(reason, "Accelerate and brake a few times" if channel is not None else "Log cell_voltage_min")
        return _banded(subject, [refusal] * len(PULSE_DURATIONS_S), 0)
    return _banded(subject, _estimates(windows, gain), len(windows))


def _bands(subject: str, windows: tuple[ResponseWindow, ...], states: _States, gain: float) -> list[ResistanceBand]:
    groups: dict[tuple[int | None, int | None], list[ResponseWindow]] = {}
    for window in windows:
        charge, degc = states.at(window.middle_s)
        key = (
            int(np.floor(charge / STATE_BAND_RATIO)) if np.isfinite(charge) else None,
            int(np.floor(degc / TEMPERATURE_BAND_K)) if np.isfinite(degc) else None,
        )
        groups.setdefault(key, []).append(window)
    found = []
    for (state, temperature), members in sorted(groups.items(), key=lambda item: tuple(k or 0 for k in item[0])):
        edges = (*_edges(state, STATE_BAND_RATIO), *_edges(temperature, TEMPERATURE_BAND_K))
        found += _banded(subject, _estimates(tuple(members), gain), len(members), edges)
    return found


def _edges(index: int | None, width: float) -> tuple[float | None, float | None]:
    return (None, None) if index is None else (index * width, (index + 1) * width)


def _arrhenius(pack: PackSettings, from_degc: float, to_degc: float) -> tuple[float, float]:
    """Factor of resistance between two temperatures, and its relative uncertainty. Method: measured (17)."""
    inverse = 1.0 / (to_degc + ZERO_CELSIUS_K) - 1.0 / (from_degc + ZERO_CELSIUS_K)
    factor = float(np.exp(pack.resistance_activation_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * inverse))
    return factor, abs(ACTIVATION_SIGMA_J_PER_MOL / GAS_CONSTANT_J_PER_MOL_K * inverse)


def _seen(windows: tuple[ResponseWindow, ...], states: _States) -> FloatArray:
    degc = np.array([states.at(window.middle_s)[1] for window in windows])
    return np.asarray(degc[np.isfinite(degc)])


def _cold(
    windows: tuple[ResponseWindow, ...], states: _States, pack: PackSettings, gain: float
) -> tuple[ColdResistance, ...]:
    seen = _seen(windows, states)
    if seen.size == 0:
        return ()
    base, middle = _estimates(windows, gain)[PULSE_DURATIONS_S.index(10.0)], float(seen.mean())
    found = []
    for degc in COLD_DEGC:
        factor, relative = _arrhenius(pack, middle, degc)
        sigma = base.value * factor * float(np.hypot(base.spread / base.value, relative))
        outside = bool(degc < seen.min() - SEEN_MARGIN_K or degc > seen.max() + SEEN_MARGIN_K)
        source = f"extrapolated from {measure(middle, '°C')}" if outside else "fitted step response"
        figure = Estimate(base.value * factor, "ohm", sigma, source)
        found.append(ColdResistance(temperature_degc=degc, resistance_ohm=figure, is_extrapolated=outside))
    return tuple(found)


def _allowed(
    cells: tuple[ResponseWindow, ...],
    pack: tuple[ResponseWindow, ...],
    states: _States,
    settings: PackSettings,
    gain: float,
) -> tuple[AllowedCurrent, ...]:
    """Current at which the lowest cell reaches its floor, at each state seen and carried to the cold."""
    floor_v = settings.cell_voltage_floor_v
    if floor_v is None:
        refusal = Refusal("no cell voltage floor given", "Give cell_voltage_floor from the datasheet")
        return (
            AllowedCurrent(state_of_charge_ratio=None, temperature_degc=None, current_a=refusal, is_extrapolated=False),
        )
    windows, divisor = (cells, 1.0) if cells else (pack, float(settings.cells_in_series))
    source = "lowest cell" if cells else "mean cell: the lowest is weaker"
    column = PULSE_DURATIONS_S.index(10.0)

    def allowed(window: ResponseWindow, cold_degc: float | None = None) -> AllowedCurrent:
        charge, degc = states.at(window.middle_s)
        factor, of_law = (1.0, 0.0) if cold_degc is None else _arrhenius(settings, degc, cold_degc)
        text = source if cold_degc is None else f"{source}, extrapolated from {measure(degc, '°C')}"
        ohm = window.resistance_ohm[column] / divisor
        relative = float(np.sqrt(of_law**2 + gain**2 + (window.sigma_ohm[column] / divisor / ohm) ** 2))
        room_v = window.open_circuit_v / divisor - floor_v
        figure: Figure = Refusal("the cell is at its floor at rest already", "Charge")
        if room_v > 0.0:
            figure = Estimate(room_v / (ohm * factor), "A", room_v / (ohm * factor) * relative, text)
        return AllowedCurrent(
            state_of_charge_ratio=charge if np.isfinite(charge) else None,
            temperature_degc=cold_degc if cold_degc is not None else degc if np.isfinite(degc) else None,
            current_a=figure,
            is_extrapolated=cold_degc is not None,
        )

    found, seen = [allowed(window) for window in windows], _seen(windows, states)
    if windows and np.isfinite(states.at(windows[-1].middle_s)[1]):
        found += [allowed(windows[-1], cold) for cold in (0.0, -10.0) if cold < seen.min() - SEEN_MARGIN_K]
    return tuple(found)


def _within_limit(allowed: AllowedCurrent, settings: PackSettings, current: Channel) -> AllowedCurrent:
    """Cap at the pack's limit, and widen far beyond the current that was seen; both are said."""
    figure, limit_a = allowed.current_a, settings.discharge_current_limit_a
    if not isinstance(figure, Estimate):
        return allowed
    seen_a = float(np.nanmax(current.value, initial=1.0))
    value, sigma, source = figure.value, figure.spread, figure.source
    if value > MOST_BEYOND_RATIO * seen_a:
        sigma = float(np.hypot(sigma, BEYOND_SIGMA_RATIO * (value - seen_a)))
        source += f"; extrapolated from {seen_a:.0f} A seen"
    if limit_a is not None and value > limit_a:
        source += f"; capped at the pack's limit, the floor alone would allow {value:.0f} A"
        value = limit_a
    return replace(allowed, current_a=replace(figure, value=value, sigma=sigma, source=source))


METRIC: Final = Metric(
    "resistance",
    ResistanceSummary,
    lambda asked: resistance_summary(asked.drive, asked.build, refusals=asked.refusals),
    lambda found: {
        f"pulse_resistance_{band.duration_s:.0f}_s_ohm": band.resistance_ohm
        for band in found.whole_drive
        if band.subject == "pack"
    },
    {"pulse_resistance": "resistance"},
)
