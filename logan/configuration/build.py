"""Read ``build.toml`` into settings, with every problem in one message."""

import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from logan.channels.vocabulary import channel_kind, is_switch
from logan.configuration.coherence import coherence_problems, impossible_together, scenario_problems
from logan.configuration.declared import Given, Quantity, read_table
from logan.configuration.keys import BUILD_FILE, LIMITS, SCENARIO
from logan.configuration.problems import load, refusal, template
from logan.configuration.road_load import road_load_of, rolling_circumference_m
from logan.errors import ConfigurationError
from logan.instrument_settings import InstrumentSettings, SensorError
from logan.instruments.drive_evidence import CURRENT_SENSOR_SIGMAS, SPEED_SENSOR_SIGMA_RATIO
from logan.model import certified, priors
from logan.physics.air import standard_pressure_pa
from logan.physics.tyre import WET_ROAD_FACTOR
from logan.settings import (
    TYPICAL_SOURCE,
    AuxiliarySettings,
    BuildSettings,
    Conductor,
    DurationCurve,
    GearingChoice,
    Limit,
    LimitSheet,
    LimitSide,
    MotorSettings,
    PackSettings,
    PlanningValue,
    PowertrainSettings,
    Reduction,
    Scenario,
    ScenarioKind,
    Target,
    VehicleSettings,
)
from logan.units import STANDARD_PRESSURE_PA, DisplayUnits
from logan.units.quantities import wire_gauge
from logan.units.sentences import measure

_TIRE_ODD_RATIO = 0.1
"""Load, wear and pressure move a tire's rolling circumference by some 3 % (common practice); this is another tire."""


def read_build(path: Path) -> BuildSettings:
    """Read and check a build's settings.

    Parameters
    ----------
    path : Path
        ``build.toml``, or the folder it is in.

    Returns
    -------
    BuildSettings
        In SI, with a typical value and its source wherever the user gave none.

    Raises
    ------
    ConfigurationError
        With every problem found, each with its key's path and what is allowed.
    """
    content, path = _checked(path)
    settings = _settings(content, path)
    if impossible := impossible_together(settings):
        raise refusal(path, impossible)
    return settings


def certificate_entries(path: Path) -> Mapping[str, str]:
    """``[certificate]`` as the builder entered it; it takes no part in any figure, so it is no setting of a build.

    Tires are those of ``[vehicle]`` where the certificate names none.

    Raises
    ------
    ConfigurationError
        With every problem found.
    """
    content = _checked(path)[0]
    entered = content["certificate"]
    found = {key.name: entered[key.name] or "" for key in entered.table.keys}
    return found | {"tires": found["tires"] or content["vehicle"]["tire"]}


def _checked(path: Path) -> tuple[Given, Path]:
    if path.is_dir():
        path = path / "build.toml"
    raw = load(path)
    problems: list[str] = []
    content = read_table(raw, BUILD_FILE, "", problems)
    problems += [*coherence_problems(raw), *limit_problems(content["limits"])]
    if problems:
        raise refusal(path, tuple(dict.fromkeys(problems)))
    return content, path


def _settings(content: Given, path: Path) -> BuildSettings:
    folder, build, home_pa = path.parent, content["build"], _home_pa(content["build"])
    return BuildSettings(
        **build.typed(BuildSettings)
        | {
            "dbc_paths": tuple(folder / name for name in build["dbc"]),
            "dbc_by_bus": {bus: tuple(folder / name for name in names) for bus, names in build["dbc_by_bus"].items()},
        },
        vehicle=_vehicle(content["vehicle"], path),
        powertrain=_powertrain(content),
        pack=_pack(content["pack"]),
        auxiliary=_auxiliary(content["auxiliary"]),
        limits=limit_sheet(content["limits"]),
        scenarios=tuple(_scenario(given, path, home_pa) for given in content["scenario"]),
        home_pressure_pa=home_pa,
        target=Target(**content["target"].typed(Target)),
        display=DisplayUnits.parse(build["units"]),
        instruments=_instruments(content["instruments"]),
    )


