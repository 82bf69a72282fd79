"""What must fit together in ``build.toml`` beyond single keys: checked on the file as written.

Working on the raw tables, these checks speak even where single keys are wrong, so that one
run tells everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from logan.configuration.schema import nearest
from logan.units import DisplayUnits

_WAYS = ("speed", "cycle", "mix", "route", "drive")
_SHARES_TOLERANCE = 1e-3


def coherence_problems(raw: Mapping[str, Any]) -> tuple[str, ...]:
    """Return one line per contradiction between keys; keys that are wrong by themselves are passed over."""
    vehicle, build, target = (_table(raw, name) for name in ("vehicle", "build", "target"))
    scenarios = [table for table in _tables(raw.get("scenario")) if isinstance(table.get("name"), str)]
    names = [str(table["name"]) for table in scenarios]
    return (
        *_unit_problems(build),
        *_vehicle_problems(vehicle),
        *_target_problems(target, names),
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
    if not (vehicle.get("drag_area") or vehicle.get("body_class")):
        yield "vehicle.drag_area: give it, or a body_class to take a typical value"
    if not (vehicle.get("rolling_coefficient") or vehicle.get("tyre_class")):
        yield "vehicle.rolling_coefficient: give it, or a tyre_class to take a typical value"
    if not (vehicle.get("tyre") or vehicle.get("tyre_rolling_circumference")):
        yield "vehicle.tyre: give the size, such as 195/65R15, or tyre_rolling_circumference"


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
        if any(share < 0 for share in shares) or abs(total - 1.0) > _SHARES_TOLERANCE:
            yield f"{where}: the shares must add up to 1, they add up to {total:g}"
