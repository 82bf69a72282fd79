"""Scenarios made ready: schedules, conditions and shares; and how far each lies outside what was driven."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from logan.errors import ConfigurationError
from logan.model.breakdown import ConsumptionBreakdown
from logan.model.fit_result import DrivenHull
from logan.model.forward import consumption, consumption_wh_per_km
from logan.model.parameters import PARAMETER_NAMES, Conditions, Environment, conditions_of_scenario
from logan.model.schedule import Replay, Schedule, steady_schedule
from logan.physics.air import standard_elevation_m, standard_pressure_pa
from logan.settings import BuildSettings, Scenario, ScenarioKind
from logan.units import FloatArray
from logan.units.sentences import measure
from logan.wording import percent

DrivenRoad = Callable[[Scenario], Schedule | Replay]
"""Finds what a cycle, a route or a recorded drive consists of."""

_WEATHER_AND_LOAD = (
    "ambient_temperature_degc",
    "pressure_pa",
    "relative_humidity_ratio",
    "payload_kg",
    "headwind_m_per_s",
    "drag_area_factor",
    "rolling_factor",
    "cabin_climate",
    "warm_start",
)

_AT_HOME = (ScenarioKind.STEADY, ScenarioKind.CYCLE)
"""Neither with heights of its own, nor with air that was recorded, nor made of others."""

_DEFAULTS = {field.name: field.default for field in fields(Scenario)}

ROAD_COLUMNS: Final = [PARAMETER_NAMES.index(name) for name in ("drag_area_m2", "rolling_coefficient")]
"""Columns of the parameters that a day's level and wind move together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScenarioPart:
    """One schedule of a scenario, its conditions, its share of the distance, and whether it is driven back as well."""

    schedule: Schedule
    conditions: Conditions
    share_ratio: float = 1.0
    is_round_trip: bool = False
    is_way_back: bool = False

    def ways(self) -> tuple[ScenarioPart, ...]:
        """The road as it is; of a round trip the way out and the way back, half of the distance each."""
        if not self.is_round_trip:
            return (self,)
        out, road, air = replace(self, share_ratio=0.5 * self.share_ratio), self.schedule, self.conditions
        back = replace(air, headwind_m_per_s=-air.headwind_m_per_s)
        turned = road if road.elevation_m is None and road.heading_deg is None else road.backwards
        return out, replace(out, schedule=turned, conditions=back, is_way_back=True)

    def in_wind(self, wind_m_per_s: float) -> ScenarioPart:
        """With so much more against the way out, and behind one on the way back."""
        head = -wind_m_per_s if self.is_way_back else wind_m_per_s
        air = replace(self.conditions, headwind_m_per_s=self.conditions.headwind_m_per_s + head)
        return replace(self, conditions=air)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedScenario:
    """A scenario with everything that was on disk already read.

    Parameters
    ----------
    scenario : Scenario
        As the build names it.
    parts : tuple of ScenarioPart
        Shares add up to one.
    """

    scenario: Scenario
    parts: tuple[ScenarioPart, ...]

    @property
    def name(self) -> str:
        """The user's name for it."""
        return self.scenario.name

    @property
    def mean_speed_m_per_s(self) -> float:
        """Distance over time, stops included. [m/s]"""
        return 1.0 / sum(part.share_ratio / part.schedule.mean_speed_m_per_s for part in self.parts)

    @property
    def speed_span_m_per_s(self) -> tuple[float, float]:
        """Typical speed of the slowest part, and a speed that the fastest part rarely passes. [m/s]"""
        slow = min(part.schedule.speed_at_share_m_per_s(0.50) for part in self.parts)
        fast = max(part.schedule.speed_at_share_m_per_s(0.95) for part in self.parts)
        return slow, fast

    @property
    def one_way_ratio(self) -> float:
        """Share of the distance that is not driven back, and so pays for its wind. [ratio]"""
        return sum(part.share_ratio for part in self.parts if not part.is_round_trip)

    @property
    def way(self) -> str:
        """In words; empty where it is driven one way."""
        share = "" if self.one_way_ratio <= 0.0 else f" for {percent(1.0 - self.one_way_ratio)} of the way"
        return f"round trip{share}" if self.one_way_ratio < 1.0 else ""


