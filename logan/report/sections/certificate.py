"""The customer's certificate: two sheets that say what was validated, how, under which conditions, and what was not."""

from dataclasses import replace
from typing import Final

from logan.driving_range.prediction import ScenarioRange
from logan.instruments.drive_evidence import UNKNOWNS
from logan.metrics.cautions import every_caution
from logan.report.figures.limits import approaches
from logan.report.inputs import Block, Document, DriveInputs, FitInputs, ReportInputs, Section, TableBlock, Words, table
from logan.report.sections.driving_range import driven_words
from logan.report.sections.limits import limit_table, unlimited_words
from logan.scenario_settings import Scenario, ScenarioKind
from logan.units import DisplayUnits
from logan.wording import (
    distance,
    number,
    parameter_text,
    percent,
    quantity_text,
    road_grade_percent,
    signed,
    temperature_text,
)

NOT_ENTERED: Final = "not entered"
MOST_DRIVES: Final = 10
MOST_LIMITS: Final = 12
MOST_SCENARIOS: Final = 10

WHAT_IT_IS: Final = (
    "This is the builder's own statement about this one vehicle, made from the drives listed here. It is no "
    "registration, no type approval, no inspection, and no certification by any authority or testing body.",
)
_SENSORS: Final = {
    "current_gain": ("pack current, gain", 100.0, "%"),
    "voltage_gain": ("pack voltage, gain", 100.0, "%"),
    "speed_gain": ("speed, gain", 100.0, "%"),
    "current_zero": ("pack current, zero", 1.0, "A"),
    "temperature_offset": ("temperatures, offset", 1.0, "K"),
    "usable_energy": ("usable energy", 100.0, "%"),
}


def certificate_document(inputs: ReportInputs) -> Document:
    """Two sheets for the owner of the vehicle; the build must have been fitted."""
    assert inputs.fitted is not None
    sections = (
        Section(
            anchor="vehicle",
            title="The vehicle and how it was tested",
            blocks=(
                Words(lines=WHAT_IT_IS, tone="grey"),
                _vehicle(inputs),
                _test(inputs, inputs.fitted),
                *_drives(inputs, inputs.fitted),
                *_instruments(inputs.fitted, inputs.units),
            ),
        ),
        Section(
            anchor="validated",
            title="What was validated",
            blocks=(
                *_ranges(inputs, inputs.fitted),
                Words(lines=_conditions(inputs, inputs.fitted), title="Conditions under which it holds"),
                *_limits(inputs),
                Words(lines=_not_tested(inputs, inputs.fitted), title="What was not tested"),
                Words(lines=every_caution(), title="Cautions", tone="amber"),
                _signature(inputs),
            ),
        ),
    )
    return Document(
        title="Certificate of range and limits",
        subtitle=f"{inputs.build.name}: stated by its builder on {inputs.made_on}",
        sections=sections,
        kind="certificate",
        paper="letter" if inputs.units.distance == "mi" else "A4",
    )


def _entered(inputs: ReportInputs, key: str) -> str:
    return inputs.certificate.get(key, "").strip() or NOT_ENTERED


def _form(caption: str, rows: tuple[tuple[str, str], ...]) -> TableBlock:
    return TableBlock(headings=("", ""), rows=rows, caption=caption, is_form=True)


def _vehicle(inputs: ReportInputs) -> TableBlock:
    build, units = inputs.build, inputs.units
    pack, motor = build.pack, build.powertrain.motor
    entered, usable, weight = build.vehicle.mass_kg, pack.usable_energy_wh, "test weight"
    fit = None if inputs.fitted is None else inputs.fitted.fit.estimate("mass_kg")
    found = (
        "" if fit is None else f"; {parameter_text('mass_kg', fit.value, units, sigma=fit.sigma)} as the drives fit it"
    )
    as_built = (
        f"pack {pack.cells_in_series}s{pack.cells_in_parallel}p, "
        f"{usable.typed or units.shown(usable.value, 'energy')} usable as planned; "
        f"motor {units.shown(motor.max_power_w, 'power', digits=3)}; gearing "
        f"{build.powertrain.gearing.name}"
    )
    own = inputs.certificate.get("configuration", "").strip()
    return _form(
        "Vehicle, as the builder enters it",
        (
            ("vehicle", _entered(inputs, "vehicle")),
            ("identification (VIN)", _entered(inputs, "identification")),
            ("odometer", _entered(inputs, "odometer")),
            ("configuration", f"{own}; {as_built}" if own else as_built),
            (
                weight,
                f"{entered.typed or parameter_text('mass_kg', entered.value, units, sigma=entered.sigma)} as entered "
                f"({entered.source}){found}",
            ),
            ("tires and pressure", f"{_entered(inputs, 'tires')}; pressure {_entered(inputs, 'tire_pressure')}"),
        ),
    )