def _vehicle(given: Given, path: Path) -> VehicleSettings:
    typed = given.typed(VehicleSettings)
    told, size = given["tire_rolling_circumference"], given["tire"]
    metres = rolling_circumference_m(size) if size else 0.0
    if told is not None and size and abs(told.value / metres - 1.0) > _TIRE_ODD_RATIO:
        given_words, tire_words = (f"{one:.3g} m ({one / 0.0254:.1f} in)" for one in (told.value, metres))
        wrong = f"{given_words}, and a tire {size} rolls about {tire_words} a turn; correct one of them"
        raise refusal(path, (f"vehicle.tire_rolling_circumference: {wrong}",))
    if told is None:
        source = f"tire size {given['tire']} (ETRTO, from memory)"
        typed["tyre_rolling_circumference_m"] = PlanningValue(metres, 0.015 * metres, source)
    load = road_load_of(given, typed["rolling_temperature_coefficient_per_k"].value)
    if load.problems:
        raise refusal(path, load.problems)
    typed |= {"drag_area_m2": load.drag_area_m2, "rolling_coefficient": load.rolling_coefficient}
    return VehicleSettings(**typed, linear_road_load_n_s_per_m=load.linear_n_s_per_m)


def _gearing(given: Given) -> GearingChoice:
    reductions = tuple(Reduction(name=name, ratio=ratio) for name, ratio in given["reductions"].items())
    return GearingChoice(name=given["name"], reductions=reductions)


def _powertrain(content: Given) -> PowertrainSettings:
    given, gearing = content["powertrain"], content["gearing"]
    kept = [
        factor
        for factor, has in ((priors.KEPT_AXLE, given["kept_axle"]), (priors.TRANSFER_CASE, given["transfer_case"]))
        if has
    ]
    # A given efficiency is that of the vehicle, whatever it keeps; only the list's knows no old axle.
    regen = certified.REGEN[content["vehicle"]["driven_wheels"]]
    efficiencies = {
        "drive_efficiency": given.planned("drive_efficiency", priors.corrected(certified.DRIVE, *kept)),
        "regen_efficiency": given.planned("regen_efficiency", priors.corrected(regen, *kept)),
    }
    return PowertrainSettings(
        **given.typed(PowertrainSettings) | efficiencies,
        gearing=_gearing(gearing),
        alternatives=tuple(_gearing(choice) for choice in gearing["alternative"]),
        motor=MotorSettings(**content["motor"].typed(MotorSettings)),
    )


def _pack(given: Given) -> PackSettings:
    typed = given.typed(PackSettings)
    low, high = given["usable_window"]
    series, string_ah = given["cells_in_series"], typed["cell_capacity_ah"].value * given["cells_in_parallel"]
    window_wh = series * string_ah * typed["cell_nominal_voltage_v"] * (high - low)
    typical = PlanningValue(window_wh, 0.03 * window_wh, "capacity x nominal voltage x window; 3 %, common practice")
    cell, share = priors.TYPICAL_CELL_RESISTANCE_OHM_AH, series / string_ah
    resistance = PlanningValue(cell.value * share, cell.sigma * share, cell.source)
    return PackSettings(
        **typed
        | {
            "usable_energy_wh": given.planned("usable_energy", typical),
            "resistance_ohm": given.planned("resistance", resistance),
        },
        state_of_charge_points=tuple(share for share, _ in given["open_circuit_voltage"]),
        open_circuit_voltage_points_v=tuple(volts for _, volts in given["open_circuit_voltage"]),
        usable_low_ratio=low,
        usable_high_ratio=high,
        cell_mass_kg_per_wh=1.0 / given["added_cells"].value,
        alternatives=tuple(_pack(choice) for choice in given["alternative"] or ()),
    )


def _auxiliary(given: Given) -> AuxiliarySettings:
    """A fitted heater or air conditioning without a figure gets the typical one."""
    none = PlanningValue(0.0, 0.0, "not fitted")
    heating = priors.TYPICAL_HEATING_W_PER_K if given.value("heater_limit") else none
    cooling = priors.TYPICAL_COOLING_W_PER_K if given.value("air_conditioning_limit") else none
    climate = {
        "heating_w_per_k": given.planned("heating_per_kelvin", heating),
        "cooling_w_per_k": given.planned("cooling_per_kelvin", cooling),
    }
    return AuxiliarySettings(**given.typed(AuxiliarySettings) | climate)


