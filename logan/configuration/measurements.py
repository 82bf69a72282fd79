"""Read ``measurements.toml``: what was measured besides the drives, each with its uncertainty.

::

    [[measurement]]
    kind = "mass"
    value = "1652 kg ± 8 kg"
    source = "weighbridge, full fluids, driver aboard"

    [[measurement]]
    kind = "road_load"            # coastdown: force on a level road without wind
    speed = "60 mph"
    value = "412 N ± 8 N"
    temperature = "18 °C"
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from logan.configuration.problems import load, refusal
from logan.configuration.quantities import Quantity
from logan.configuration.schema import nearest
from logan.model.measurement import Measurement, MeasurementKind

_VALUES: Final = {
    MeasurementKind.MASS: Quantity("kg", 300.0, 10_000.0, "1652 kg ± 8 kg", "kg"),
    MeasurementKind.DRAG_AREA: Quantity("m**2", 0.1, 10.0, "0.78 m2 ± 0.03 m2", "m2"),
    MeasurementKind.ROLLING_COEFFICIENT: Quantity("", 0.003, 0.05, "0.0105 ± 0.0005", ""),
    MeasurementKind.AUXILIARY_POWER: Quantity("watt", 1.0, 20_000.0, "430 W ± 20 W", "W"),
    MeasurementKind.ROAD_LOAD: Quantity("newton", 1.0, 20_000.0, "412 N ± 8 N", "N"),
    MeasurementKind.ROAD_LOAD_PER_MASS: Quantity("newton/kilogram", 0.01, 5.0, "0.25 N/kg ± 0.005 N/kg", "N/kg"),
    MeasurementKind.STEADY_POWER: Quantity("watt", 100.0, 500_000.0, "16.2 kW ± 0.3 kW", "W"),
}
_NEEDS_SPEED: Final = (
    MeasurementKind.ROAD_LOAD,
    MeasurementKind.ROAD_LOAD_PER_MASS,
    MeasurementKind.STEADY_POWER,
)
_EXTRAS: Final = {
    "speed": ("speed_m_per_s", Quantity("meter/second", 1.0, 80.0, "60 mph", "m/s")),
    "air_density": ("air_density_kg_per_m3", Quantity("kg/m**3", 0.6, 1.6, "1.2 kg/m**3", "kg/m3")),
    "temperature": ("temperature_degc", Quantity("degC", -40.0, 55.0, "18 °C", "°C")),
}
_KEYS: Final = ("kind", "value", "source", *_EXTRAS)


def read_measurements(path: Path) -> tuple[Measurement, ...]:
    """Read what was measured besides the drives; none where there is no such file.

    Parameters
    ----------
    path : Path
        ``measurements.toml``.

    Returns
    -------
    tuple of Measurement
        In the file's order, in SI.

    Raises
    ------
    ConfigurationError
        With every problem found, each with its key's path and what is allowed.
    """
    if not path.is_file():
        return ()
    content = load(path)
    problems = [f"{key}: unknown key{nearest(key, ['measurement'])}" for key in content if key != "measurement"]
    tables = content.get("measurement", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise refusal(path, (*problems, "measurement: write each one as a [[measurement]] table"))
    found = [_measurement(table, f"measurement[{number}]", problems) for number, table in enumerate(tables, start=1)]
    if problems:
        raise refusal(path, tuple(problems))
    return tuple(measurement for measurement in found if measurement is not None)


def _measurement(table: dict[str, Any], where: str, problems: list[str]) -> Measurement | None:
    before = len(problems)
    problems += [f"{where}.{key}: unknown key{nearest(key, _KEYS)}" for key in table if key not in _KEYS]
    names = [kind.value for kind in MeasurementKind]
    if table.get("kind") not in names:
        problems.append(f"{where}.kind: expected one of {', '.join(names)}; got {table.get('kind')!r}")
        return None
    kind = MeasurementKind(table["kind"])
    extras: dict[str, float] = {}
    value = sigma = 0.0
    try:
        measured = _VALUES[kind].read(table.get("value", ""))
        value, sigma = measured.value, measured.sigma or 0.0
        if sigma <= 0.0:
            problems.append(f'{where}.value: say how sure it is, such as "{_VALUES[kind].example}"')
    except ValueError as error:
        problems.append(f"{where}.value: {error}")
    for key, (field, quantity) in _EXTRAS.items():
        if key in table:
            try:
                extras[field] = quantity.read(table[key]).value
            except ValueError as error:
                problems.append(f"{where}.{key}: {error}")
    if kind in _NEEDS_SPEED and "speed" not in table:
        problems.append(f'{where}.speed: a {kind.value} needs the speed that it was measured at, such as "60 mph"')
    if len(problems) > before:
        return None
    return Measurement(kind=kind, value=value, sigma=sigma, source=str(table.get("source", kind.value)), **extras)
