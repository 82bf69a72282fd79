"""What was assumed, the gearing sheet, and the cautions."""

from __future__ import annotations

from typing import Final

from logan.report.document import Section, TableBlock, Words
from logan.report.inputs import ReportInputs
from logan.wording import parameter_text, parameter_words

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


def cautions_section() -> Section:
    """What to keep in mind before acting on any of this."""
    return Section(anchor="cautions", title="Cautions", blocks=(Words(lines=CAUTIONS, tone="amber"),))