def _test(inputs: ReportInputs, fitted: FitInputs) -> TableBlock:
    units, hull = inputs.units, fitted.fit.hull
    winds = [drive.headwind.value / units.metres_per_second for drive in fitted.fit.drives if not drive.refusal]
    wind = (
        f"wind along the road {signed(min(winds))} to {signed(max(winds))} {units.speed_label} as fitted"
        if winds
        else ""
    )
    noted = inputs.certificate.get("weather", "").strip()
    rows = [("driven", driven_words(hull, fitted.fit.drive_count, units) if hull else "not known")]
    air = ""
    if hull is not None:
        low, high = (temperature_text(t, units) for t in (hull.temperature_low_degc, hull.temperature_high_degc))
        pressure = "" if hull.pressure_pa is None else f"air {units.shown(hull.pressure_pa, 'pressure', digits=3)}"
        air = "; ".join(filter(None, (f"{low} to {high}", pressure)))
    rows.append(("weather", "; ".join(filter(None, (air, wind, noted)))))
    return _form("Test", tuple(rows))


def _drives(inputs: ReportInputs, fitted: FitInputs) -> list[TableBlock]:
    part = {drive.drive_id: drive for drive in fitted.fit.drives}

    def where(drive: DriveInputs) -> str:
        known = part.get(drive.drive_id)
        return "no part" if known is None else f"left out: {known.refusal}" if known.refusal else "takes part"

    def length(drive: DriveInputs) -> str:
        return distance(part[drive.drive_id].distance_m if drive.drive_id in part else None, inputs.units)

    more = len(inputs.drives) - MOST_DRIVES
    return table(
        inputs.drives[:MOST_DRIVES],
        ("drive and date", lambda drive: drive.label),
        ("distance", length),
        ("time", lambda drive: f"{number(drive.energy.duration_s / 60.0)} min"),
        ("in the fit", where),
        caption=f"Drives; and {more} more, the last {inputs.drives[-1].label}" if more > 0 else "Drives",
    )


def _instruments(fitted: FitInputs, units: DisplayUnits) -> list[TableBlock]:
    """Each sensor's error that is left, and what it was checked with."""
    if fitted.fit.sensors is None:
        return table(["sensors: not known, no check was entered"], ("instrument", str), caption="Instruments")
    known = fitted.fit.sensors.instruments

    def left(name: str) -> str:
        _, scale, unit = _SENSORS[name]
        if unit == "K":
            scale, unit = units.temperature_step(scale), units.temperature_label
        taken = known.applied.get(name)
        off = "" if taken is None else f"; {signed(scale * taken, 2)} {unit} taken off"
        return f"± {number(scale * 2.0 * known.of(name).spread, 2)} {unit}{off}"

    return table(
        UNKNOWNS,
        ("instrument", lambda name: _SENSORS[name][0]),
        ("uncertainty left (k = 2)", left),
        ("how it was checked", lambda name: known.of(name).source),
        caption="Instruments",
    )


def _ranges(inputs: ReportInputs, fitted: FitInputs) -> list[TableBlock]:
    units, refined = inputs.units, fitted.refined
    more = len(refined.scenarios) - MOST_SCENARIOS
    rest = f"; {more} more in the report" if more > 0 else ""
    return table(
        refined.scenarios[:MOST_SCENARIOS],
        ("scenario", lambda one: one.name + (" (target)" if one.name == refined.target_scenario else "")),
        ("driven how", lambda one: _driven_how(one, inputs)),
        (
            f"range {units.distance} (k = 2)",
            lambda one: f"{one.range_m.p50 / units.metres:.0f} ± {one.expanded_range_m / units.metres:.0f}",
        ),
        (units.consumption_label, lambda one: f"{units.consumption(one.consumption.p50):.0f}"),
        ("inside what was driven", _inside),
        caption=f"Range per scenario, with expanded uncertainty (k = 2, about 95 %){rest}",
    )


def _inside(scenario: ScenarioRange) -> str:
    if scenario.is_extrapolated:
        return f"no: {scenario.note.split(':')[0]}"
    return "yes, but for its load" if scenario.payload_kg else "yes"


