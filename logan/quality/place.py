"""Position, height and distance: do they belong to one road?"""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.drive.elevation import loop_closure
from logan.numerics import METRES_PER_DEGREE, equal_runs, in_runs, nominal_period_s
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, resolution, spans_of
from logan.results import DataFlag, Refusal, Severity, Span
from logan.units import STANDARD_GRAVITY_M_PER_S2, FloatArray
from logan.units.sentences import measure

_PASCALS_PER_METRE: Final = 12.0
_LEAST_MISCLOSURE_M: Final = 10.0

_CHORD_M: Final = 50.0


def _position_m(survey: DriveSurvey) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Times and local coordinates of the positions at their native rate. [s, m, m]"""
    latitude, longitude = survey.drive.get("latitude"), survey.drive.get("longitude")
    if latitude is None or longitude is None or latitude.time_s.size < 10:
        return None
    degrees_east = longitude.at(latitude.time_s)
    known = np.isfinite(latitude.value) & np.isfinite(degrees_east)
    if known.sum() < 10:
        return None
    time_s, north, east = latitude.time_s[known], latitude.value[known], degrees_east[known]
    shrink = np.cos(np.radians(float(np.median(north))))
    north_m = (north - north[0]) * METRES_PER_DEGREE
    return time_s, north_m, (east - east[0]) * METRES_PER_DEGREE * shrink


@detector("gnss_spike", Severity.AMBER, effect_wh_per_km=0.0)
def _find_gnss_spikes(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Satellite speed or position that no vehicle can follow."""
    for channels, evidence, spans in (*_speed_jumps(survey), *_teleports(survey)):
        yield DataFlag(channels=channels, evidence=evidence, spans=spans)


_Jump = tuple[tuple[str, ...], str, tuple[Span, ...]]


def _speed_jumps(survey: DriveSurvey) -> Iterator[_Jump]:
    time_s, speed = survey.finite("gnss_speed") or (np.empty(0), np.empty(0))
    change = np.abs(np.diff(speed))
    sudden = (change / np.maximum(np.diff(time_s), 0.05) > 15.0) & (change > 4.0)
    if speed.size > 20 and sudden.any():
        words = f"speed jumps by up to {measure(3.6 * np.max(change[sudden]), 'km/h')}"
        yield ("gnss_speed",), words, spans_of(time_s[1:], sudden)


def _teleports(survey: DriveSurvey) -> Iterator[_Jump]:
    position = _position_m(survey)
    if position is None:
        return
    time_s, north_m, east_m = position
    step_s = np.maximum(np.diff(time_s), 0.05)
    pace = np.hypot(np.diff(north_m), np.diff(east_m)) / step_s
    known = survey.speed_m_per_s
    usual = np.interp(time_s[1:], survey.time_s, np.nan_to_num(known)) if known.size else np.zeros(pace.shape)
    teleport = (pace > usual + 40.0) & (pace * step_s > 30.0)
    if teleport.any():
        words = f"position jumps by up to {measure(np.max((pace * step_s)[teleport]), 'm')}"
        yield ("latitude", "longitude"), words, spans_of(time_s[1:], teleport)


@detector("position_frozen", Severity.AMBER, effect_wh_per_km=0.0, needs="latitude", on_road=True)
def _find_frozen_position(survey: DriveSurvey) -> Iterator[DataFlag]:
    time_s, value = survey.samples("latitude")
    if "speed" not in survey.drive:
        return
    starts, lengths = equal_runs(value)
    lasting = (lengths > 2) & (time_s[starts + lengths - 1] - time_s[starts] >= 5.0)
    speed = np.interp(time_s, survey.time_s, np.nan_to_num(survey.speed_m_per_s))
    longitude = survey.drive["longitude"].at(time_s) if "longitude" in survey.drive else np.zeros(value.shape)
    parts = [slice(start, start + length) for start, length in zip(starts[lasting], lengths[lasting], strict=True)]
    lasting[lasting] = [np.ptp(longitude[part]) == 0.0 and np.mean(speed[part]) > 3.0 for part in parts]
    frozen = in_runs(value.size, starts[lasting], lengths[lasting])
    if not frozen.any():
        return
    spans = spans_of(time_s, frozen)
    yield DataFlag(
        channels=("latitude", "longitude"), evidence=f"for {sum(span.duration_s for span in spans):.0f} s", spans=spans
    )


@detector("elevation_jump", Severity.AMBER, effect_wh_per_km=0.0, needs="elevation")
def _find_elevation_jump(survey: DriveSurvey) -> Iterator[DataFlag]:
    time_s, height_m = survey.samples("elevation")
    if height_m.size < 20:
        return
    step_s = np.diff(time_s)
    speed = (
        np.interp(time_s, survey.time_s, np.nan_to_num(survey.speed_m_per_s)) if survey.time_s.size else 0.0 * time_s
    )
    travelled_m = 0.5 * (speed[1:] + speed[:-1]) * step_s
    allowed_m = 8.0 + 0.3 * travelled_m + 2.0 * resolution(height_m)
    jumps = np.abs(np.diff(height_m)) > allowed_m
    if not jumps.any():
        return
    worst_m = float(np.max(np.abs(np.diff(height_m))[jumps]))
    spans = spans_of(time_s[1:], jumps)
    mass_kg = survey.build.vehicle.mass_kg.value
    yield DataFlag(
        channels=("elevation",),
        evidence=f"{len(spans)} jumps of up to {measure(worst_m, 'm')} between two samples",
        remedy="Mask the height there, or use a barometer; one jump feigns "
        f"{mass_kg * 9.8 * worst_m / 3600:.0f} Wh of climbing",
        spans=spans,
    )


