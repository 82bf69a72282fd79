"""Values that fit well once another unit is assumed: ratio tests against other channels."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.channels.vocabulary import channel_kind
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey
from logan.results import DataFlag, Severity
from logan.units import celsius
from logan.units.sentences import measure

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
            title=f"{name.replace('_', ' ').capitalize()} seems to be in degrees Fahrenheit",
            evidence=f"it reads {measure(level_degc, '°C')}; taken as °F it would "
            f"be {measure(celsius(level_degc), '°C')}",
            remedy='Set unit = "degF" for this channel in the channel map',
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
    yield DataFlag(
        channels=("pack_power",),
        title="Logged pack power disagrees with voltage times current",
        evidence=f"it is {ratio:.3g} times voltage times current: {words}",
        remedy="Set unit, scale or sign of the pack power in the channel map; or leave it out, as voltage and current "
        "are logged",
    )


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
        remedy='Set unit = "ft" for the elevation in the channel map',
    )
