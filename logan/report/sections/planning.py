"""What was assumed, the gearing sheet, and the cautions."""

from __future__ import annotations

from typing import Final

from logan.report.document import Section, TableBlock, Words
from logan.report.inputs import ReportInputs
from logan.units import METRES_PER_SECOND_PER_MPH, RADIANS_PER_SECOND_PER_RPM, DisplayUnits
from logan.wording import number, parameter_text, parameter_words, percent, sentence

CAUTIONS: Final = (
    "More than 60 V DC or 30 V AC can kill. Work de-energized: service disconnect, lock-out, wait at least 5 minutes "
    "or the manufacturer's time, prove dead on both poles and to the chassis with a rated tester, insulated gloves "
    "and tools, a second person. Leave it to licensed people where your law says so.",
    "The logger is isolated, fused, strapped down and listens only; a passenger operates it. Never defeat the battery "
    "management, interlock, isolation monitor, crash switch or precharge to get data.",
    "Coastdowns, hard acceleration and hill soaks only where it is legal, dry and empty; check first that the friction "
    "brakes hold alone, since regen is lost with a full or cold pack. Keep within tire, axle and weight ratings, and "
    "20 % of charge in reserve.",
    "Red: stop at once. Amber: lift, cool for ten minutes, check again; temperatures rise further after a stop. On "
    "smell, hiss or smoke from the pack leave it, keep 100 ft (30 m) away, call the fire department (911), do not "
    "reopen it.",
    "These are estimates for the recorded vehicle and conditions: no certification, and no substitute for component "
    "datasheets, a professional inspection, or local registration and approval (UN R100, FMVSS 305, national rules). "
    "A margin is estimated; where no limit is given, nothing is said to be safe.",
)


def assumptions_section(inputs: ReportInputs) -> Section:
    """Every planning value with its source."""
    rows = tuple(
        (
            parameter_words(row.name),
            parameter_text(row.name, row.value, inputs.units, row.unit),
            parameter_text(row.name, row.sigma, inputs.units, row.unit),
            row.source,
        )
        for row in inputs.assumptions
    )
    table = TableBlock(
        headings=("assumption", "value", "±", "source"),
        rows=rows,
        caption=f"The plan of {inputs.planned_at[:10]} rests on",
        explanations=("", "", "one standard uncertainty"),
    )
    return Section(anchor="assumptions", title="What was assumed", blocks=(table,), length=3)


def gearing_section(inputs: ReportInputs) -> Section:
    """Each reduction considered, side by side."""
    units, sheet = inputs.units, inputs.gearing
    rows = tuple(
        (
            choice.name,
            number(choice.total_ratio, 2),
            number(choice.top_speed_m_per_s / units.metres_per_second),
            number(choice.launch_force_n),
            percent(choice.launch_grade_ratio),
            number(choice.sprint_s, 1),
            number(choice.hill_battery_power_w / 1000.0, 1),
            percent(choice.hill_continuous_ratio) if choice.hill_continuous_ratio is not None else "no limit given",
        )
        for choice in sheet.choices
    )
    table = TableBlock(
        headings=(
            "gearing",
            "ratio",
            f"top {units.speed_label}",
            "launch N",
            "launch grade",
            f"0 to {_speed(60.0, units)} s",
            f"6 % at {_speed(55.0, units)} kW",
            "of continuous",
        ),
        rows=rows,
        caption=f"Gearing; motor limit {sheet.max_motor_speed_rad_per_s / RADIANS_PER_SECOND_PER_RPM:,.0f} rpm",
        explanations=(
            "",
            "motor turns per wheel turn",
            "lower of motor speed and power",
            "at the wheels, within tire grip",
            "steepest for pulling away",
            "estimate",
            "battery power",
            f"battery power on that hill over what is continuous (S1): {sheet.choices[0].continuous_source}",
        ),
    )
    lines = (f"mass, road load and losses are those of {sheet.basis}", *sheet.assumptions)
    return Section(
        anchor="gearing", title="Gearing", blocks=(table, Words(lines=tuple(map(sentence, lines)))), length=3
    )


def _speed(mph: float, units: DisplayUnits) -> str:
    """A speed that the sheet is worked out at, in the unit shown."""
    return f"{mph * METRES_PER_SECOND_PER_MPH / units.metres_per_second:.0f} {units.speed_label}"


def cautions_section() -> Section:
    """What to keep in mind before acting on any of this."""
    return Section(anchor="cautions", title="Cautions", blocks=(Words(lines=CAUTIONS, tone="amber"),))