def _driven_how(scenario: ScenarioRange, inputs: ReportInputs) -> str:
    units = inputs.units
    speed = f"{scenario.mean_speed_m_per_s / units.metres_per_second:.0f} {units.speed_label} on average"
    load = f", {units.shown(scenario.payload_kg, 'weight', digits=3)} payload" if scenario.payload_kg else ""
    way = f", {scenario.way}" if scenario.way else ""
    asked = "".join(f", {words}" for words in _as_asked(scenario.name, inputs))
    return f"{speed}, {temperature_text(scenario.ambient_temperature_degc, units)}{load}{asked}{way}"


def _as_asked(name: str, inputs: ReportInputs) -> list[str]:
    """Conditions that a range holds under, where they are not the usual ones."""
    one = next((one for one in inputs.build.scenarios if one.name == name), Scenario(name=name, kind=ScenarioKind.MIX))
    wind = quantity_text(abs(one.headwind_m_per_s), "speed", inputs.units)
    said = {
        f"slope {signed(road_grade_percent(one.grade_ratio), 1)} %": one.grade_ratio != 0.0,
        f"{wind} {'head' if one.headwind_m_per_s > 0.0 else 'tail'}wind": one.headwind_m_per_s != 0.0,
        f"CdA x {one.drag_area_factor:g}": one.drag_area_factor != 1.0,
        f"Crr x {one.rolling_factor:g}": one.rolling_factor != 1.0,
        "heating and cooling off": not one.cabin_climate,
        "cold start": not one.warm_start,
    }
    return [words for words, is_asked in said.items() if is_asked]


def _conditions(inputs: ReportInputs, fitted: FitInputs) -> tuple[str, ...]:
    target, units = fitted.refined, inputs.units
    usable = fitted.usable
    lines = [
        f"Reserve {percent(target.reserve_ratio)} and battery aging {percent(target.ageing_ratio)} are taken off; the "
        "pack starts at the top of its usable window.",
        "Weight, tires and their pressure, body and gearing as entered on sheet 1; dry road; speeds and temperatures "
        "within those driven.",
    ]
    if usable is not None:
        lines.append(
            f"Usable energy {units.shown(usable.energy_wh, 'energy', digits=3)} at {temperature_text(25.0, units)}: "
            f"{usable.source}."
        )
    calibration = fitted.calibration
    if calibration.median_error_ratio is not None:
        inside = sum(drive.is_covered for drive in calibration.drives)
        lines.append(
            f"Checked on drives left out in turn: half within {percent(calibration.median_error_ratio, 1)}, {inside} "
            f"of {len(calibration.drives)} inside their 90 % interval."
        )
    return tuple(lines)


def _limits(inputs: ReportInputs) -> list[Block]:
    found = approaches(inputs.drives)[:MOST_LIMITS]
    if not found:
        return [Words(lines=("No limit given.",), title="Limits and margins", tone="grey")]
    blocks = limit_table(found, inputs.units, is_brief=True)
    return [replace(one, caption="Limits and margins, least first") for one in blocks]


def _not_tested(inputs: ReportInputs, fitted: FitInputs) -> tuple[str, ...]:
    beyond = [scenario.name for scenario in fitted.refined.scenarios if scenario.is_extrapolated]
    lines = [f"Not driven like that, extrapolated: {'; '.join(beyond)}."] if beyond else []
    if unlimited := unlimited_words(inputs.drives):
        lines.append(f"{unlimited[:-1]}; nothing is said to be safe there.")
    out = [drive for drive in fitted.fit.drives if drive.refusal]
    if out:
        lines.append(f"{len(out)} drives were left out of the fit for the reasons above.")
    if entered := inputs.certificate.get("not_tested", "").strip():
        lines.append(entered)
    lines.append(
        "Crash, electromagnetic compatibility, water ingress, brakes, steering, structure and charging equipment."
    )
    return tuple(lines)


def _signature(inputs: ReportInputs) -> TableBlock:
    blank = "_" * 44
    return _form(
        "Stated by",
        (
            ("prepared by", inputs.certificate.get("prepared_by", "").strip() or blank),
            ("for", inputs.certificate.get("prepared_for", "").strip() or blank),
            ("date, revision", f"{inputs.made_on}, revision {inputs.certificate.get('revision', '').strip() or '1'}"),
            ("signature", blank),
            ("evidence, SHA-256", inputs.evidence_hash),
        ),
    )