def prepare_scenarios(scenarios: Sequence[Scenario], schedule_of: DrivenRoad) -> tuple[PreparedScenario, ...]:
    """Find the schedules of all scenarios; a mix takes those of the scenarios that it names.

    Parameters
    ----------
    scenarios : sequence of Scenario
        All scenarios of a build.
    schedule_of : callable
        Reads the schedule of a cycle or a route, or a recorded drive with its conditions.

    Returns
    -------
    tuple of PreparedScenario
        In the same order.

    Raises
    ------
    ConfigurationError
        If a mix names a scenario that is not there, or itself, or shares that are not above zero.
    """
    by_name = {scenario.name: scenario for scenario in scenarios}
    return tuple(
        PreparedScenario(
            scenario=scenario,
            parts=tuple(way for part in _parts(scenario, by_name, schedule_of, ()) for way in part.ways()),
        )
        for scenario in scenarios
    )


def _parts(
    scenario: Scenario, by_name: Mapping[str, Scenario], schedule_of: DrivenRoad, within: tuple[str, ...]
) -> tuple[ScenarioPart, ...]:
    if scenario.kind is not ScenarioKind.MIX:
        return (replace(_single(scenario, schedule_of), is_round_trip=scenario.round_trip),)
    place = f"scenario '{scenario.name}'"
    if scenario.name in within:
        raise ConfigurationError(f"{place} is part of itself", "Take it out of its own parts")
    if not scenario.parts or any(share <= 0 for share in scenario.parts.values()):
        raise ConfigurationError(f"{place} needs parts with shares above zero", "Such as {city = 0.55, highway = 0.45}")
    total = sum(scenario.parts.values())
    found: list[ScenarioPart] = []
    for name, share in scenario.parts.items():
        if name not in by_name:
            known = ", ".join(sorted(by_name))
            raise ConfigurationError(f"{place} names an unknown scenario '{name}'", f"Name one of: {known}")
        found.extend(
            ScenarioPart(
                schedule=part.schedule,
                conditions=_overridden(part.conditions, scenario),
                share_ratio=part.share_ratio * share / total,
                is_round_trip=part.is_round_trip or scenario.round_trip,
            )
            for part in _parts(by_name[name], by_name, schedule_of, (*within, scenario.name))
        )
    return tuple(found)


def _single(scenario: Scenario, schedule_of: DrivenRoad) -> ScenarioPart:
    if scenario.kind is ScenarioKind.STEADY:
        if scenario.speed_m_per_s is None or scenario.speed_m_per_s <= 0:
            raise ConfigurationError(f"scenario '{scenario.name}' needs a speed above zero", "Give its speed")
        steady = steady_schedule(scenario.speed_m_per_s, grade_ratio=scenario.grade_ratio, name=scenario.name)
        return ScenarioPart(schedule=steady, conditions=conditions_of_scenario(scenario))
    found = schedule_of(scenario)
    if isinstance(found, Schedule):
        conditions = conditions_of_scenario(scenario)
        if found.elevation_m is not None and scenario.pressure_pa == _DEFAULTS["pressure_pa"]:
            # Air is thinner on a pass; the standard atmosphere says by how much where nobody measured.
            conditions = replace(conditions, pressure_pa=float(np.mean(standard_pressure_pa(found.elevation_m))))
        return ScenarioPart(schedule=found, conditions=conditions)
    return ScenarioPart(schedule=found.schedule, conditions=_driven_again(found.conditions, scenario))


