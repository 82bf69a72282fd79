"""What must fit together in ``build.toml`` beyond single keys.

What only needs the raw tables is checked on the file as written, so that one run tells everything
even where single keys are wrong; what needs values is checked on the settings.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from logan.channels.vocabulary import channel_kind
from logan.configuration.declared import nearest
from logan.settings import BuildSettings, LimitSide, PackSettings
from logan.units import STANDARD_GRAVITY_M_PER_S2, DisplayUnits
from logan.units.sentences import measure

_WAYS = ("speed", "cycle", "mix", "route", "drive")
_SHARES_TOLERANCE = 1e-3
_MOST_OF_NOMINAL = 1.05
"""Cells are often a little better than their datasheet; common practice."""
_LEAST_DEMAND = 0.7
"""Share of the planned power at a steady speed that no vehicle like it can do without."""
_THIN_AIR_KG_PER_M3 = 1.0
_MOST_OF_TOP_SPEED = 1.05
"""Circumferences from a tire's size are that unsure."""


def coherence_problems(raw: Mapping[str, Any]) -> tuple[str, ...]:
    """Return one line per contradiction between keys; keys that are wrong by themselves are passed over."""
    vehicle, build, target = (_table(raw, name) for name in ("vehicle", "build", "target"))
    scenarios = [table for table in _tables(raw.get("scenario")) if isinstance(table.get("name"), str)]
    names = [str(table["name"]) for table in scenarios]
    return (
        *_unit_problems(build),
        *_vehicle_problems(vehicle),
        *_target_problems(target, names),
        *_pack_problems(_table(raw, "pack")),
        *(
            f"scenario[{number}]: {problem}"
            for number, table in enumerate(_tables(raw.get("scenario")), start=1)
            for problem in scenario_problems(table)
        ),
        *_mix_problems(scenarios),
    )


def scenario_problems(table: Mapping[str, Any]) -> tuple[str, ...]:
    """Say where one ``[[scenario]]`` does not tell in exactly one way what is driven."""
    ways = [key for key in _WAYS if table.get(key)]
    if len(ways) == 1 or set(ways) == {"route", "speed"}:
        return ()
    return ("give exactly one of speed, cycle, mix, route (a route may have a speed too) or drive",)


def impossible_together(settings: BuildSettings) -> tuple[str, ...]:
    """Return one line for each pair of values that cannot both be true of one vehicle."""
    return (*_impossible_packs(settings), *_impossible_limits(settings), *_impossible_speeds(settings))


def _nominal_v(pack: PackSettings) -> float:
    return pack.cells_in_series * pack.cell_nominal_voltage_v


def _packs(settings: BuildSettings) -> list[tuple[str, PackSettings]]:
    """The pack that is built, and those to compare with it, each with its place in the file."""
    others = enumerate(settings.pack.alternatives, start=1)
    return [("pack", settings.pack), *((f"pack.alternative[{number}]", pack) for number, pack in others)]


def _impossible_packs(settings: BuildSettings) -> Iterable[str]:
    """Each pack by itself, and the limits of cells and pack against the one that is built."""
    for where, pack in _packs(settings):
        yield from _impossible_pack(where, pack)
    for limit in settings.limits.limits:
        for channel, cells in (("cell_voltage", 1), ("pack_voltage", settings.pack.cells_in_series)):
            if limit.channel.startswith(channel) and limit.red is not None:
                nominal_v = cells * settings.pack.cell_nominal_voltage_v
                yield from _wrong_end(f"limits.{limit.channel}.red", limit.side.value, limit.red, nominal_v)


def _wrong_end(where: str, side: str, end_v: float | None, nominal_v: float) -> Iterable[str]:
    if end_v is not None and (end_v - nominal_v) * (1 if side == "above" else -1) <= 0.0:
        yield f"{where}: {end_v:g} V is not {side} the nominal {nominal_v:.5g} V"


