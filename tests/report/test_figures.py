"""Figures: from finished results, units on every axis, the finding as caption, nothing computed but display units."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logan.drive.drive import Channel
from logan.driving_range.attribution import Attribution, AttributionStep
from logan.driving_range.coverage import Calibration, LeftOutDrive
from logan.ledger.ledger import EnergyLedger, LedgerEntry
from logan.report.draw import svg
from logan.report.figure import Bars, Dots, Limit, Line, Span
from logan.report.figures.consumption import (
    breakdown_rows,
    calibration_figure,
    cause_figure,
    ledger_figure,
    speed_figure,
)
from logan.report.figures.drive import route_figure, route_profile, thin, timeline_figure
from logan.report.figures.driving_range import _range_finding, attribution_figure, range_figure, unsure_figure
from logan.report.figures.limits import approaches, bullet_figure, duration_figure
from logan.results import Estimate, Severity
from logan.units import DisplayUnits
from tests.twin_drives import made_drive

KM = DisplayUnits("km", "degC")
MI = DisplayUnits("mi", "degF")


def marks_of(figure, kind, panel=0):
    return [mark for mark in figure.panels[panel].marks if isinstance(mark, kind)]


def bullets(inputs, units, drives=None):
    return bullet_figure(approaches(drives or inputs.drives), units, inputs.build.limits.design_ambient_degc)


def figures(inputs, units):
    drive = inputs.drives[0]
    runs = [(drive.label, run) for run in drive.calibration.steady_runs]
    every = {
        "range": range_figure(inputs.plan, None, units),
        "unsure": unsure_figure(inputs.budget, units),
        "speed": speed_figure(inputs.plan_curve, None, runs, units),
        "cause": cause_figure(inputs.plan, units),
        "ledger": ledger_figure(drive.ledger, drive.label),
        "duration": duration_figure(drive.current, inputs.build.limits),
        "bullets": bullets(inputs, units),
        "timeline": timeline_figure(drive.drive, drive.limits, drive.flags, units, label=drive.label),
        "route": route_figure(route_profile(drive.drive), units),
    }
    return {name: figure for name, figure in every.items() if figure is not None}


@pytest.mark.parametrize("units", [KM, MI])
def test_every_axis_that_counts_something_names_its_unit(inputs, units):
    for name, figure in figures(inputs, units).items():
        titles = [figure.x.title, *(panel.y.title for panel in figure.panels if not panel.y.names)]
        assert all("[" in title and "]" in title for title in titles), (name, titles)


def test_every_caption_is_a_finding_with_a_number_in_it(inputs):
    for name, figure in figures(inputs, MI).items():
        assert figure.finding.endswith("."), name
        assert any(letter.isdigit() for letter in figure.finding), (name, figure.finding)
        assert figure.alt.startswith(figure.finding)


def test_range_is_drawn_in_the_unit_asked_for_with_the_target(inputs):
    miles, kilometres = range_figure(inputs.plan, None, MI), range_figure(inputs.plan, None, KM)
    (in_miles,), (in_km,) = marks_of(miles, Dots), marks_of(kilometres, Dots)
    np.testing.assert_allclose(np.array(in_km.x) / np.array(in_miles.x), 1.609344)
    assert in_miles.x[0] == pytest.approx(inputs.plan.scenarios[0].range_m.p50 / 1609.344)
    (target,) = marks_of(miles, Limit)
    assert target.value == pytest.approx(inputs.plan.target_range_m / 1609.344)


def adds_up(figure):
    (bars,) = marks_of(figure, Bars)
    assert list(bars.start)[1:] == pytest.approx(list(bars.end)[:-1])
    return bars


def test_the_causes_of_a_scenario_add_up_to_its_consumption(inputs):
    bars = adds_up(cause_figure(inputs.plan, MI))
    total = sum(value for _, value in breakdown_rows(inputs.plan.target.breakdown)) * 1.609344
    assert bars.end[-1] == pytest.approx(total, rel=0.02)


def test_a_drives_waterfall_adds_up_to_what_left_the_pack_and_names_what_is_not_explained(inputs):
    drive = inputs.drives[0]
    figure = ledger_figure(drive.ledger, drive.label)
    bars = adds_up(figure)
    assert bars.end[-1] == pytest.approx(drive.energy.net_wh.value / 1000.0, rel=0.01)
    assert "not explained" in figure.panels[0].y.names
    residual = figure.panels[0].y.names.index("not explained")
    assert bars.end[residual] - bars.start[residual] == pytest.approx(drive.ledger.residual_wh.value / 1000.0)


def attribution(*changes):
    steps = tuple(
        AttributionStep(
            name=name, unit="", before=1.0, after=2.0, consumption_change_wh_per_km=0.0, range_change_m=change
        )
        for name, change in changes
    )
    before = 200_000.0
    return Attribution(
        scenario="highway", consumption_before_wh_per_km=200.0, consumption_after_wh_per_km=210.0,
        range_before_m=before, range_after_m=before + sum(change for _, change in changes), steps=steps,
    )  # fmt: skip


def test_the_caption_says_which_cause_took_how_many_of_the_miles_lost():
    lost = attribution(("drag_area_m2", -17_700.0), ("mass_kg", -15_000.0), ("usable_energy_wh", -4_300.0))
    figure = attribution_figure(lost, MI)
    assert figure.finding == "CdA took 11 of the 23 mi lost."
    bars = adds_up(figure)
    assert bars.start[0] == pytest.approx(200_000.0 / 1609.344)
    assert bars.end[-1] == pytest.approx(163_000.0 / 1609.344)
    assert attribution_figure(attribution(("mass_kg", 300.0)), KM).finding.startswith("The drives bear the plan out")
    more = attribution(("drag_area_m2", -30_000.0), ("mass_kg", 10_000.0))
    assert attribution_figure(more, KM).finding == "CdA took 30 km; 20 km lost in all."


def test_parts_of_one_cause_are_told_as_one():
    both = attribution(("driveline_drag_n", -9_000.0), ("driveline_n_s_per_m", -6_000.0), ("mass_kg", -10_000.0))
    assert attribution_figure(both, KM).finding == "Driveline drag took 15 of the 25 km lost."


def test_causes_beyond_the_most_drawn_are_one_bar_and_still_add_up():
    many = attribution(*((name, -2_000.0 - k) for k, name in enumerate(("a", "b", "c", "d", "e", "f", "g", "h"))))
    figure = attribution_figure(many, KM, most=3)
    assert figure.panels[0].y.names == ("plan", "h", "g", "f", "all others", "with the drives")
    assert adds_up(figure).end[-1] == pytest.approx(many.range_after_m / 1000.0)


def test_bullets_are_sorted_by_margin_and_say_what_is_left(inputs):
    check = next(c for c in inputs.drives[0].limits.checks if c.unit == "degC")
    design = inputs.build.limits.design_ambient_degc

    def at(channel, worst, severity=None):
        return replace(check, channel=channel, amber=80.0, red=100.0, worst_value=worst, margin=100.0 - worst,
                       margin_bound=1.0, severity=severity, verdict="beyond amber" if severity else check.verdict,
                       used_ratio=(worst - design) / (100.0 - design))  # fmt: skip

    summary = replace(
        inputs.drives[0].limits,
        checks=(at("motor_temperature", 60.0), at("inverter_temperature", 95.0, Severity.AMBER), at("coolant", 70.0)),
    )
    figure = bullets(inputs, KM, [SimpleNamespace(number=1, limits=summary)])
    assert figure.panels[0].y.names == ("inverter temperature", "coolant", "motor temperature")
    (bars,) = marks_of(figure, Bars)
    assert bars.end[0] == pytest.approx(100.0 * (95.0 - design) / (100.0 - design))
    assert bars.inks == ("amber", "good", "good")
    assert bars.labels[0] == "95 °C, 5 ± 1 °C left"
    assert figure.finding == "Inverter temperature passed amber: 95 °C against 80 °C on drive 1."
    assert "32 ± 2 °F left" not in bars.labels[0]
    assert (
        marks_of(bullets(inputs, MI, [SimpleNamespace(number=1, limits=summary)]), Bars)[0].labels[0]
        == "203 °F, 9 ± 2 °F left"
    )


@pytest.mark.parametrize("verdict", ["beyond for an instant", "held at its limit"])
def test_what_was_beyond_without_an_event_is_not_green(inputs, verdict):
    """Color and words agree: green stayed within; amber and red are events that lasted."""
    check = next(c for c in inputs.drives[0].limits.checks if c.unit == "degC")
    over = replace(check, amber=80.0, red=100.0, worst_value=103.0, margin=-3.0, margin_bound=1.0, severity=None,
                   verdict=verdict, used_ratio=1.05)  # fmt: skip
    summary = replace(inputs.drives[0].limits, checks=(over,))
    figure = bullets(inputs, KM, [SimpleNamespace(number=1, limits=summary)])
    (bars,) = marks_of(figure, Bars)
    assert bars.inks == ("neutral",)
    is_brief = verdict == "beyond for an instant"
    assert bars.labels == ("103 °C, 3 ± 1 °C beyond" + " for an instant" * is_brief,)
    assert ("was beyond for an instant: 103 °C against 100 °C" in figure.finding) is is_brief


def test_without_a_limit_there_is_no_bullet_and_without_a_curve_no_curve(inputs):
    drive = inputs.drives[0]
    bare = replace(drive.limits, checks=tuple(c for c in drive.limits.checks if c.margin is None))
    assert bullets(inputs, KM, [SimpleNamespace(number=1, limits=bare)]) is None
    assert duration_figure(drive.current, replace(inputs.build.limits, curves=())) is None


def test_a_timeline_carries_limit_lines_and_limit_events_cell_voltage_and_soc_among_them(inputs):
    from logan.analysis import analyse_drive

    time_s = np.arange(0.0, 600.0, 1.0)
    low = np.where((time_s > 200.0) & (time_s < 260.0), 2.9, 3.6)
    drive = made_drive(
        ("cell_voltage_min", time_s, low), ("cell_voltage_max", time_s, low + 0.1),
        ("state_of_charge", time_s, np.full(time_s.shape, 0.6)), ("speed", time_s, np.full(time_s.shape, 20.0)),
    )  # fmt: skip
    build = replace(inputs.build, pack=replace(inputs.build.pack, cell_voltage_floor_v=3.0))
    limits = analyse_drive(drive, build).limits
    figure = timeline_figure(drive, limits, (), MI, label="7")
    titles = [panel.y.title for panel in figure.panels]
    assert "cell voltage [V]" in titles
    assert "SOC [%]" in titles
    cells = figure.panels[titles.index("cell voltage [V]")]
    assert any(isinstance(mark, Limit) and mark.value == pytest.approx(3.0) for mark in cells.marks)
    for panel in figure.panels:
        events = [mark for mark in panel.marks if isinstance(mark, Span) and mark.is_marked]
        assert [round(event.start * 60.0) for event in events] == [201]
    assert figure.finding.startswith("Drive 7: cell voltage min passed red after 3 min 21 s, 2.9")


def test_temperatures_follow_the_unit_asked_for(inputs):
    drive = inputs.drives[0]

    def hottest(units):
        figure = timeline_figure(drive.drive, drive.limits, (), units, label="1")
        return np.nanmax(marks_of(figure, Line, panel=-1)[0].y)

    assert hottest(KM) * 1.8 + 32.0 == pytest.approx(hottest(MI))


def test_thinning_loses_no_peak_and_keeps_gaps():
    time_s = np.arange(36_000) * 0.1
    value = np.sin(time_s / 50.0)
    value[17_123], value[30_001] = 9.0, -7.0
    value[5_000:6_000] = np.nan
    kept_s, kept = thin(time_s, value, 1000)
    assert kept_s.size <= 1000
    assert np.nanmax(kept) == 9.0
    assert np.nanmin(kept) == -7.0
    assert np.isnan(kept[(kept_s >= 499.9) & (kept_s <= 600.1)]).any()
    assert np.all(np.diff(kept_s) >= 0)


def test_a_timeline_of_an_hour_stays_small(inputs, twin_drive):
    time_s = np.arange(36_000) * 0.1
    rng = np.random.default_rng(2)
    hour = replace(
        twin_drive,
        channels={n: Channel(name=n, time_s=time_s, value=rng.normal(20.0, 1.0, time_s.size)) for n in twin_drive},
    )
    assert len(svg(timeline_figure(hour, inputs.drives[0].limits, (), MI, label="1"), "wide")) < 300_000


def test_a_route_uses_what_the_drive_used(inputs):
    drive = inputs.drives[0]
    route = route_profile(drive.drive)
    used_wh = float(np.nansum(route.wh_per_km * np.diff(route.edge_m)) / 1000.0)
    assert np.isfinite(route.wh_per_km).all()
    assert used_wh == pytest.approx(drive.energy.net_wh.value, rel=0.01)
    assert route.length_m == pytest.approx(drive.energy.distance_m.value, rel=0.02)


def test_a_stretch_without_power_is_left_blank(twin_drive):
    current = twin_drive["pack_current"]
    value = np.where((current.time_s > 100.0) & (current.time_s < 250.0), np.nan, current.value)
    route = route_profile(twin_drive.with_channels(replace(current, value=value)))
    assert np.isnan(route.wh_per_km).any()
    assert np.isfinite(route.wh_per_km).any()
    assert len(marks_of(route_figure(route, MI), Bars, panel=-1)[0].at) == np.isfinite(route.wh_per_km).sum()


def test_height_is_in_feet_with_miles_and_in_metres_with_kilometres(inputs):
    route = route_profile(inputs.drives[0].drive)
    feet, metres = (marks_of(route_figure(route, units), Line)[0].y for units in (MI, KM))
    np.testing.assert_allclose(np.nanmax(feet) * 0.3048, np.nanmax(metres), rtol=1e-6)
    assert route_figure(route, MI).panels[0].y.title == "elevation [ft]"


def test_drives_left_out_stand_with_their_interval():
    drives = tuple(
        LeftOutDrive(
            drive_id=str(k), distance_m=9e3, sigma_wh=50.0, measured_wh=1000.0,
            predicted_wh=1000.0 + 20.0 * k, low_wh=900.0, high_wh=1010.0,
            naive_wh=1100.0,
        )
        for k in range(3)
    )  # fmt: skip
    calibration = Calibration(drives=drives, median_error_ratio=0.02, naive_median_error_ratio=0.1)
    figure = calibration_figure(calibration, ["1 · a", "2 · b", "3 · c"])
    dots = next(mark for mark in marks_of(figure, Dots) if mark.symbol == "circle")
    assert list(dots.y) == pytest.approx([0.0, 2.0, 4.0])
    assert list(dots.low) == pytest.approx([-10.0] * 3)
    assert list(dots.high) == pytest.approx([1.0] * 3)


def test_a_gap_is_that_between_the_figures_shown():
    """ "225 km: 1 km short of the target" once stood over a target of 225 km."""
    said = {
        (224.6, 225.3): "225 km in 'x': right at the target.",
        (224.4, 225.3): "224 km in 'x': 1 km short of the target.",
        (226.6, 225.3): "227 km in 'x': 2 km beyond the target.",
    }
    for (middle, target), words in said.items():
        scenario = SimpleNamespace(range_m=SimpleNamespace(p50=1000.0 * middle))
        asked = SimpleNamespace(target=scenario, target_range_m=1000.0 * target, target_scenario="x")
        assert _range_finding(asked, KM) == words


@pytest.mark.parametrize(
    ("residual_wh", "net_kwh", "words"),
    [(40.0, 4.0, "it adds up."), (40.0, 2.0, "0.04 kWh are not explained."), (-90.0, 4.0, "0.1 kWh too many are")],
)
def test_a_ledger_that_adds_up_says_so_instead_of_nothing_unexplained(residual_wh, net_kwh, words):
    parts = (("rolling", 1000.0 * net_kwh - residual_wh), ("residual", residual_wh))
    entries = tuple(LedgerEntry(name=name, energy_wh=Estimate(wh, "Wh", 10.0), basis="modeled") for name, wh in parts)
    ledger = EnergyLedger(entries=entries, residual_wh=Estimate(residual_wh, "Wh"), residual_ratio=0.0, notes=())
    assert words in ledger_figure(ledger, "2").finding