def _instruments(given: Given) -> InstrumentSettings:
    """Each sensor's own datasheet, else its class, else common practice."""
    gain, zero_a = CURRENT_SENSOR_SIGMAS.get(given["current"], (None, None))
    of_class = {
        "current_gain": (gain, given["current"], "current_gain_ratio"),
        "voltage_gain": (None, "", "voltage_gain_ratio"),
        "speed_gain": (SPEED_SENSOR_SIGMA_RATIO.get(given["speed"]), given["speed"], "speed_gain_ratio"),
        "current_zero": (zero_a, given["current"], "current_zero_a"),
        "temperature_offset": (None, "", "temperature_offset_k"),
    }
    errors: dict[str, Any] = {}
    for key, (sigma, name, field) in of_class.items():
        if given[key] is not None:
            errors[field] = SensorError(given[key].value, given.source(key))
        elif sigma is not None:
            errors[field] = SensorError(sigma, f"{name.replace('_', ' ')}, common practice")
    return InstrumentSettings(**errors, is_corrected=given["correct"])


def read_scenario(content: Mapping[str, object], folder: Path, home_pa: float | None = None) -> Scenario:
    """Read one scenario that does not stand in ``build.toml``, with the same keys and checks.

    Parameters
    ----------
    content : mapping
        Keys of a ``[[scenario]]`` table.
    folder : Path
        Where a route's path starts from.
    home_pa : float, optional
        Pressure of the air where the scenario gives none. [Pa]

    Raises
    ------
    ConfigurationError
        With every problem found.
    """
    problems: list[str] = []
    given = read_table(dict(content), SCENARIO, "", problems)
    if problems := [*problems, *scenario_problems(content)]:
        remedy = "Correct it and run the command again"
        raise ConfigurationError("the scenario cannot be used", remedy, problems=tuple(problems))
    return _scenario(given, folder / "build.toml", home_pa)


def _home_pa(build: Given) -> float | None:
    altitude_m = build.value("altitude")
    return None if altitude_m is None else float(standard_pressure_pa(altitude_m))


def _scenario(given: Given, path: Path, home_pa: float | None) -> Scenario:
    """A route has its own heights, a recorded drive its own air, a mix its parts'; anything else is at home."""
    ways = (ScenarioKind.CYCLE, ScenarioKind.MIX, ScenarioKind.ROUTE)
    kind = next(
        (way for way in ways if given[way.value]), ScenarioKind.REPLAY if given["drive"] else ScenarioKind.STEADY
    )
    own_pa = home_pa if kind in (ScenarioKind.STEADY, ScenarioKind.CYCLE) else None
    if given["altitude"] is not None:
        own_pa = _home_pa(given)
    if given["pressure"] is not None:
        own_pa = given.value("pressure")
    typed = given.typed(Scenario)
    if given["wet"]:
        typed["rolling_factor"] = typed.get("rolling_factor", 1.0) * WET_ROAD_FACTOR
    return Scenario(
        **typed,
        kind=kind,
        route=path.parent / given["route"] if given["route"] else None,
        pressure_pa=STANDARD_PRESSURE_PA if own_pa is None else own_pa,
    )


_BELOW_BY_NATURE = (
    "cell_voltage_min",
    "isolation_resistance",
    "auxiliary_voltage",
    "state_of_charge",
    "cell_temperature_min",
)


def limit_problems(given: Given) -> tuple[str, ...]:
    """Return one line per limit whose values cannot be read or contradict each other.

    Parameters
    ----------
    given : Given
        The ``[limits]`` table; what breaks its form is told elsewhere.
    """
    problems = []
    for channel, entry in _entries(given):
        values: dict[str, float] = {}
        for key in ("amber", "red", "derate"):
            try:
                values |= {key: value} if (value := _limit_value(entry[key], channel)) is not None else {}
            except ValueError as error:
                problems.append(f"limits.{channel}.{key}: {error}")
        side = _side(channel, entry)
        if entry["amber"] is None and entry["red"] is None:
            problems.append(f"limits.{channel}: give amber, red or both")
        for key, value in values.items():
            if (values.get("red", value) - value) * (1 if side == "above" else -1) < 0:
                problems.append(f"limits.{channel}: red must lie beyond {key}")
            if wrong := _senseless(channel, side, value):
                problems.append(f"limits.{channel}.{key}: {wrong}")
    return (*problems, *_conductor_problems(given))


