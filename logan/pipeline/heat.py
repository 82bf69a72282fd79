"""The use case "will it hold on the pass?": what drives taught of heat, roads not driven yet, and gearings."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from logan.admission.admit import admitted
from logan.drive_library.repository import DriveLibrary
from logan.driving_range.holding import road_vehicle_of
from logan.driving_range.other_values import learned_other_values
from logan.driving_range.performance import GearingSheet
from logan.driving_range.scenarios import PreparedScenario
from logan.errors import ConfigurationError, NotEnoughDataError
from logan.heat.fit import HeatModel, fit_heat, judged
from logan.heat.forecast import HeatRoad, PartForecast
from logan.heat.road import RoadHeat, launch_road, road_heat
from logan.heat.series import HeatSeries, RoadVehicle, heat_series
from logan.metrics.cautions import Flow, advice_for
from logan.model.fit_result import FitResult
from logan.model.parameters import environment_of
from logan.model.priors import prior_of
from logan.physics.air import air_density_kg_per_m3, standard_pressure_pa
from logan.pipeline.builds import BuildFolder, open_library
from logan.pipeline.plan import make_gearing_sheet, prepare_build
from logan.pipeline.predict import with_scenario
from logan.pipeline.refine import learned_fit
from logan.pipeline.stored import load_corrected
from logan.report.sections.heat import heat_blocks
from logan.results import Refusal, Told, silent
from logan.settings import BuildSettings, LimitSide, ScenarioKind
from logan.units import STANDARD_PRESSURE_PA
from logan.units.quantities import parse_quantity
from logan.units.sentences import measure

__all__ = ["RoadHeat", "heat_blocks", "heat_on_road", "learn_heat", "usual_roads"]

LONGEST_S: Final = 3 * 3600.0
"""A road is cut here: by then all but the cells have settled. [s]"""

MOST_ROUTES: Final = 2
TRAILER: Final = {"payload": "3000 lb", "drag_area_factor": "1.6"}
"""A travel trailer as ordinary as they are (common practice)."""


def learn_heat(
    library: DriveLibrary,
    build: BuildSettings,
    vehicle: RoadVehicle,
    *,
    told: Told = silent,
    is_judged: bool = False,
) -> HeatModel:
    """Fit the thermal network to the stored drives.

    Parameters
    ----------
    library, build : DriveLibrary, BuildSettings
        Drives and settings.
    vehicle : RoadVehicle
        Turns roads into torque; see ``vehicle_of``.
    told : callable, optional
        Given words on what is being done.
    is_judged : bool
        Also forecast each drive by the others.

    Raises
    ------
    NotEnoughDataError
        If no drive carries temperatures and speed; the reasons are named.
    """
    series, reasons = list[HeatSeries](), list[str]()
    for record in library.drives():
        kept_out = record.summary.admission.refused("thermal")
        if record.damage or record.is_excluded or kept_out is not None:
            reasons.append(f"drive {record.number}: {kept_out.reason if kept_out else 'damaged or excluded'}")
            continue
        told(f"heat of drive {record.number}")
        drive = admitted(load_corrected(library, record.number, build), record.summary.admission, "thermal")
        found = heat_series(drive, vehicle, motors=build.powertrain.motor.count)
        if isinstance(found, Refusal):
            reasons.append(f"drive {record.number}: {found.reason}")
        else:
            series.append(found)
    if not series:
        raise NotEnoughDataError(
            f"no drive teaches the heat ({'; '.join(reasons) or 'none is imported'})",
            "Log motor, inverter and coolant temperature with the speed",
        )
    model = fit_heat(series, build, total_ratio=vehicle.total_ratio)
    return judged(model, series, build) if is_judged else model


def heat_on_road(
    folder: BuildFolder,
    scenario: dict[str, object],
    rng: np.random.Generator,
    *,
    length: str = "",
    launches: int = 0,
    charge: str = "",
    told: Told = silent,
) -> RoadHeat:
    """Temperatures, chances and arrival charge on a road that was not driven yet.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    scenario : dict
        Keys of a ``[[scenario]]`` table: route, or speed and grade; payload, ambient, ...
    rng : numpy.random.Generator
        Of the samples.
    length : str
        Of a steady climb, with its unit; without it an hour is driven.
    launches : int
        Repeated launches instead of a road.
    charge : str
        State of charge at the start; the top of the usable window where left out.
    told : callable, optional
        Given words on what is being done.

    Raises
    ------
    NotEnoughDataError, ConfigurationError
        If no drive teaches the heat, or the scenario cannot be read.
    """
    build = folder.settings()
    fit = learned_fit(folder, told=told)
    with open_library(folder.path) as library:
        model = learn_heat(library, build, vehicle_of(build, fit), told=told, is_judged=True)
    return _on_road(folder, fit, model, scenario, rng, length=length, launches=launches, charge=charge)


def usual_roads(
    folder: BuildFolder, fit: FitResult | None, model: HeatModel, rng: np.random.Generator
) -> tuple[RoadHeat, ...]:
    """Heat on the build's own routes; on a standard climb where it has none, in summer with a trailer, and of launches.

    Parameters
    ----------
    folder, fit, model : BuildFolder, FitResult or None, HeatModel
        The build, and what its drives taught.
    rng : numpy.random.Generator
        Of the samples.
    """
    build = folder.settings()
    summer = {"ambient": f"{build.limits.design_ambient_degc} °C"}
    routes = [one.name for one in build.scenarios if one.kind is ScenarioKind.ROUTE][:MOST_ROUTES]
    mile, climb = measure(10, "mi"), {"grade": "6 %", **summer}
    asked: list[tuple[dict[str, object], str, int]] = [({"name": name}, "", 0) for name in routes] or [
        ({"name": f"6 % for {mile} at {measure(55, 'mph')}", "speed": "55 mph", **climb}, "10 mi", 0)
    ]
    towing = f"6 % for {mile} at {measure(45, 'mph')} with a trailer"
    asked.append(({"name": towing, "speed": "45 mph", **TRAILER, **climb}, "10 mi", 0))
    asked.append(({"name": "three hard launches", **summer}, "", 3))
    return tuple(
        _on_road(folder, fit, model, one, rng, length=length, launches=launches) for one, length, launches in asked
    )


def _on_road(
    folder: BuildFolder,
    fit: FitResult | None,
    model: HeatModel,
    scenario: dict[str, object],
    rng: np.random.Generator,
    *,
    length: str = "",
    launches: int = 0,
    charge: str = "",
) -> RoadHeat:
    build, asked = folder.settings(), dict(scenario)
    distribution, vehicle = prior_of(build) if fit is None else fit.posterior, vehicle_of(build, fit)
    if launches:
        asked.setdefault("speed", "60 mph")
    prepared, _ = prepare_build(with_scenario(asked, folder.path, build) if len(asked) > 1 else build)
    found = next(one for one in prepared if one.name == asked["name"])
    road = _road(found, _quantity(length, "meter", "10 mi", "length"))
    if launches:
        speed = launch_road(build, vehicle, launches)
        road = replace(road, speed_m_per_s=speed, grade_ratio=np.zeros(speed.size), is_all_out=True)
    begun = _quantity(charge, "", "80 %", "charge")
    road = replace(road, start_charge_ratio=build.pack.usable_high_ratio if begun is None else begun)
    answer = road_heat(str(asked["name"]), road, model, vehicle, build, lambda k: distribution.sample(k, rng), rng)
    way = ("this is the way out; what the way back adds is not reckoned",) if found.one_way_ratio < 1.0 else ()
    return replace(answer, notes=(*way, *answer.notes, *red_notes(answer.forecast.parts)))


def red_notes(parts: Iterable[PartForecast]) -> tuple[str, ...]:
    """What to do at red, of the parts that may come to it; what serves several is said once."""
    rules: dict[str, list[str]] = {}
    for part in parts:
        if part.may_reach_red:
            rules.setdefault(advice_for(part.channel, LimitSide.ABOVE, Flow.DRIVE).live.rstrip("."), []).append(
                part.part
            )
    return tuple(f"at red on the road ({', '.join(names)}): {rule}" for rule, names in rules.items())


def _quantity(text: str, unit: str, example: str, what: str) -> float | None:
    """A quantity as typed; None where nothing was."""
    if not text:
        return None
    try:
        return parse_quantity(text, unit, example).value
    except ValueError as error:
        raise ConfigurationError(f"--{what}: {error}", f"Write it such as {example}") from None


def vehicle_of(build: BuildSettings, fit: FitResult | None) -> RoadVehicle:
    """What turns a road into torque and pack power, by the fit where there is one, else by the plan."""
    if fit is None:
        return road_vehicle_of(build, prior_of(build).median, environment_of(build))
    return road_vehicle_of(build, fit.posterior.median, learned_other_values(build, fit.learned).environment)


def _road(prepared: PreparedScenario, length_m: float | None) -> HeatRoad:
    """The first schedule of a scenario, once a second."""
    part = prepared.parts[0]
    schedule, conditions = part.schedule, part.conditions
    if prepared.scenario.kind is ScenarioKind.MIX:
        raise ConfigurationError("a mix of scenarios is no road", "Ask for a route, a speed with a grade, or a cycle")
    scenario, duration_s = prepared.scenario, min(schedule.duration_s, LONGEST_S)
    if length_m is not None and scenario.speed_m_per_s:
        duration_s = min(length_m / scenario.speed_m_per_s, LONGEST_S)
        time_s = np.arange(int(duration_s) + 1, dtype=np.float64)
        speed = np.full(time_s.size, scenario.speed_m_per_s)
        grade = np.full(time_s.size, scenario.grade_ratio)
    else:
        time_s = schedule.time_s[0] + np.arange(int(duration_s) + 1, dtype=np.float64)
        speed = np.interp(time_s, schedule.time_s, schedule.speed_m_per_s)
        grade = np.zeros(time_s.size)
        if schedule.elevation_m is not None:
            height = np.interp(time_s, schedule.time_s, schedule.elevation_m)
            travelled = np.cumsum(speed)
            at = np.interp(travelled + 50.0, travelled, height) - np.interp(travelled - 50.0, travelled, height)
            run = np.minimum(travelled + 50.0, travelled[-1]) - np.maximum(travelled - 50.0, travelled[0])
            grade = np.clip(at / np.maximum(run, 20.0), -0.3, 0.3)
    pressure = conditions.pressure_pa
    if schedule.elevation_m is not None and pressure == STANDARD_PRESSURE_PA:
        pressure = float(np.mean(standard_pressure_pa(schedule.elevation_m)))
    density = air_density_kg_per_m3(conditions.ambient_temperature_degc, pressure, conditions.relative_humidity_ratio)
    return HeatRoad(
        speed_m_per_s=speed,
        grade_ratio=grade,
        ambient_degc=conditions.ambient_temperature_degc,
        density_kg_per_m3=density,
        headwind_m_per_s=conditions.headwind_m_per_s,
        payload_kg=conditions.payload_kg,
        drag_factor=conditions.drag_area_factor,
        rolling_factor=conditions.rolling_factor,
    )


def gearing_of_build(folder: BuildFolder, *, is_planned: bool = False, told: Told = silent) -> GearingSheet:
    """Compare the reductions of a build, by what its drives taught where there are any.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    is_planned : bool
        By the plan alone.
    told : callable, optional
        Given words on what is being done.

    Returns
    -------
    GearingSheet
        One entry per chain; mass, road load and losses are those of the fit, and what is held for
        ever is that of the thermal network, where the drives teach it.
    """
    build = folder.settings()
    if is_planned or not folder.library.is_dir():
        return make_gearing_sheet(build)
    fit = learned_fit(folder, told=told)
    with open_library(folder.path) as library:
        return make_gearing_sheet(build, fit, heat=learned_heat(library, build, fit, told=told))


def learned_heat(
    library: DriveLibrary,
    build: BuildSettings,
    fit: FitResult | None,
    *,
    told: Told = silent,
) -> HeatModel | None:
    """What the drives taught of heat; None where they taught nothing.

    Parameters
    ----------
    library, build : DriveLibrary, BuildSettings
        Drives and settings.
    fit : FitResult or None
        Turns roads into torque; the plan where there is none.
    told : callable, optional
        Given words on what is being done.
    """
    try:
        return learn_heat(library, build, vehicle_of(build, fit), told=told)
    except NotEnoughDataError:
        return None