def _driven_again(recorded: Conditions, scenario: Scenario) -> Conditions:
    """Conditions of a recorded drive with the scenario's own in their place, and its payload on top."""
    conditions = _overridden(recorded, scenario)
    payload_kg = recorded.payload_kg + scenario.payload_kg
    changed = scenario.ambient_temperature_degc != _DEFAULTS["ambient_temperature_degc"]
    # What was measured at another temperature says nothing about heating or the cells at this one.
    return replace(
        conditions,
        payload_kg=payload_kg,
        state_of_charge_ratio=None,
        auxiliary_power_w=None if changed else conditions.auxiliary_power_w,
        pack_temperature_degc=None
        if changed and scenario.cell_temperature_degc is None
        else conditions.pack_temperature_degc,
    )


def _overridden(conditions: Conditions, scenario: Scenario) -> Conditions:
    """Conditions with whatever the scenario itself asks for in their place."""
    asked = {name: getattr(scenario, name) for name in _WEATHER_AND_LOAD if getattr(scenario, name) != _DEFAULTS[name]}
    if scenario.cell_temperature_degc is not None:
        asked["pack_temperature_degc"] = scenario.cell_temperature_degc
    return replace(conditions, **asked)


def in_the_air_of(build: BuildSettings, driven_pa: float | None) -> BuildSettings:
    """The build with its scenarios in the air that the drives had, where nobody gave an altitude or a pressure."""
    if driven_pa is None or build.home_pressure_pa is not None:
        return build
    scenarios = (
        replace(one, pressure_pa=driven_pa) if one.kind in _AT_HOME and _is_airless(one) else one
        for one in build.scenarios
    )
    return replace(build, scenarios=tuple(scenarios))


def _is_airless(scenario: Scenario) -> bool:
    return bool(scenario.pressure_pa == _DEFAULTS["pressure_pa"])


def air_note(build: BuildSettings, driven_pa: float | None = None) -> str:
    """Say which air the scenarios are in where nobody gave an altitude; empty where it is given or makes no odds."""
    if build.home_pressure_pa is not None or not any(map(_is_airless, build.scenarios)):
        return ""
    if driven_pa is None:
        return "air as at sea level where no altitude is given; thinner air takes less: altitude in [build]"
    height = measure(float(standard_elevation_m(driven_pa)), "m")
    return f"air as the drives had it, that of {height}, where no altitude is given: altitude in [build] says otherwise"


def scenario_consumption_wh_per_km(
    prepared: PreparedScenario, parameters: FloatArray, build: BuildSettings, *, environment: Environment | None = None
) -> FloatArray:
    """Net consumption of a scenario for each parameter sample.

    Parameters
    ----------
    prepared : PreparedScenario
        The scenario.
    parameters : ndarray, shape (n, 6)
        In ``PARAMETER_NAMES`` order.
    build, environment
        As in ``consumption``.

    Returns
    -------
    ndarray, shape (n,)
        Weighed by share of distance. [Wh/km]
    """
    total = np.zeros(np.atleast_2d(parameters).shape[0])
    for part in prepared.parts:
        total += part.share_ratio * consumption_wh_per_km(
            part.schedule, part.conditions, parameters, build, environment=environment
        )
    return total


def wind_slope(prepared: PreparedScenario, median: FloatArray, build: BuildSettings, environment: Environment) -> float:
    """What a day's wind along the road does to a scenario's consumption; nothing where the road is driven back.

    Method: plan (3a).

    Parameters
    ----------
    prepared : PreparedScenario
        The scenario; its road is taken as straight.
    median : ndarray, shape (1, 6)
        In ``PARAMETER_NAMES`` order.
    build, environment
        As in ``consumption``.

    Returns
    -------
    float
        [Wh/km per m/s]
    """
    windy = (tuple(part.in_wind(wind) for part in prepared.parts) for wind in (1.0, -1.0))
    ways = (replace(prepared, parts=parts) for parts in windy)
    against, behind = (scenario_consumption_wh_per_km(way, median, build, environment=environment) for way in ways)
    return 0.5 * float(against[0] - behind[0])


