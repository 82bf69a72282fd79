"""Every result of a drive stands in a table: nothing that was measured can be read in JSON alone."""

import numpy as np
import pytest

from logan.analysis import analyse_drive
from logan.metrics.limit_events import event_kinds
from logan.report.inputs import TableBlock, Words
from logan.report.sections.limits import event_kind_table, event_table
from logan.report.sections.measured_energy import budget_table, moment, told
from logan.report.sections.measurements import measurement_blocks
from logan.results import Estimate, Refusal
from logan.settings import Conductor, DurationCurve, Limit, LimitSheet, LimitSide
from logan.units import DisplayUnits
from logan.wording import figure_text
from tests.rich_drives import charge_drive, limited_town_drive
from tests.twin_drives import build_of, made_drive, twin_drive

SHEET = LimitSheet(
    limits=(Limit(channel="motor_temperature", side=LimitSide.ABOVE, amber=40.0, red=45.0, source="datasheet"),),
    curves=(
        DurationCurve(component="main fuse", duration_s=(1.0, 600.0), current_a=(250.0, 60.0), source="datasheet"),
    ),
    conductors=(Conductor(name="pack cable", material="copper", area_mm2=35.0, start_degc=40.0, limit_degc=90.0),),
)
KM = DisplayUnits.parse("km,C")


def told_by(drive, **changes):
    build = build_of(twin_drive("urban", 4, duration_s=700.0).vehicle, limits=SHEET, **changes)
    analysis = analyse_drive(drive, build)
    return analysis, measurement_blocks(analysis, KM)


@pytest.fixture(scope="module")
def town():
    return told_by(limited_town_drive())


def table(blocks, words):
    tables = [block for block in blocks if isinstance(block, TableBlock)]
    exact = [block for block in tables if block.caption == words]
    return (exact or [block for block in tables if words in block.caption])[0]


def all_words(blocks):
    return " ".join(line for block in blocks if isinstance(block, Words) for line in block.lines)


@pytest.mark.parametrize(
    "words",
    [
        "Energy ledger",
        "Ledger stop to stop",
        "Ledger by speed, km/h",
        "Ledger by slope",
        "Ledger by the driver's marks",
        "Braking energy lost",
        "Brakings (",
        "Recovery of braking energy by SOC",
        "Recovery of braking energy by cell temperature",
        "Hardest windows of pack current",
        "Conductors, heated without loss (IEC 60949, second-hand)",
        "Time spent in each band of pack current",
        "Derating (",
        "DC internal resistance over the whole drive",
        "Voltage sag",
        "Pack",
        "Instruments, checked by driving",
    ],
)
def test_a_town_drive_fills_every_table(town, words):
    found = table(town[1], words)
    assert found.rows
    assert {len(row) for row in found.rows} == {len(found.headings)}


def test_the_ledgers_table_shows_the_residual_and_the_marked_span(town):
    analysis, blocks = town
    rows = {row[0]: row[1] for row in table(blocks, "Energy ledger").rows}
    assert rows["residual"] == told(analysis.ledger.residual_wh)
    (marked,) = table(blocks, "driver's marks").rows
    assert marked[0] == "marked 1: 1:40–3:20"


def test_energy_lost_to_the_cap_and_to_friction_stands_beside_each_braking(town):
    analysis, blocks = town
    found = table(blocks, "Brakings (")
    by = found.headings.index("by")
    assert any(row[by] == "charge current limit" for row in found.rows)
    lost = dict(table(blocks, "Braking energy lost").rows)
    assert lost["of it, while a regen limit was reached"] == told(analysis.regen.capped_wh)


def test_derating_says_what_when_why_and_what_it_cost(town):
    analysis, blocks = town
    found = table(blocks, "Derating (")
    kinds = {row[0].split(":")[0] for row in found.rows}
    assert {"torque not delivered", "limit reached", "limit lowered"} <= kinds
    assert found.rows[0][1] == moment(analysis.derating.events[0].start_s)


def test_isolation_is_told_per_volt_and_judged_among_the_limits(town):
    (row,) = (row for row in table(town[1], "Pack").rows if row[0] == "isolation")
    assert "Ω/V" in row[1]
    (check,) = (one for one in town[0].limits.checks if one.channel == "isolation_resistance")
    assert check.verdict == "beyond amber"
    assert "UN R100" in check.source


