"""Two drives: what differed, and how much of the difference in consumption each thing explains."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.drive.drive import UNKNOWN_HEIGHT_SIGMA_M, Drive, height_along
from logan.driving_range.other_values import OtherValues, environment_by
from logan.driving_range.prediction import draw_samples
from logan.metrics.energy import energy_summary
from logan.model.breakdown import ConsumptionBreakdown
from logan.model.forward import consumption
from logan.model.parameters import Conditions, Environment, ParameterDistribution
from logan.model.schedule import Schedule, replay_of
from logan.numerics import shapley
from logan.physics.air import air_density_kg_per_m3
from logan.results import Estimate, Figure, Refusal, result
from logan.settings import BuildSettings
from logan.units import JOULES_PER_WATT_HOUR, STANDARD_GRAVITY_M_PER_S2, FloatArray

SAMPLES: Final = 100
METER_SIGMA_RATIO: Final = 0.02
"""Of a logged load, as the ledger has it (common practice)."""

UNKNOWN_WIND_M_PER_S: Final = 1.0
"""Mean along a drive of a wind that nobody logged, at the vehicle's height; as the fit holds it. [m/s]"""

_DRIVE_EFFICIENCY: Final = 3
_WEATHER: Final = (
    "ambient_temperature_degc",
    "pressure_pa",
    "relative_humidity_ratio",
    "headwind_m_per_s",
    "wind_m_per_s",
    "wind_from_deg",
    "pack_temperature_degc",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveSide:
    """One of the two drives, as far as the comparison needs it.

    Parameters
    ----------
    label : str
        How it is called.
    schedule : Schedule
        Its speeds and hills.
    conditions : Conditions
        Its weather and load.
    measured : Estimate or Refusal
        Net consumption. [Wh/km]
    cabin_power_w : float or None
        Mean heater and air conditioning, where logged. [W]
    gain_wh_per_km : float
        Of the standard uncertainty of ``measured`` what the sensors' gains bring to every drive alike. [Wh/km]
    height_sigma_m : float
        Standard uncertainty of a height, logged or not. [m]
    knows_wind : bool
        Whether wind was logged or noted.
    assumed : tuple of str
        What was neither recorded nor noted.
    """

    label: str
    schedule: Schedule
    conditions: Conditions
    measured: Figure
    cabin_power_w: float | None
    gain_wh_per_km: float = 0.0
    height_sigma_m: float = 0.0
    knows_wind: bool = True
    assumed: tuple[str, ...] = ()

    @property
    def seconds_per_km(self) -> float:
        """Time for a kilometre, stops included. [s/km]"""
        return self.schedule.duration_s / self.schedule.distance_m * 1000.0


@result("difference-part/1")
class DifferencePart:
    """One cause, and how much of the difference it explains.

    Parameters
    ----------
    name : str
        speed, driving, hills, weather, load, or heating and cooling.
    effect_wh_per_km : Estimate
        Second drive less first. [Wh/km]
    meaning : str
        What it holds, in plain words.
    """

    name: str
    effect_wh_per_km: Estimate
    meaning: str


@result("difference-fact/1")
class DifferenceFact:
    """One thing that may have differed, in both drives."""

    name: str
    unit: str
    first: float
    second: float


@result("drive-difference/1")
class DriveDifference:
    """Why the second drive took more, or less, than the first.

    Parameters
    ----------
    first, second : str
        Names of the drives.
    first_wh_per_km, second_wh_per_km : Estimate or Refusal
        Measured. [Wh/km]
    difference_wh_per_km : Estimate or Refusal
        Second less first. [Wh/km]
    parts : tuple of DifferencePart
        What the model explains, cause by cause.
    unexplained_wh_per_km : Estimate or Refusal
        Measured difference less all parts: the vehicle itself, unrecorded wind, errors. [Wh/km]
    facts : tuple of DifferenceFact
        The two drives side by side, SI.
    assumed : tuple of str
        What was neither recorded nor noted, by drive.
    basis : str
        Whose vehicle it is: "plan", or "fit of N drives".
    """

    first: str
    second: str
    first_wh_per_km: Figure
    second_wh_per_km: Figure
    difference_wh_per_km: Figure
    parts: tuple[DifferencePart, ...]
    unexplained_wh_per_km: Figure
    facts: tuple[DifferenceFact, ...]
    assumed: tuple[str, ...] = ()
    basis: str = "plan"


def side_of(drive: Drive, build: BuildSettings, label: str) -> DriveSide:
    """Reduce a drive to what the comparison needs.

    Raises
    ------
    NotEnoughDataError
        If the drive has no speed or covers less than 200 m.
    """
    replay = replay_of(drive, name=label)
    logged = [
        float(np.nanmean(channel.value))
        for kind in ("heater_power", "air_conditioning_power")
        for channel in drive.of_kind(kind)
        if np.isfinite(channel.value).any()
    ]
    energy = energy_summary(drive, build)
    gain_wh = sum(part.sigma_wh for part in energy.budget if part.name == "gain")
    distance, height = energy.distance_m, height_along(drive)
    return DriveSide(
        label=label,
        schedule=replay.schedule,
        # A full pack that takes no regen belongs to how the drive began, not to its weather.
        conditions=replace(replay.conditions, state_of_charge_ratio=None, auxiliary_power_w=None),
        measured=energy.net_wh_per_km,
        cabin_power_w=sum(logged) if logged else None,
        gain_wh_per_km=0.0 if isinstance(distance, Refusal) else gain_wh / distance.value * 1000.0,
        height_sigma_m=UNKNOWN_HEIGHT_SIGMA_M if height is None else height.sigma_m,
        knows_wind="headwind" in drive or drive.conditions.wind_m_per_s is not None,
        assumed=tuple(f"{label}: {text}" for text in replay.assumed),
    )


def explain_difference(
    first: DriveSide,
    second: DriveSide,
    parameters: ParameterDistribution,
    build: BuildSettings,
    rng: np.random.Generator,
    *,
    others: OtherValues | None = None,
    between_drive_sigma: float = 0.0,
) -> DriveDifference:
    """Share the difference in consumption between two drives out among its causes.

    The model drives either road in either drive's weather, with either load and cabin
    power; each cause gets its mean effect over all orders in which the causes can be
    changed, so that no order is favoured and the parts add up.

    Parameters
    ----------
    first, second : DriveSide
        The drives.
    parameters : ParameterDistribution
        Of the vehicle; its spread is the parts' uncertainty, with that of a wind that nobody logged and of heights.
    build : BuildSettings
        What the parameters do not say.
    rng : numpy.random.Generator
        Source of the parameter samples.
    others : OtherValues, optional
        Answers to temperature and losses, as drives taught them; those of the build where left out.
    between_drive_sigma : float
        How far the road load of one day is from another's, where drives told. [ratio]

    Returns
    -------
    DriveDifference
        Parts, and what they leave unexplained.

    References
    ----------
    .. [1] Shapley 1953, doi:10.1515/9781400881970-018.
    """
    vehicle = _Vehicles.drawn(parameters, build, others, rng)
    effects = _effects(first, second, vehicle)
    own = [_own_sigmas(side, vehicle, between_drive_sigma) for side in (first, second)]
    wind, height, day, cabin = (float(np.hypot(*both)) for both in zip(*own, strict=True))
    beside = {"weather": wind, "hills": height, "heating and cooling": cabin}
    parts = tuple(
        DifferencePart(
            name=name,
            effect_wh_per_km=Estimate(
                float(effect[0]), "Wh/km", float(np.hypot(_spread(effect), beside.get(name, 0.0))), "model"
            ),
            meaning=meaning,
        )
        for name, effect, meaning in effects
    )
    explained = np.asarray(sum(effect for _, effect, _ in effects))
    # What a day makes of the road load has the wind in it that nobody logged.
    left = float(np.sqrt(_spread(explained) ** 2 + height**2 + (day or wind) ** 2 + cabin**2))
    difference = _difference(first, second)
    return DriveDifference(
        first=first.label,
        second=second.label,
        first_wh_per_km=first.measured,
        second_wh_per_km=second.measured,
        difference_wh_per_km=difference,
        parts=parts,
        unexplained_wh_per_km=_remainder(difference, float(explained[0]), left),
        facts=_facts(first, second, [float(watts[0]) for watts in _cabin_power_w(first, second, vehicle)]),
        assumed=(*first.assumed, *second.assumed),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Vehicles:
    """The vehicle at its medians, and samples of it: parameters of shape (n, 6), and what goes with them."""

    build: BuildSettings
    parameters: FloatArray
    environment: Environment

    @classmethod
    def drawn(
        cls,
        distribution: ParameterDistribution,
        build: BuildSettings,
        others: OtherValues | None,
        rng: np.random.Generator,
    ) -> _Vehicles:
        draws = draw_samples(distribution, build, SAMPLES, rng, others=others)
        both = {name: np.concatenate([draws.median_others[name], value]) for name, value in draws.others.items()}
        parameters = np.vstack([draws.median, draws.parameters])
        return cls(build=build, parameters=parameters, environment=environment_by(both))

    def over(self, schedule: Schedule, conditions: Conditions) -> ConsumptionBreakdown:
        """What a road takes of them."""
        return consumption(schedule, conditions, self.parameters, self.build, environment=self.environment)

    def road_wh_per_km(self, found: ConsumptionBreakdown) -> FloatArray:
        """Rolling and air at the pack, shape (n,). [Wh/km]"""
        return (found.rolling_wh_per_km + found.air_wh_per_km) / self.parameters[:, _DRIVE_EFFICIENCY]


def _own_sigmas(side: DriveSide, vehicle: _Vehicles, between_drive_sigma: float) -> tuple[float, ...]:
    """What an unlogged wind, heights, the day's level and a heater's meter may have brought to one drive. [Wh/km]"""
    road = replace(side.conditions, cabin_climate=False)
    wind = 0.0
    if not side.knows_wind:
        head, tail = (
            vehicle.over(side.schedule, replace(road, headwind_m_per_s=way * UNKNOWN_WIND_M_PER_S)).air_wh_per_km[0]
            for way in (1.0, -1.0)
        )
        wind = 0.5 * float(head - tail) / vehicle.parameters[0, _DRIVE_EFFICIENCY]
    weight_n = vehicle.parameters[0, 0] * STANDARD_GRAVITY_M_PER_S2
    height_j = weight_n * side.height_sigma_m * np.sqrt(2.0) / vehicle.parameters[0, _DRIVE_EFFICIENCY]
    height = height_j / side.schedule.distance_m * 1000.0 / JOULES_PER_WATT_HOUR
    day = between_drive_sigma * float(vehicle.road_wh_per_km(vehicle.over(side.schedule, road))[0])
    cabin = METER_SIGMA_RATIO * (side.cabin_power_w or 0.0) * side.seconds_per_km / JOULES_PER_WATT_HOUR
    # A day's level has its wind in it: where drives told how far days differ, wind is no more than that.
    return min(wind, day or wind), float(height), day, cabin


def _effects(first: DriveSide, second: DriveSide, vehicle: _Vehicles) -> tuple[tuple[str, FloatArray, str], ...]:
    """Each cause with its effect for every parameter sample, shape (n,), and what it holds. [Wh/km]"""
    sides, cabin_w = (first, second), _cabin_power_w(first, second, vehicle)

    def predicted(*choice: int) -> FloatArray:
        road, weather, load = (sides[index] for index in choice[:3])
        conditions = replace(
            road.conditions,
            payload_kg=load.conditions.payload_kg,
            cabin_climate=False,
            **{name: getattr(weather.conditions, name) for name in _WEATHER},
        )
        base = _road_parts(road.schedule, conditions, vehicle)
        cabin_wh_per_km = cabin_w[choice[3]] * road.seconds_per_km / JOULES_PER_WATT_HOUR
        return np.vstack([base, cabin_wh_per_km])

    subsets = np.arange(2**4)
    road, weather, load, cabin = shapley(np.stack([predicted(*(s >> np.arange(4) & 1)) for s in subsets]), 4)
    return (
        ("speed", road[0] + road[3], "air, rolling and base load at the speeds driven, stops included"),
        ("driving", road[1], "speeding up, braking, and what regen gives back"),
        ("hills", road[2], "climbs, descents and what braking on them costs"),
        ("weather", weather.sum(axis=0), "air density, wind, temperature of tires and pack"),
        ("load", load.sum(axis=0), "payload noted"),
        ("heating and cooling", cabin.sum(axis=0), "logged" if _is_logged(first, second) else "by ambient temperature"),
    )


def _road_parts(schedule: Schedule, conditions: Conditions, vehicle: _Vehicles) -> FloatArray:
    """Consumption of a road split into steady speed, driving and hills, shape (3, n). [Wh/km]"""
    level = vehicle.over(replace(schedule, elevation_m=None), conditions)
    whole = level if schedule.elevation_m is None else vehicle.over(schedule, conditions)
    steady = vehicle.road_wh_per_km(level) + level.auxiliary_wh_per_km + level.cabin_climate_wh_per_km
    return np.vstack([steady, level.total_wh_per_km - steady, whole.total_wh_per_km - level.total_wh_per_km])


def _is_logged(first: DriveSide, second: DriveSide) -> bool:
    return first.cabin_power_w is not None and second.cabin_power_w is not None


def _cabin_power_w(first: DriveSide, second: DriveSide, vehicle: _Vehicles) -> tuple[FloatArray, FloatArray]:
    """Cabin power of both, shape (n,): as logged where both log it, else by the need at their ambient. [W]"""
    ones = np.ones(vehicle.parameters.shape[0])
    if first.cabin_power_w is not None and second.cabin_power_w is not None:
        return first.cabin_power_w * ones, second.cabin_power_w * ones
    auxiliary, environment = vehicle.build.auxiliary, vehicle.environment

    def needed(side: DriveSide) -> FloatArray:
        ambient_degc = side.conditions.ambient_temperature_degc
        heating = environment.heating_w_per_k * ones * max(0.0, auxiliary.comfort_low_degc - ambient_degc)
        cooling = environment.cooling_w_per_k * ones * max(0.0, ambient_degc - auxiliary.comfort_high_degc)
        limited = np.minimum(heating, auxiliary.heater_limit_w)
        return np.asarray(limited + np.minimum(cooling, auxiliary.air_conditioning_limit_w))

    return needed(first), needed(second)


def _spread(effect: FloatArray) -> float:
    return float(np.std(effect[1:], ddof=1))


def _difference(one: DriveSide, other: DriveSide) -> Figure:
    """Second less first; the gains of the sensors err alike in both, all else by itself."""
    first, second = one.measured, other.measured
    if isinstance(first, Refusal):
        return first
    if isinstance(second, Refusal):
        return second
    sigma = None
    if first.sigma is not None and second.sigma is not None:
        gains = one.gain_wh_per_km, other.gain_wh_per_km
        alone = first.sigma**2 + second.sigma**2 - gains[0] ** 2 - gains[1] ** 2
        sigma = float(np.sqrt(max(alone, 0.0) + (gains[1] - gains[0]) ** 2))
    return Estimate(second.value - first.value, "Wh/km", sigma, "measured")


def _remainder(difference: Figure, explained: float, sigma: float) -> Figure:
    if isinstance(difference, Refusal):
        return difference
    total = None if difference.sigma is None else float(np.hypot(difference.sigma, sigma))
    return Estimate(difference.value - explained, "Wh/km", total, "measured less model")


def _facts(first: DriveSide, second: DriveSide, cabin_w: Sequence[float]) -> tuple[DifferenceFact, ...]:
    rows: list[tuple[str, str, Callable[[DriveSide], float]]] = [
        ("distance", "m", lambda side: side.schedule.distance_m),
        ("mean speed", "m/s", lambda side: side.schedule.mean_speed_m_per_s),
        ("fastest 5 % of the way above", "m/s", lambda side: side.schedule.speed_at_share_m_per_s(0.95)),
        ("stops", "1/km", _stops_per_km),
        ("climb", "m/km", _climb_m_per_km),
        ("net rise", "m", _net_rise_m),
        ("ambient", "degC", lambda side: side.conditions.ambient_temperature_degc),
        ("air density", "kg/m3", _air_density),
        ("payload", "kg", lambda side: side.conditions.payload_kg),
    ]
    facts = [DifferenceFact(name=name, unit=unit, first=of(first), second=of(second)) for name, unit, of in rows]
    cabin = DifferenceFact(name="heating and cooling", unit="W", first=cabin_w[0], second=cabin_w[1])
    return (*facts, cabin)


def _stops_per_km(side: DriveSide) -> float:
    still = side.schedule.speed_m_per_s <= 0.0
    return float(np.sum(still[1:] & ~still[:-1])) / side.schedule.distance_m * 1000.0


def _climb_m_per_km(side: DriveSide) -> float:
    if side.schedule.elevation_m is None:
        return float("nan")
    return float(np.maximum(np.diff(side.schedule.elevation_m), 0.0).sum()) / side.schedule.distance_m * 1000.0


def _net_rise_m(side: DriveSide) -> float:
    height_m = side.schedule.elevation_m
    return float("nan") if height_m is None else float(height_m[-1] - height_m[0])


def _air_density(side: DriveSide) -> float:
    conditions = side.conditions
    return float(
        air_density_kg_per_m3(
            conditions.ambient_temperature_degc,
            pressure_pa=conditions.pressure_pa,
            relative_humidity_ratio=conditions.relative_humidity_ratio,
        )
    )