def scenario_breakdown(
    prepared: PreparedScenario, parameters: FloatArray, build: BuildSettings, *, environment: Environment | None = None
) -> ConsumptionBreakdown:
    """Consumption of a scenario by cause, for each parameter sample; arguments as in ``consumption``.

    Returns
    -------
    ConsumptionBreakdown
        Weighed by share of distance; its distance and duration are those of one kilometre. [Wh/km]
    """
    parts = [
        (part.share_ratio, consumption(part.schedule, part.conditions, parameters, build, environment=environment))
        for part in prepared.parts
    ]
    content: dict[str, FloatArray] = {}
    for field in fields(ConsumptionBreakdown):
        if field.name.endswith("_wh_per_km"):
            content[field.name] = np.asarray(sum(share * getattr(found, field.name) for share, found in parts))
    seconds_per_km = sum(share * 1000.0 * found.duration_s / found.distance_m for share, found in parts)
    return ConsumptionBreakdown(**content, distance_m=1000.0, duration_s=seconds_per_km)


SPEED_SIGMA_PER_M_PER_S: Final = 0.006
TEMPERATURE_SIGMA_PER_K: Final = 0.005
"""Relative uncertainty added per m/s and per kelvin beyond what was driven (common practice)."""

SPEED_TOLERANCE_M_PER_S: Final = 1.5
TEMPERATURE_TOLERANCE_K: Final = 3.0
"""How far beyond still counts as driven."""


@dataclass(frozen=True, slots=True)
class Extrapolation:
    """Added uncertainty of a scenario outside the driven hull.

    Parameters
    ----------
    log_sigma : float
        Relative standard uncertainty added to the consumption. [ratio]
    speed_beyond_m_per_s, temperature_beyond_k : float
        Distance outside; positive above, negative below, zero inside. [m/s, K]
    """

    log_sigma: float
    speed_beyond_m_per_s: float
    temperature_beyond_k: float

    @property
    def is_extrapolated(self) -> bool:
        """True when speed or temperature lies beyond what was driven."""
        return self.log_sigma > 0


def extrapolation_of(
    driven: DrivenHull | None, speed_span_m_per_s: tuple[float, float], ambient_temperature_degc: float
) -> Extrapolation:
    """How far a scenario lies outside the driven hull.

    Parameters
    ----------
    driven : DrivenHull or None
        None before any drive: a plan carries its own uncertainty, nothing is added.
    speed_span_m_per_s : tuple of float
        Typical speed of the scenario's slowest part, and a speed that its fastest rarely passes. [m/s]
    ambient_temperature_degc : float
        Ambient of the scenario. [degC]

    Returns
    -------
    Extrapolation
        Zero inside.
    """
    if driven is None:
        return Extrapolation(0.0, 0.0, 0.0)
    low, high = speed_span_m_per_s
    speed = _beyond((low, high), driven.speed_low_m_per_s, driven.speed_high_m_per_s, SPEED_TOLERANCE_M_PER_S)
    temperature = _beyond(
        (ambient_temperature_degc, ambient_temperature_degc),
        driven.temperature_low_degc,
        driven.temperature_high_degc,
        TEMPERATURE_TOLERANCE_K,
    )
    sigma = float(np.hypot(SPEED_SIGMA_PER_M_PER_S * speed, TEMPERATURE_SIGMA_PER_K * temperature))
    return Extrapolation(sigma, speed, temperature)


def _beyond(span: tuple[float, float], low: float, high: float, tolerance: float) -> float:
    """Signed distance of a span outside [low, high]; the larger one where both ends stick out."""
    above, below = span[1] - high, low - span[0]
    if max(above, below) <= tolerance:
        return 0.0
    return above if above >= below else -below