def _impossible_pack(where: str, pack: PackSettings) -> Iterable[str]:
    cell_v = pack.cell_nominal_voltage_v
    nominal_wh = _nominal_v(pack) * pack.cells_in_parallel * pack.cell_capacity_ah.value
    if pack.usable_energy_wh.value > _MOST_OF_NOMINAL * nominal_wh:
        yield (
            f"{where}.usable_energy: {pack.usable_energy_wh.value / 1e3:.4g} kWh is more than the "
            f"{nominal_wh / 1e3:.4g} kWh that the cells hold in all (cells x capacity x nominal voltage)"
        )
    yield from _wrong_end(f"{where}.cell_voltage_floor", "below", pack.cell_voltage_floor_v, cell_v)
    yield from _wrong_end(f"{where}.cell_voltage_ceiling", "above", pack.cell_voltage_ceiling_v, cell_v)


def _impossible_limits(settings: BuildSettings) -> Iterable[str]:
    ambient_degc = settings.limits.design_ambient_degc
    for limit in settings.limits.limits:
        kind = channel_kind(limit.channel)
        if limit.channel == "isolation_resistance" and limit.red is not None and limit.red < _nominal_v(settings.pack):
            yield f"limits.{limit.channel}.red: {limit.red:g} ohm is a short circuit; megohm is written MOhm"
        if kind is None or kind.unit != "degC" or kind.group == "ambient" or limit.side is not LimitSide.ABOVE:
            continue
        for colour in ("amber", "derate", "red"):
            if (value := getattr(limit, colour)) is not None and value < ambient_degc:
                yield (
                    f"limits.{limit.channel}.{colour}: {measure(value, '°C', '.4g')} lies below the design ambient of "
                    f"{measure(ambient_degc, '°C', '.4g')}; give the temperature itself, not its rise"
                )


def _impossible_speeds(settings: BuildSettings) -> Iterable[str]:
    """Steady speeds that need more than pack or motor can ever give, whatever the drives will show."""
    vehicle, powertrain = settings.vehicle, settings.powertrain
    auxiliary, motor = settings.auxiliary, powertrain.motor
    longest = min(chain.total_ratio for chain in (powertrain.gearing, *powertrain.alternatives))
    top_m_per_s = motor.max_speed_rpm / 60.0 / longest * vehicle.tyre_rolling_circumference_m.value
    if auxiliary.comfort_low_degc >= auxiliary.comfort_high_degc:
        ends = (auxiliary.comfort_low_degc, auxiliary.comfort_high_degc)
        low, high = (measure(value, "°C", ".4g") for value in ends)
        yield f"auxiliary.comfort_low: {low} is not below comfort_high, {high}; between them nothing heats or cools"
    for scenario in settings.scenarios:
        speed = scenario.speed_m_per_s
        if speed is None or scenario.route is not None:
            continue
        if speed > _MOST_OF_TOP_SPEED * top_m_per_s:
            yield (
                f"motor.max_speed: {motor.max_speed_rpm:g} rpm are {measure(top_m_per_s, 'm/s', '.3g')} in gear, "
                f"and '{scenario.name}' asks for {measure(speed, 'm/s', '.3g')}"
            )
        rolling_n = vehicle.rolling_coefficient.value * vehicle.mass_kg.value * STANDARD_GRAVITY_M_PER_S2
        drag_n = 0.5 * _THIN_AIR_KG_PER_M3 * vehicle.drag_area_m2.value * speed**2
        demand_w = _LEAST_DEMAND * (rolling_n + drag_n) * speed
        limits = [("motor.max_power", motor.max_power_w * motor.count, "")]
        for where, pack in _packs(settings):
            if (limit_a := pack.discharge_current_limit_a) is not None:
                limits.append((f"{where}.discharge_current_limit", limit_a * _nominal_v(pack), f"{limit_a:g} A give "))
        for key, limit_w, how in limits:
            if limit_w < demand_w:
                yield (
                    f"{key}: {how}{limit_w / 1e3:.3g} kW, and '{scenario.name}' needs at least {demand_w / 1e3:.3g} kW "
                    "at a steady speed on the level"
                )


