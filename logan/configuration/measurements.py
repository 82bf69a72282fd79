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

    [[measurement]]
    kind = "current_check"        # clamp meter on the pack cable, and what the log showed just then
    value = "120 A ± 2 A"
    shown = "122.4 A"
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from logan.configuration.declared import Quantity, nearest
from logan.configuration.problems import load, refusal
from logan.instrument_settings import InstrumentReading, ReadingKind
from logan.model.measurement import Measurement, MeasurementKind
from logan.units.quantities import Measured

_VALUES: Final = {
    MeasurementKind.MASS: Quantity("kg", 300.0, 10_000.0, "1652 kg ± 8 kg", "kg"),
    MeasurementKind.DRAG_AREA: Quantity("m**2", 0.1, 10.0, "0.78 m2 ± 0.03 m2", "m2"),
    MeasurementKind.ROLLING_COEFFICIENT: Quantity("", 0.003, 0.05, "0.0105 ± 0.0005", ""),
    MeasurementKind.AUXILIARY_POWER: Quantity("watt", 1.0, 20_000.0, "430 W ± 20 W", "W"),
    MeasurementKind.ROAD_LOAD: Quantity("newton", 1.0, 20_000.0, "412 N ± 8 N", "N"),
    MeasurementKind.ROAD_LOAD_PER_MASS: Quantity("newton/kilogram", 0.01, 5.0, "0.25 N/kg ± 0.005 N/kg", "N/kg"),
    MeasurementKind.STEADY_POWER: Quantity("watt", 100.0, 500_000.0, "16.2 kW ± 0.3 kW", "W"),
}
_READINGS: Final = {
    ReadingKind.CURRENT: Quantity("ampere", -3_000.0, 3_000.0, "120 A ± 2 A", "A"),
    ReadingKind.CURRENT_ZERO: Quantity("ampere", -20.0, 20.0, "0.4 A ± 0.1 A", "A"),
    ReadingKind.VOLTAGE: Quantity("volt", 10.0, 2_000.0, "362.1 V ± 0.5 V", "V"),
    ReadingKind.SPEED: Quantity("meter/second", 3.0, 80.0, "60 mph ± 0.2 mph", "m/s"),
    ReadingKind.DISTANCE: Quantity("meter", 500.0, 3e6, "10 mi ± 0.02 mi", "m"),
    ReadingKind.TIRE: Quantity("meter", 1.0, 5.0, "1.985 m ± 0.004 m", "m"),
    ReadingKind.TEMPERATURE: Quantity("degC", -50.0, 250.0, "21.0 degC ± 0.5 degC", "°C"),
    ReadingKind.WALL_ENERGY: Quantity("watt*hour", 1_000.0, 500_000.0, "31.4 kWh ± 0.3 kWh", "Wh"),
    ReadingKind.USABLE: Quantity("watt*hour", 1_000.0, 500_000.0, "57.2 kWh ± 0.3 kWh", "Wh"),
    ReadingKind.CHARGE_CLOSURE: Quantity("ampere*hour", -500.0, 500.0, "0.8 Ah ± 0.3 Ah", "Ah"),
}
"""Comparisons of a sensor with something else; ``shown`` is what the log said."""