def _senseless(channel: str, side: str, value: float) -> str:
    """Why a limit would be crossed always or never; temperatures and places may well be zero or below."""
    kind = channel_kind(channel)
    if kind is None or kind.unit == "degC" or kind.group == "place" or is_switch(kind):
        return ""
    is_negative = side == "below" and kind.low == -kind.high
    if (value < 0.0) if is_negative else (value > 0.0):
        return ""
    why = "nothing falls below it" if side == "below" and not is_negative else "everything is beyond it"
    return f"{why}; give a value {'below' if is_negative else 'above'} 0{', or another side' if kind.low < 0.0 else ''}"


def _conductor_problems(given: Given) -> Iterator[str]:
    for row, conductor in enumerate(given["conductor"], 1):
        start, limit = conductor["start"], conductor["limit"]
        if start is not None and limit is not None and start.value >= limit.value:
            ends = (measure(one.value, "°C", ".4g") for one in (limit, start))
            yield f"limits.conductor[{row}].limit: {' does not lie above start, '.join(ends)}"


def _entries(given: Given) -> Iterator[tuple[str, Given]]:
    for channel, entry in given.values.items():
        if given.table.key(channel) is None:
            yield channel, entry


def _side(channel: str, entry: Given) -> str:
    return entry["side"] or ("below" if channel.rstrip("_0123456789") in _BELOW_BY_NATURE else "above")


def _limit_value(raw: str | float | None, channel: str) -> float | None:
    if raw is None:
        return None
    kind = channel_kind(channel)
    if kind is None:
        return None
    read_in, shown = {"ratio": ("", ""), "degC": ("degC", "°C")}.get(kind.unit, (kind.unit, kind.unit))
    return Quantity(read_in, kind.low, kind.high, f"120 {shown}" if shown else "0.2", shown).read(raw).value


def _limits(given: Given, source: str = "") -> Iterator[Limit]:
    for channel, entry in _entries(given):
        values = {key: _limit_value(entry[key], channel) for key in ("amber", "red", "derate")}
        yield Limit(channel=channel, side=LimitSide(_side(channel, entry)), source=source or entry["source"], **values)


@cache
def typical_limits() -> tuple[Limit, ...]:
    """Limits that are common practice for salvaged parts."""
    given = read_table(tomllib.loads(template("typical_limits.toml")), LIMITS, "limits", [])
    return tuple(_limits(given, TYPICAL_SOURCE))


def limit_sheet(given: Given) -> LimitSheet:
    """Return the limit sheet of a build.

    Raises
    ------
    ValueError
        If a value cannot be read; ``limit_problems`` tells all of them.
    """
    limits = list(_limits(given))
    if given["use_typical"]:
        own = LimitSheet(limits=tuple(limits))
        spoken = {limit.channel: {one.side for one in own.of(limit.channel)} for limit in typical_limits()}
        limits.extend(limit for limit in typical_limits() if limit.side not in spoken[limit.channel])
    return LimitSheet(
        **given.typed(LimitSheet),
        limits=tuple(limits),
        curves=tuple(_curve(curve) for curve in given["curve"]),
        conductors=tuple(_conductor(conductor) for conductor in given["conductor"]),
    )


def _curve(given: Given) -> DurationCurve:
    duration_s, current_a = zip(*given["points"], strict=True)
    return DurationCurve(**given.typed(DurationCurve), duration_s=duration_s, current_a=current_a)


def _conductor(given: Given) -> Conductor:
    area_mm2 = given["area"].value
    gauge = wire_gauge(area_mm2)
    name = f"{given['name']}, {area_mm2:.3g} mm²{f' (about {gauge})' if gauge else ''}"
    return Conductor(**given.typed(Conductor) | {"name": name})