def _table(raw: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = raw.get(name)
    return found if isinstance(found, dict) else {}


def _tables(raw: object) -> list[dict[str, Any]]:
    return [table for table in raw if isinstance(table, dict)] if isinstance(raw, list) else []


def _unit_problems(build: Mapping[str, Any]) -> Iterable[str]:
    units = build.get("units")
    if isinstance(units, str):
        try:
            DisplayUnits.parse(units)
        except ValueError as error:
            yield f"build.units: {error}"


def _vehicle_problems(vehicle: Mapping[str, Any]) -> Iterable[str]:
    if not vehicle:
        return
    measured, box = vehicle.get("road_load"), (vehicle.get("width"), vehicle.get("height"))
    if any(box) and not all(box):
        yield "vehicle.width: give width and height together, for the frontal area"
    if all(box) and not (vehicle.get("drag_coefficient") or vehicle.get("body_class")):
        yield "vehicle.drag_coefficient: give it, or a body_class, to go with width and height"
    if not (measured or all(box) or vehicle.get("drag_area") or vehicle.get("body_class")):
        yield "vehicle.drag_area: give it, or a body_class to take a typical value, or road_load, or width and height"
    if not (measured or vehicle.get("rolling_coefficient") or vehicle.get("tire_class")):
        yield "vehicle.rolling_coefficient: give it, or a tire_class to take a typical value, or road_load"
    if not (vehicle.get("tire") or vehicle.get("tire_rolling_circumference")):
        yield "vehicle.tire: give the size, such as 195/65R15, or tire_rolling_circumference"


def _pack_problems(pack: Mapping[str, Any]) -> Iterable[str]:
    packs = [
        ("pack", pack),
        *((f"pack.alternative[{i}]", t) for i, t in enumerate(_tables(pack.get("alternative")), 1)),
    ]
    names = [table.get("name", "in the build") for _, table in packs]
    if len(set(names)) != len(names):
        yield "pack.alternative: two packs have the same name; give each its own"
    for where, table in packs:
        module, cells = table.get("module"), (table.get("cells_in_series"), table.get("cells_in_parallel"))
        if not (isinstance(module, list) and len(module) == 2 and all(isinstance(n, int) and n > 0 for n in module)):
            continue
        if any(isinstance(count, int) and count % per for count, per in zip(cells, module, strict=True)):
            yield f"{where}.module: {cells[0]} in series and {cells[1]} in parallel are no whole modules of {module}"


def _target_problems(target: Mapping[str, Any], names: list[str]) -> Iterable[str]:
    if len(set(names)) != len(names):
        yield "scenario: two scenarios have the same name"
    wanted = target.get("scenario")
    if isinstance(wanted, str) and names and wanted not in names:
        yield f"target.scenario: no scenario is called {wanted!r}{nearest(wanted, names)}"


def _mix_problems(scenarios: list[dict[str, Any]]) -> Iterable[str]:
    unmixed = [str(table["name"]) for table in scenarios if not table.get("mix")]
    for table in scenarios:
        mix = table.get("mix")
        if not isinstance(mix, dict) or not mix:
            continue
        where = f"scenario.{table['name']}.mix"
        for name in mix:
            if name not in unmixed:
                yield f"{where}: no unmixed scenario is called {name!r}{nearest(str(name), unmixed)}"
        shares = list(mix.values())
        if not all(isinstance(share, int | float) for share in shares):
            continue
        total = sum(shares)
        if any(share < 0 for share in shares):
            yield f"{where}: no share may be below 0"
        elif abs(total - 1.0) > _SHARES_TOLERANCE:
            yield f"{where}: the shares must add up to 1, they add up to {total:g}"