_SHOWS_ITSELF: Final = (ReadingKind.CURRENT_ZERO, ReadingKind.CHARGE_CLOSURE, ReadingKind.USABLE)
_READING_EXTRAS: Final = {
    "duration": ("duration_s", Quantity("second", 600.0, 1e7, "9 h", "s")),
    "state_of_charge_span": ("span_ratio", Quantity("", 0.2, 1.0, "0.90 ± 0.01", "")),
    "cell_temperature": ("cell_temperature_degc", Quantity("degC", -40.0, 60.0, "68 °F", "°C")),
    "charger_efficiency": ("charger_efficiency", Quantity("", 0.6, 0.99, "0.92 ± 0.01", "")),
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
KEYS: Final = ("kind", "value", "shown", "source", "counted_by", *_EXTRAS, *_READING_EXTRAS)


def read_measurements(path: Path) -> tuple[Measurement, ...]:
    """Read what was measured of the vehicle besides the drives; none where there is no such file.

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
    return tuple(found for found in _read(path) if isinstance(found, Measurement))


def read_readings(path: Path) -> tuple[InstrumentReading, ...]:
    """Read what was compared with the build's sensors, from the same file as ``read_measurements``.

    Raises
    ------
    ConfigurationError
        With every problem found, each with its key's path and what is allowed.
    """
    return tuple(found for found in _read(path) if isinstance(found, InstrumentReading))


def _read(path: Path) -> tuple[Measurement | InstrumentReading, ...]:
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


def _measurement(table: dict[str, Any], where: str, problems: list[str]) -> Measurement | InstrumentReading | None:
    before = len(problems)
    problems += [f"{where}.{key}: unknown key{nearest(key, KEYS)}" for key in table if key not in KEYS]
    names = [kind.value for kind in (*MeasurementKind, *ReadingKind)]
    if table.get("kind") not in names:
        problems.append(f"{where}.kind: expected one of {', '.join(names)}; got {table.get('kind')!r}")
        return None
    if table["kind"] in [kind.value for kind in ReadingKind]:
        found: Measurement | InstrumentReading | None = _reading(table, where, problems)
    else:
        found = _of_vehicle(table, where, problems)
    return None if len(problems) > before else found


def _of_vehicle(table: dict[str, Any], where: str, problems: list[str]) -> Measurement:
    kind = MeasurementKind(table["kind"])
    measured = _value(table, _VALUES[kind], where, problems)
    extras = {}
    for key, (field, quantity) in _EXTRAS.items():
        if key in table and (extra := _quantity(table, key, quantity, where, problems)) is not None:
            extras[field] = extra.value
    if kind in _NEEDS_SPEED and "speed" not in table:
        problems.append(f'{where}.speed: a {kind.value} needs the speed that it was measured at, such as "60 mph"')
    source = str(table.get("source", kind.value))
    return Measurement(kind=kind, value=measured.value, sigma=measured.sigma or 0.0, source=source, **extras)


def _reading(table: dict[str, Any], where: str, problems: list[str]) -> InstrumentReading:
    kind = ReadingKind(table["kind"])
    measured = _value(table, _READINGS[kind], where, problems)
    shown = Measured(0.0)
    extras: dict[str, Any] = {}
    if kind not in _SHOWS_ITSELF:
        shown = _quantity(table, "shown", _READINGS[kind], where, problems) or shown
    if kind is ReadingKind.CHARGE_CLOSURE:
        duration = _quantity(table, "duration", _READING_EXTRAS["duration"][1], where, problems)
        extras["duration_s"] = duration.value if duration else 0.0
    if kind is ReadingKind.USABLE:
        extras |= _of_full_run(table, where, problems)
    if kind is ReadingKind.WALL_ENERGY and "charger_efficiency" in table:
        charger = _quantity(table, "charger_efficiency", _READING_EXTRAS["charger_efficiency"][1], where, problems)
        if charger is not None:
            extras["charger_efficiency"] = charger.value
            extras["charger_sigma"] = 0.01 if charger.sigma is None else charger.sigma
    return InstrumentReading(
        kind=kind,
        value=measured.value,
        sigma=measured.sigma or 0.0,
        shown=shown.value,
        source=str(table.get("source", kind.value)),
        **extras,
    )


def _of_full_run(table: dict[str, Any], where: str, problems: list[str]) -> dict[str, Any]:
    """What a run from full to empty says besides its energy."""
    found: dict[str, Any] = {"is_counted_by_log": table.get("counted_by", "log") == "log"}
    if table.get("counted_by", "log") not in ("log", "own meter"):
        problems.append(f"{where}.counted_by: expected log or own meter; got {table['counted_by']!r}")
    for key in ("duration", "state_of_charge_span", "cell_temperature"):
        field, quantity = _READING_EXTRAS[key]
        if key in table and (read := _quantity(table, key, quantity, where, problems)) is not None:
            found[field] = read.value
            if key == "state_of_charge_span":
                found["span_sigma_ratio"] = 0.02 if read.sigma is None else read.sigma
    return found


def _value(table: dict[str, Any], quantity: Quantity, where: str, problems: list[str]) -> Measured:
    """The measured value, which must say how sure it is; zero where it cannot be read."""
    measured = _quantity(table, "value", quantity, where, problems)
    if measured is None:
        return Measured(0.0)
    if (measured.sigma or 0.0) <= 0.0:
        problems.append(f'{where}.value: say how sure it is, such as "{quantity.example}"')
    return measured


def _quantity(table: dict[str, Any], key: str, quantity: Quantity, where: str, problems: list[str]) -> Measured | None:
    if key == "shown" and key not in table:
        problems.append(f'{where}.shown: what did the log show, such as "{quantity.example.split(" ±")[0]}"?')
        return None
    try:
        return quantity.read(table.get(key, ""))
    except ValueError as error:
        problems.append(f"{where}.{key}: {error}")
        return None