@detector("barometer_step", Severity.AMBER, effect_wh_per_km=0.0, needs="barometric_pressure")
def _find_barometer_step(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Pressure in the cabin steps with doors, windows and the fan."""
    samples = survey.samples("barometric_pressure")
    if samples[1].size < 60 or nominal_period_s(samples[0]) > 2.0:
        return
    # One sample a second is enough to see a step, and many times quicker.
    stride = max(int(0.9 / max(nominal_period_s(samples[0]), 1e-3)), 1)
    time_s, pressure_pa = samples[0][::stride], samples[1][::stride]
    width = max(round(4.0 / max(float(np.median(np.diff(time_s))), 1e-3)), 3)
    if pressure_pa.size < 3 * width:
        return
    level = np.median(np.lib.stride_tricks.sliding_window_view(pressure_pa, width), axis=1)
    gap = max(width // 3, 1)
    change = level[width + gap :] - level[: -width - gap]
    at_s = time_s[width : width + change.size]
    # A climb of 25 % at the speed driven, both windows long, is the most that a road gives.
    speed = np.interp(at_s, survey.time_s, np.nan_to_num(survey.speed_m_per_s)) if survey.time_s.size else 0.0 * at_s
    reach_s = float(time_s[width + gap] - time_s[0])
    scatter_pa = 1.4826 * float(np.median(np.abs(change - np.median(change))))
    allowed_pa = 50.0 + _PASCALS_PER_METRE * 0.15 * speed * reach_s + 2.0 * resolution(pressure_pa) + 3.0 * scatter_pa
    steps = np.abs(change) > allowed_pa
    if not steps.any():
        return
    worst_pa = float(change[steps][np.argmax(np.abs(change[steps]))])
    yield DataFlag(
        channels=("barometric_pressure",),
        evidence=f"by {measure(worst_pa, 'Pa', '+.0f')} within seconds, which feigns "
        f"{measure(abs(worst_pa) / _PASCALS_PER_METRE, 'm')} of height",
        spans=spans_of(at_s, steps),
    )


@detector("loop_not_closed", Severity.AMBER)
def _find_open_loop(survey: DriveSurvey) -> Iterator[DataFlag]:
    elevation, latitude, longitude = (survey.drive.get(name) for name in ("elevation", "latitude", "longitude"))
    if elevation is None or latitude is None or longitude is None or not survey.is_drive or survey.distance_km < 1.0:
        return
    loop = loop_closure(elevation, latitude, longitude)
    if isinstance(loop, Refusal) or loop.is_closed or abs(loop.misclosure_m) < _LEAST_MISCLOSURE_M:
        return
    mass_kg = survey.build.vehicle.mass_kg.value
    yield DataFlag(
        channels=("elevation",),
        evidence=f"start and end are {measure(loop.apart_m, 'm')} apart and {measure(loop.misclosure_m, 'm', '+.1f')} "
        f"in height (±{measure(loop.sigma_m, 'm', '.1f')})",
        effect_wh_per_km=survey.per_km(-mass_kg * STANDARD_GRAVITY_M_PER_S2 * loop.misclosure_m / 3600.0),
    )


def _distances_m(survey: DriveSurvey) -> dict[str, tuple[float, float]]:
    """Distance by each source and its uncertainty, over the whole drive. [m]"""
    found: dict[str, tuple[float, float]] = {}
    for name in ("speed", "gnss_speed"):
        samples = survey.finite(name)
        if samples is not None and float(np.max(np.diff(samples[0]))) < 10.0:
            metres = float(np.trapezoid(np.abs(samples[1]), samples[0]))
            found[name] = (metres, 0.005 * metres)
    odometer = survey.finite("odometer")
    if odometer is not None:
        metres = float(odometer[1][-1] - odometer[1][0])
        found["odometer"] = (metres, 2.0 * resolution(odometer[1]))
    position = _position_m(survey)
    if position is not None and survey.distance_km > 1.0:
        # From one place to one some way on: step by step, a receiver's noise adds several per cent in town.
        travelled = np.interp(position[0], survey.time_s, survey.travelled_m)
        _, at = np.unique(np.floor(travelled / _CHORD_M), return_index=True)
        metres = float(np.hypot(np.diff(position[1][at]), np.diff(position[2][at])).sum())
        found["position"] = (metres, 0.01 * metres)
    return found


@detector("distance_mismatch", on_road=True)
def _find_distance_mismatch(survey: DriveSurvey) -> Iterator[DataFlag]:
    found = _distances_m(survey)
    if "speed" not in found:
        return
    metres, _ = found["speed"]
    wrong = {
        name: other
        for name, (other, sigma) in found.items()
        if name != "speed" and abs(other - metres) > max(0.02 * metres + sigma, 200.0)
    }
    if not wrong:
        return
    name = max(wrong, key=lambda key: abs(wrong[key] - metres))
    ratio = wrong[name] / metres
    words = {
        1.609344: " (kilometers taken for miles?)",
        0.621371: " (miles taken for kilometers?)",
        1000.0: "",
        0.001: "",
    }
    hint = next((text for known, text in words.items() if abs(ratio / known - 1.0) < 0.03), "")
    yield DataFlag(
        severity=Severity.RED if abs(ratio - 1.0) > 0.1 else Severity.AMBER,
        channels=("speed", name),
        evidence=f"{measure(metres / 1000, 'km', '.2f')} by speed, {measure(wrong[name] / 1000, 'km', '.2f')} "
        f"by {name.replace('_', ' ')} (ratio {ratio:.3f}){hint}",
        effect_wh_per_km=survey.net_times(1.0 / ratio - 1.0) if ratio > 0.0 else None,
    )
