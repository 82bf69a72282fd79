"""Samples and codes that are no measurement, signals decoded with the wrong bits, and values in another unit."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.channels.vocabulary import ChannelKind, Interpolation, channel_kind
from logan.drive.drive import Channel
from logan.numerics import equal_runs
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, finite_samples, resolution, span_range, spans_of
from logan.results import DataFlag, Severity
from logan.units import BoolArray, FloatArray, celsius
from logan.units.sentences import measure

_FLOOR_BY_UNIT: Final = {"V": 8.0, "A": 60.0, "W": 25_000.0, "degC": 5.0, "m/s": 4.0, "rad/s": 100.0, "N*m": 60.0}
"""Excursions below these are no spike, whatever the rest looks like."""

_FLOOR_BY_KIND: Final = {"cell_voltage_min": 0.3, "cell_voltage_max": 0.3, "auxiliary_voltage": 3.0, "elevation": 15.0,
                         "state_of_charge": 0.04, "barometric_pressure": 500.0}  # fmt: skip

_TEMPERATURE_CODES_DEGC: Final = (-40.0, -50.0, 150.0, 214.0, 215.0, 255.0)
"""Readings of an open or shorted sensor, and of 8-bit codes with an offset of -40 (common practice)."""

_TOP_CODES: Final = (255, 254, 65_535, 65_534, 4_294_967_295, 32_767)
_LEAST_SPAN: Final = {"m/s": 1.5, "m": 30.0}
"""A speed or height that spans less than this may be noise about one value, and its jumps say nothing."""
_SMOOTH_KINDS: Final = ("speed", "gnss_speed", "motor_speed", "pack_voltage", "state_of_charge", "odometer",
                        "cell_voltage_min", "cell_voltage_max", "elevation")  # fmt: skip


def spike_samples(kind: ChannelKind, value: FloatArray) -> BoolArray:
    """Samples that leave both neighbours far behind, and whose neighbours agree, shape (n,)."""
    spikes = np.zeros(value.shape, dtype=bool)
    if value.size < 20:
        return spikes
    before, after = value[1:-1] - value[:-2], value[2:] - value[1:-1]
    excursion = np.minimum(np.abs(before), np.abs(after))
    returns = (before * after < 0.0) & (np.abs(value[2:] - value[:-2]) < 0.3 * excursion)
    floor = _FLOOR_BY_KIND.get(kind.name, _FLOOR_BY_UNIT.get(kind.unit))
    if floor is None:
        floor = max(0.2 * span_range(value), 5.0 * resolution(value))
    usual = float(np.quantile(excursion, 0.99))
    spikes[1:-1] = returns & (excursion > max(floor, 8.0 * usual))
    return spikes


@detector("single_sample_spike", Severity.AMBER)
def _find_spikes(survey: DriveSurvey) -> Iterator[DataFlag]:
    for name, channel in survey.drive.channels.items():
        kind, samples = channel_kind(name), finite_samples(channel)
        if kind is None or samples is None or kind.interpolation is Interpolation.HOLD or channel.is_derived:
            continue
        if kind.name in ("latitude", "longitude", "heading", "gnss_speed", "brake_pressure"):
            continue  # satellite jumps have a detector of their own; a driver may tap the brake
        spikes = spike_samples(kind, samples[1])
        if not spikes.any() or spikes.mean() > 0.02:
            continue
        worst = samples[1][spikes][np.argmax(np.abs(samples[1][spikes] - np.median(samples[1])))]
        yield DataFlag(
            channels=(name,),
            evidence=f"{int(spikes.sum())} samples, the worst {worst:.1f} {kind.unit} where its neighbors are near "
            f"{float(np.median(samples[1])):.1f}",
            spans=spans_of(samples[0], spikes),
            effect_wh_per_km=_spike_effect(survey, name, samples, spikes),
            refuses=("peak_current",) if kind.name == "pack_current" else (),
        )


def _spike_effect(
    survey: DriveSurvey, name: str, samples: tuple[FloatArray, FloatArray], spikes: BoolArray
) -> float | None:
    """Energy that goes when spikes are bridged by their neighbours. [Wh/km]"""
    if name not in ("pack_current", "pack_voltage"):
        return 0.0 if name != "speed" else None
    other = survey.drive.get("pack_voltage" if name == "pack_current" else "pack_current")
    if other is None:
        return None
    time_s, value = samples
    bridged = np.interp(time_s, time_s[~spikes], value[~spikes])
    change_w = np.nan_to_num((bridged - value) * other.at(time_s))
    return survey.per_km(float(np.sum(change_w[1:] * np.diff(time_s))) / 3600.0)


@detector("not_available_code", Severity.AMBER)
def _find_codes(survey: DriveSurvey) -> Iterator[DataFlag]:
    """One value far outside the rest that comes again and again."""
    for name, channel in survey.drive.channels.items():
        kind, samples = channel_kind(name), finite_samples(channel)
        if kind is None or samples is None or samples[1].size < 20 or kind.interpolation is Interpolation.HOLD:
            continue
        if kind.name in ("latitude", "longitude", "heading", "marker", "isolation_resistance"):
            continue
        code = code_value(kind, samples[1])
        if code is None:
            continue
        at_code = samples[1] == code
        yield DataFlag(
            channels=(name,),
            evidence=f"{int(at_code.sum())} samples read exactly {code:g} {kind.unit}, far from all others",
            spans=spans_of(samples[0], at_code),
            effect_wh_per_km=_spike_effect(survey, name, samples, at_code) if not at_code.all() else None,
            refuses=("peak_current",) if kind.name == "pack_current" else (),
        )


def code_value(kind: ChannelKind, value: FloatArray) -> float | None:
    """A value that is a code rather than a measurement; None where there is none."""
    is_temperature = kind.unit == "degC"
    for extreme in (float(np.max(value)), float(np.min(value))):
        at_code = value == extreme
        count, rest = int(at_code.sum()), value[~at_code]
        if count < 2 or rest.size < 0.3 * value.size:
            continue
        gap = float(np.min(np.abs(rest - extreme)))
        known = (is_temperature and extreme in _TEMPERATURE_CODES_DEGC) or _is_top_code(extreme, rest)
        beyond = not kind.low <= extreme <= kind.high
        initial_zero = extreme == 0.0 and bool(at_code[0]) and kind.unit in ("V", "degC") and count < 0.2 * value.size
        # A code stands apart by more than all else spans; a known one needs less distance.
        apart = gap > (1.0 if known or beyond or initial_zero else 5.0) * max(span_range(rest), 3.0 * resolution(rest))
        far = gap > (15.0 if is_temperature else 0.5 * abs(float(np.median(rest))))
        if (known or beyond or initial_zero or _is_constant_apart(kind, extreme)) and apart and far:
            return extreme
    return None


def _is_constant_apart(kind: ChannelKind, extreme: float) -> bool:
    """Zero is a state for currents, powers and speeds, and a code for voltages; loads switch on and off."""
    if kind.unit == "W" and kind.group == "auxiliary":
        return False
    return extreme != 0.0 or kind.unit in ("V", "Pa", "ohm")


def _is_top_code(extreme: float, rest: FloatArray) -> bool:
    step = resolution(rest)
    if step <= 0.0:
        return False
    return any(
        abs(extreme - code * scale) < 0.51 * step for code in _TOP_CODES for scale in (step, 1.0, 0.1, 0.01, 0.001)
    )


@detector("impossible_value")
def _find_impossible(survey: DriveSurvey) -> Iterator[DataFlag]:
    for name, channel in survey.drive.channels.items():
        kind, samples = channel_kind(name), finite_samples(channel)
        if kind is None or samples is None:
            continue
        outside = (samples[1] < kind.low) | (samples[1] > kind.high)
        if not outside.any():
            continue
        share = float(outside.mean())
        worst = float(samples[1][outside][np.argmax(np.abs(samples[1][outside]))])
        yield DataFlag(
            severity=Severity.RED if share > 0.02 else Severity.AMBER,
            channels=(name,),
            evidence=f"{100 * share:.1f} % of the samples lie outside {kind.low:g} to {kind.high:g} {kind.unit}, "
            f"such as {worst:g}{_unit_hint(kind, samples[1])}",
            spans=spans_of(samples[0], outside),
            refuses=_refused_by(kind.name) if share > 0.02 else (),
        )


def _unit_hint(kind: ChannelKind, value: FloatArray) -> str:
    level = float(np.median(value))
    hints = {100.0: "per cent or hecto", 10.0: "a factor of 10", 1000.0: "a factor of 1000", 0.001: "kilo"}
    for factor, words in hints.items():
        if kind.low < level / factor < kind.high and not kind.low < level < kind.high:
            return f" (would fit as {words})"
    return ""


def _refused_by(kind_name: str) -> tuple[str, ...]:
    if kind_name in ("pack_current", "pack_voltage", "pack_power"):
        return ("net_energy", "consumption", "regen", "peak_current")
    return ("consumption", "distance") if kind_name == "speed" else ()


@detector("decoded_wrongly", Severity.RED)
def _find_wrong_bits(survey: DriveSurvey) -> Iterator[DataFlag]:
    """What must move smoothly jumps all over its range: byte order, start bit or multiplexing is wrong."""
    for name, channel in survey.drive.channels.items():
        kind, samples = channel_kind(name), finite_samples(channel)
        if kind is None or samples is None or samples[1].size < 100:
            continue
        share = rough_share(kind, channel, samples)
        if share < 0.003 or share * samples[1].size < 25:
            continue
        jumps = np.abs(np.diff(samples[1]))
        large = float(np.median(jumps[jumps > 0.25 * span_range(samples[1], 0.0, 1.0)]))
        step = resolution(samples[1])
        rollover = next((size for size in (256, 65_536) if step > 0 and abs(large / step - size) < 0.06 * size), None)
        words = f"; the jumps are about {rollover} steps, as when a byte rolls over" if rollover else ""
        yield DataFlag(
            channels=(name,),
            evidence=f"{100 * share:.1f} % of all steps cross more than a quarter of its whole range{words}",
            refuses=_refused_by(kind.name),
        )


def rough_share(kind: ChannelKind, channel: Channel, samples: tuple[FloatArray, FloatArray]) -> float:
    """Share of steps over more than a quarter of the range, for channels that must move smoothly; else zero."""
    if kind.name not in _SMOOTH_KINDS and kind.unit != "degC" and kind.name != "pack_current":
        return 0.0
    time_s, value = samples
    period_s = float(np.median(np.diff(time_s)))
    span = float(np.ptp(value))
    starts, _ = equal_runs(value)
    if span <= max(20.0 * resolution(value), _LEAST_SPAN.get(kind.unit, 0.0)) or starts.size < 50:
        return 0.0
    if kind.name in ("pack_current", "pack_voltage"):
        # Current may swing over its whole range within a second: only a fast log can tell.
        if period_s > 0.25:
            return 0.0
        share = float(np.mean(np.abs(np.diff(value)) > (0.4 if kind.name == "pack_current" else 0.25) * span))
        return share if share > 0.02 or kind.name == "pack_voltage" else 0.0
    return float(np.mean(np.abs(np.diff(value)) > 0.25 * span)) if period_s <= 2.0 else 0.0


_COOL_KINDS: Final = {"ambient_temperature": 48.0, "cell_temperature_min": 58.0, "cell_temperature_max": 65.0,
                      "pack_temperature": 60.0, "cabin_temperature": 60.0}  # fmt: skip
"""Medians above these are hardly ever true on a drive, in degrees Celsius (common practice)."""


@detector("temperature_unit", Severity.RED, refuses=("temperatures",))
def _find_fahrenheit(survey: DriveSurvey) -> Iterator[DataFlag]:
    for name, channel in survey.drive.channels.items():
        kind, samples = channel_kind(name), survey.finite(name)
        if kind is None or samples is None or kind.name not in _COOL_KINDS or channel.is_derived:
            continue
        level_degc = float(np.median(samples[1]))
        if not _COOL_KINDS[kind.name] < level_degc < 140.0 and not _disagrees(survey, name, level_degc):
            continue
        yield DataFlag(
            channels=(name,),
            evidence=f"it reads {measure(level_degc, '°C')}; taken as °F it would "
            f"be {measure(celsius(level_degc), '°C')}",
        )


def _disagrees(survey: DriveSurvey, name: str, level_degc: float) -> bool:
    """True when a pack temperature is 1.8 T + 32 of another pack temperature."""
    if not name.startswith(("pack_temperature", "cell_temperature")):
        return False
    others = [
        float(np.median(samples[1]))
        for other in ("pack_temperature", "cell_temperature_min", "cell_temperature_max")
        if other != name and (samples := survey.finite(other)) is not None
    ]
    return any(level_degc > other + 15.0 and abs(celsius(level_degc) - other) < 4.0 for other in others)


@detector("power_unit", Severity.RED, effect_wh_per_km=0.0, needs="pack_power pack_voltage pack_current")
def _find_power_unit(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Logged pack power against voltage times current: a factor of 1000."""
    logged = survey.on_grid("pack_power")
    usable = np.isfinite(logged) & np.isfinite(survey.power_w) & (np.abs(np.nan_to_num(survey.power_w)) > 2000.0)
    if usable.sum() < 20 or not np.any(logged[usable]):
        return
    ratio = float(np.sum(logged[usable] * survey.power_w[usable]) / np.sum(survey.power_w[usable] ** 2))
    known = {1000.0: "W read as kW", 0.001: "kW read as W", -1.0: "the opposite sign", 0.1: "a factor of 10",
             10.0: "a factor of 10"}  # fmt: skip
    words = next((text for factor, text in known.items() if abs(ratio / factor - 1.0) < 0.1), "")
    if not words:
        return
    yield DataFlag(channels=("pack_power",), evidence=f"it is {ratio:.3g} times voltage times current: {words}")


