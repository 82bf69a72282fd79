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

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from logan.configuration.declared import Given, Key, Quantity, Table, nearest, one_of, read_table, text
from logan.configuration.problems import load, refusal
from logan.instrument_settings import InstrumentReading, ReadingKind
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
_NEEDS_SPEED: Final = (
    MeasurementKind.ROAD_LOAD,
    MeasurementKind.ROAD_LOAD_PER_MASS,
    MeasurementKind.STEADY_POWER,
)
_SUREST_RATIO: Final = 1e-6
"""What no scale, meter or tape of a garage goes below, of the value or a thousandth of the most it may be."""

_BESIDES: Final = (
    Key("kind", text(40), field="-"),
    Key("source", text(300)),
    Key("counted_by", one_of("log", "own meter", is_needed=True), default="log"),
    Key("speed", Quantity("meter/second", 1.0, 80.0, "60 mph", "m/s")),
    Key("air_density", Quantity("kg/m**3", 0.6, 1.6, "1.2 kg/m**3", "kg/m3")),
    Key("temperature", Quantity("degC", -40.0, 55.0, "18 °C", "°C")),
    Key("duration", Quantity("second", 600.0, 1e7, "9 h", "s")),
    Key("state_of_charge_span", Quantity("", 0.2, 1.0, "0.90 ± 0.01", ""), field="span_ratio"),
    Key("cell_temperature", Quantity("degC", -40.0, 60.0, "68 °F", "°C")),
    Key("charger_efficiency", Quantity("", 0.6, 0.99, "0.92 ± 0.01", "")),
)
KEYS: Final = ("value", "shown", *(key.name for key in _BESIDES))


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


def _measurement(raw: dict[str, Any], where: str, problems: list[str]) -> Measurement | InstrumentReading | None:
    kinds: dict[str, MeasurementKind | ReadingKind] = {kind.value: kind for kind in (*MeasurementKind, *ReadingKind)}
    kind = kinds.get(raw["kind"]) if isinstance(raw.get("kind"), str) else None
    if kind is None:
        problems += [f"{where}.{key}: unknown key{nearest(key, KEYS)}" for key in raw if key not in KEYS]
        problems.append(f"{where}.kind: expected one of {', '.join(kinds)}; got {raw.get('kind')!r}")
        return None
    before, quantity = len(problems), _VALUES[kind] if isinstance(kind, MeasurementKind) else _READINGS[kind]
    table = Table((Key("value", quantity, is_required=True), Key("shown", quantity), *_BESIDES))
    given = read_table(raw, table, where, problems)
    measured = given["value"]
    if measured is not None and (measured.sigma is None or measured.sigma <= 0.0):
        problems.append(f'{where}.value: say how sure it is, such as "{quantity.example}"')
    elif measured is not None and measured.sigma < _SUREST_RATIO * max(abs(measured.value), 1e-3 * quantity.high):
        problems.append(f'{where}.value: no meter is that good; say how sure it is, such as "{quantity.example}"')
    for key, what in _missing(kind, given, quantity):
        problems.append(f"{where}.{key}: {what}")
    if len(problems) > before:
        return None
    known = {"kind": kind, "sigma": measured.sigma, "source": given["source"] or kind.value}
    if isinstance(kind, MeasurementKind):
        return Measurement(**given.typed(Measurement) | known)
    known |= {"is_counted_by_log": given["counted_by"] == "log", "shown": given.value("shown") or 0.0}
    for key, field, usual in (
        ("state_of_charge_span", "span_sigma_ratio", 0.02),
        ("charger_efficiency", "charger_sigma", 0.01),
    ):
        if given[key] is not None:
            known[field] = usual if given[key].sigma is None else given[key].sigma
    return InstrumentReading(**given.typed(InstrumentReading) | known)


def _missing(kind: MeasurementKind | ReadingKind, given: Given, quantity: Quantity) -> Iterator[tuple[str, str]]:
    """Keys that this kind cannot do without, and what to write."""
    if kind in _NEEDS_SPEED and given["speed"] is None:
        yield "speed", f'a {kind.value} needs the speed that it was measured at, such as "60 mph"'
    if isinstance(kind, ReadingKind) and kind not in _SHOWS_ITSELF and given["shown"] is None:
        yield "shown", f'what did the log show, such as "{quantity.example.split(" ±")[0]}"?'
    if kind is ReadingKind.CHARGE_CLOSURE and given["duration"] is None:
        yield "duration", 'for how long was it counted, such as "9 h"?'