def test_an_averaged_logs_peak_is_called_a_lower_bound():
    time_s = np.arange(0.0, 300.0, 1.0)
    drive = made_drive(
        ("pack_current", time_s, current := 100.0 + 50.0 * np.sin(time_s / 20.0)),
        ("pack_voltage", time_s, 390.0 - 0.1 * current),
        ("state_of_charge", time_s, 0.8 - np.cumsum(current) / 3600.0 / 60.0),  # tells the sign of the current
        is_averaged=True,
    )
    caption = table(told_by(drive)[1], "discharge").caption
    assert "peak at least 150 A" in caption
    assert "lower bound" in caption


def test_a_charge_shows_wall_pack_efficiency_taper_and_pilot():
    rows = dict(table(told_by(charge_drive())[1], "Charge from").rows)
    assert rows["efficiency"].startswith("90.0 ±")
    assert rows["current that the pilot signal allowed"] == "30 A"
    assert rows["taper from"].endswith("%")


def test_coastdowns_show_the_road_load_and_each_run():
    twin = twin_drive("coastdown", 0)
    analysis, blocks = told_by(twin.to_drive())
    values = dict(table(blocks, "Road load from 4 pairs").rows)
    assert values["CdA"] == figure_text(analysis.coastdowns.drag_area_m2, KM)
    assert len(table(blocks, "Coastdowns found").rows) == 8


def test_what_is_refused_says_why():
    blocks = told_by(made_drive(("speed", np.arange(0.0, 60.0, 1.0), np.full(60, 10.0))))[1]
    words = all_words(blocks)
    assert "Ledger: refused: pack voltage and pack current not logged" in words
    assert "Derating: " in words
    assert "Coastdowns: refused." in words
    refused = table(blocks, "DC internal resistance over").rows
    assert all(row[2].startswith("refused: ") for row in refused)


def test_the_error_budget_names_every_part_that_counts(town):
    shown = {row[0] for row in budget_table(town[0].energy)[0].rows}
    assert {"gain", "offset"} <= shown
    most = max(part.sigma_wh for part in town[0].energy.budget)
    assert all(part.sigma_wh < 0.01 * most for part in town[0].energy.budget if part.name not in shown)


@pytest.mark.parametrize(("seconds", "text"), [(0.2, "0:00"), (97.0, "1:37"), (4350.0, "1:12:30")])
def test_a_moment_is_short(seconds, text):
    assert moment(seconds) == text


def test_a_figure_is_told_with_its_unit_or_its_refusal():
    assert told(Estimate(1200.0, "W", 34.0, ""), scale=0.001, digits=2, unit="kW") == "1.20 ± 0.03 kW"
    assert told(Refusal("no limit given", "Enter it")) == "refused: no limit given. Enter it"


def test_what_passed_a_limit_stands_with_its_caution_and_each_event_with_what_else_was_true():
    time_s = np.arange(0.0, 600.0, 1.0)
    hot = made_drive(
        ("motor_temperature", time_s, np.where((time_s > 200.0) & (time_s < 260.0), 60.0, 30.0)),
        ("pack_voltage", time_s, np.full(time_s.shape, 380.0)),
        ("pack_current", time_s, np.full(time_s.shape, 50.0)),
        ("speed", time_s, np.full(time_s.shape, 20.0)),
        ("state_of_charge", time_s, np.full(time_s.shape, 0.7)),
        ("ambient_temperature", time_s, np.full(time_s.shape, 20.0)),
        ("grade", time_s, np.full(time_s.shape, 0.03)),
    )
    limits = told_by(hot)[0].limits
    events = [(number, event) for number in (4, 6) for event in limits.events]
    (kinds,), (single,) = event_kind_table(event_kinds(events), KM), event_table(events, KM)
    motor = next(row for row in kinds.rows if row[0] == "motor temperature")
    assert motor[:7] == ("motor temperature", "4, 6", "2", "118 s", "60 °C", "45 °C", "4")
    assert "have it cool" in motor[7]
    event = next(row for row in single.rows if row[0] == "motor temperature")
    assert event[4:] == ("60 °C", "45 °C", "72 km/h", "19 kW", "70 %", "3.0 %", "20 °C")


def test_without_events_there_is_no_table():
    assert event_table([], KM) == event_kind_table([], KM) == []