@detector("elevation_unit", Severity.RED, refuses=("fit",))
def _find_elevation_unit(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Height against air pressure: feet read as metres make every hill 3.28 times as high."""
    height, pressure = survey.finite("elevation"), survey.drive.get("barometric_pressure")
    if height is None or pressure is None:
        return
    step = max(height[1].size // 400, 1)
    metres, pascals = height[1][::step], pressure.at(height[0], max_gap_s=10.0)[::step]
    known = np.isfinite(pascals)
    if known.sum() < 30:
        return
    baro_m = 44_330.77 * (1.0 - (np.clip(pascals[known], 3e4, 1.2e5) / 101_325.0) ** 0.190263)  # ISO 2533, second-hand
    metres = metres[known]
    if np.std(baro_m) < 5.0 or np.std(metres) < 5.0 or np.corrcoef(baro_m, metres)[0, 1] < 0.9:
        return
    ratio = float(np.std(metres) / np.std(baro_m))
    if not 2.6 < ratio < 4.0 and not 0.25 < ratio < 0.38:
        return
    yield DataFlag(
        channels=("elevation", "barometric_pressure"),
        title="Height seems to be in feet" if ratio > 1.0 else "Height is too flat for the air pressure",
        evidence=f"hills are {ratio:.2f} times as high by elevation as by air pressure",
    )
