"""Energy through the pack terminals over one drive, and how sure it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np

from logan.drive.drive import STANDSTILL_M_PER_S, Drive, is_charging_at, pack_power, road_speed
from logan.metrics.error_budget import ErrorPart, error_budget, unchecked_sigma_ratio
from logan.metrics.metric import Metric
from logan.numerics import integrate
from logan.results import Estimate, Figure, Refusal, all_refused, result
from logan.settings import AnalysisSettings, BuildSettings
from logan.units import JOULES_PER_WATT_HOUR, BoolArray, FloatArray
from logan.units.sentences import measure
from logan.wording import percent

LEAST_DISTANCE_M: Final = 1609.344
LEAST_DURATION_S: Final = 180.0
"""Below a mile or three minutes a consumption says nothing: speed at both ends and one hill make it. [m, s]"""

_FILLED_RATIO: Final = 0.005
"""Less time than this at the mean power goes without saying."""

_MAP: Final = "Map pack_voltage and pack_current, or pack_power"


@result("energy-summary/1")
class EnergySummary:
    """Energy through the pack terminals, charging left out.

    Parameters
    ----------
    net_wh, gross_wh, regenerated_wh : Figure
        Taken out less put back; taken out; put back (positive). [Wh]
    distance_m : Figure
        Distance driven. [m]
    net_wh_per_km, gross_wh_per_km : Figure
        Per distance. [Wh/km]
    mean_power_w : Figure
        Net energy over covered time. [W]
    budget : tuple of ErrorPart
        Parts of the net figure's uncertainty; they add in squares.
    coverage_ratio : float
        Share of the driving time that was integrated, 0 to 1.
    duration_s, moving_s, charging_s : float
        Whole drive, time in motion, and time plugged in (left out). [s]
    distance_source : str
        Channel that the distance comes from.
    """

    net_wh: Figure
    gross_wh: Figure
    regenerated_wh: Figure
    distance_m: Figure
    net_wh_per_km: Figure
    gross_wh_per_km: Figure
    mean_power_w: Figure
    budget: tuple[ErrorPart, ...]
    coverage_ratio: float
    duration_s: float
    moving_s: float
    charging_s: float
    distance_source: str


def energy_summary(
    drive: Drive,
    build: BuildSettings,
    settings: AnalysisSettings | None = None,
    *,
    refusals: Mapping[str, Refusal] | None = None,
    doubts_wh_per_km: Mapping[str, float] | None = None,
) -> EnergySummary:
    """Energy through the pack terminals over a drive, charging left out. Method: measured (1), (2), (3).

    Power is voltage times current on the union of their own times. Time that is not
    covered is filled at the drive's mean power and widens the interval; below the least
    coverage of ``settings`` every energy figure is refused.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Pack resistance, for the effect of skew.
    settings : AnalysisSettings, optional
        Least coverage.
    refusals : mapping of str to Refusal, optional
        Metrics that a data flag forbids: ``net_energy``, ``consumption``, ``regen``.
    doubts_wh_per_km : mapping of str to float, optional
        What findings that nothing settles would change of the consumption; they go into its uncertainty. [Wh/km]

    Returns
    -------
    EnergySummary
        Figures, budget and coverage.
    """
    least = (settings or AnalysisSettings()).min_coverage_ratio
    refusals = refusals or {}
    power = pack_power(drive)
    motion = _checked(driven_distance(drive), drive, build)
    known: dict[str, Any] = {
        "coverage_ratio": 0.0, "duration_s": drive.duration_s, "moving_s": motion.moving_s, "charging_s": 0.0,
        "distance_source": motion.source, "distance_m": motion.distance_m,
    }  # fmt: skip
    if power is None:
        missing = Refusal("neither pack voltage and current nor pack power is logged", _MAP)
        return all_refused(EnergySummary, missing, **known)
    time_s, watts = power.time_s, power.power_w.copy()
    charging = is_charging_at(drive, time_s)
    watts[charging] = np.nan
    charging_s = _time_s(time_s, charging)
    whole = integrate(time_s, watts, max_gap_s=power.max_gap_s)
    wanted_s = max(drive.duration_s - charging_s, whole.covered_s)
    coverage = whole.covered_s / wanted_s if wanted_s > 0 else 0.0
    known |= {"coverage_ratio": coverage, "charging_s": charging_s}
    if coverage < least:
        reason = f"power is known for {percent(coverage)} of the driving time; {percent(least)} is the least"
        return all_refused(EnergySummary, Refusal(reason, "Log voltage and current all the way"), **known)
    scale = 1.0 / coverage / JOULES_PER_WATT_HOUR
    doubts_wh = _doubts_wh(doubts_wh_per_km or {}, motion.distance_m)
    parts, decimated_regen_wh = error_budget(drive, build, power, watts, whole, wanted_s - whole.covered_s, doubts_wh)
    net_sigma = float(np.sqrt(sum(part.sigma_wh**2 for part in parts)))
    share = {part.name: part.sigma_wh for part in parts}
    net_wh, gross_wh, regen_wh = whole.total * scale, whole.positive * scale, -whole.negative * scale
    gain = np.hypot(build.instruments.power_gain_sigma_ratio, unchecked_sigma_ratio(drive, build, "current"))
    # Offset and gaps move the larger part most; sampling error on regen shows up in gross as well.
    common = share["offset"] ** 2 + share["gaps"] ** 2 + decimated_regen_wh**2
    source = "; ".join(
        (_how_measured(coverage), *(part.how for part in parts if part.name in ("unchecked current", "doubt")))
    )
    no_net = refusals.get("net_energy")
    gross_sigma = np.hypot(gain * gross_wh, np.sqrt(common))
    regen_sigma = np.hypot(gain * regen_wh, np.sqrt(decimated_regen_wh**2 + (0.3 * share["offset"]) ** 2))
    net = _figure(net_wh, net_sigma, coverage, no_net, source)
    gross = _figure(gross_wh, gross_sigma, coverage, no_net, source)
    mean = Estimate(net_wh * 3600.0 / wanted_s, "W", net_sigma * 3600.0 / wanted_s, _how_measured(coverage), coverage)
    return EnergySummary(
        net_wh=net,
        gross_wh=gross,
        regenerated_wh=_figure(regen_wh, regen_sigma, coverage, refusals.get("regen") or no_net, source),
        net_wh_per_km=_per_km(net, motion.distance_m, drive.duration_s, refusals.get("consumption")),
        gross_wh_per_km=_per_km(gross, motion.distance_m, drive.duration_s, refusals.get("consumption")),
        mean_power_w=no_net or mean,
        budget=parts,
        **known,
    )


def _figure(value_wh: float, sigma_wh: float, coverage: float, refusal: Refusal | None, source: str) -> Figure:
    return refusal or Estimate(value_wh, "Wh", float(sigma_wh), source, coverage)


def _checked(motion: DrivenDistance, drive: Drive, build: BuildSettings) -> DrivenDistance:
    """The distance, less sure where nothing checks the speed."""
    ratio, distance = unchecked_sigma_ratio(drive, build, "speed"), motion.distance_m
    if not isinstance(distance, Estimate) or motion.source == "gnss_speed" or not ratio:
        return motion
    words = f"{distance.source}; nothing in the log checks the speed: {100 * ratio:.0f} %"
    sigma = float(np.hypot(distance.spread, ratio * distance.value))
    return replace(motion, distance_m=replace(distance, sigma=sigma, source=words))


def _how_measured(coverage: float) -> str:
    """Where a figure comes from; time that was filled is called so."""
    filled = 1.0 - coverage
    words = f", {percent(filled, 1)} of the time filled at the mean power" if filled > _FILLED_RATIO else ""
    return f"measured{words}"


def _per_km(energy: Figure, distance: Figure, duration_s: float, refusal: Refusal | None) -> Figure:
    if refusal is not None:
        return refusal
    if isinstance(energy, Refusal) or isinstance(distance, Refusal):
        return energy if isinstance(energy, Refusal) else distance
    if distance.value < LEAST_DISTANCE_M or duration_s < LEAST_DURATION_S:
        told = f"{measure(distance.value / 1000, 'km', '.2f')} in {duration_s:.0f} s"
        return Refusal(f"too short for a consumption: {told}; a mile and three minutes are the least", "Drive further")
    value = energy.value / distance.value * 1000.0
    relative = np.hypot(energy.spread / distance.value * 1000.0, value * distance.spread / distance.value)
    source = "; ".join((energy.source, *distance.source.split("; ")[1:]))
    return Estimate(value, "Wh/km", float(relative), source, energy.coverage_ratio)


def _doubts_wh(doubts_wh_per_km: Mapping[str, float], distance: Figure) -> dict[str, float]:
    """The same over the drive; none where no distance is known, as there is no consumption either."""
    if isinstance(distance, Refusal):
        return {}
    return {title: effect * distance.value / 1000.0 for title, effect in doubts_wh_per_km.items()}


def _time_s(time_s: FloatArray, condition: BoolArray) -> float:
    return float(np.sum(np.diff(time_s)[condition[:-1] & condition[1:]]))


DISTANCE_SIGMA_RATIO: Final = {"speed": 0.01, "gnss_speed": 0.002, "wheel_speed": 0.015, "odometer": 0.01}
"""Relative uncertainty by channel: a wheel's signal carries its tyre's error (common practice)."""

LEAST_COVERAGE_RATIO: Final = 0.9


@result("driven-distance/1")
class DrivenDistance:
    """Distance of a drive.

    Parameters
    ----------
    distance_m : Figure
        [m]
    moving_s : float
        Time in motion. [s]
    source : str
        Channel that it comes from; empty where there is none.
    """

    distance_m: Figure
    moving_s: float
    source: str


def driven_distance(drive: Drive) -> DrivenDistance:
    """Distance from the speed, or from the odometer where speed covers less than 90 % of it.

    Parameters
    ----------
    drive : Drive
        The drive.

    Returns
    -------
    DrivenDistance
        Distance, time in motion and source.
    """
    channel, odometer = road_speed(drive), drive.get("odometer")
    moving_s, source = 0.0, ""
    figure: Figure = Refusal("neither speed nor odometer is logged", "Map speed, gnss_speed or odometer")
    if channel is not None:
        speed, step_s, source = np.abs(channel.value), np.diff(channel.time_s), channel.name
        whole = integrate(channel.time_s, speed, max_gap_s=channel.max_gap_s)
        moving_s = float(step_s[(speed[:-1] > STANDSTILL_M_PER_S) & (step_s <= channel.max_gap_s)].sum())
        coverage = whole.covered_s / max(drive.duration_s, whole.covered_s, 1e-9)
        if coverage >= LEAST_COVERAGE_RATIO:
            # What is not covered is taken at the mean speed, as energy is at the mean power.
            distance_m = whole.total / coverage
            sigma_m = distance_m * np.hypot(DISTANCE_SIGMA_RATIO[source], 0.5 * (1.0 - coverage))
            how = f"integral of {source.replace('_', ' ')}"
            figure = Estimate(distance_m, "m", float(sigma_m), how, coverage)
            return DrivenDistance(distance_m=figure, moving_s=moving_s, source=source)
        reason = f"speed is known for {percent(coverage)} of the drive; {percent(LEAST_COVERAGE_RATIO)} is the least"
        figure = Refusal(reason, "Log speed all the way, or the odometer")
    known = np.zeros(0) if odometer is None else odometer.value[np.isfinite(odometer.value)]
    if known.size > 1:
        distance_m, source = float(known[-1] - known[0]), "odometer"
        figure = Estimate(distance_m, "m", max(DISTANCE_SIGMA_RATIO[source] * distance_m, 50.0), source, 1.0)
    return DrivenDistance(distance_m=figure, moving_s=moving_s, source=source)


METRIC: Final = Metric(
    "energy",
    EnergySummary,
    lambda asked: energy_summary(
        asked.drive,
        asked.build,
        asked.settings,
        refusals=asked.refusals,
        doubts_wh_per_km=asked.admission.doubts_wh_per_km,
    ),
    lambda found: {
        name: getattr(found, name)
        for name in ("net_wh", "gross_wh", "regenerated_wh", "net_wh_per_km", "gross_wh_per_km")
    },
)
