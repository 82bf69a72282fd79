"""Figures: from finished results, units on every axis, nothing computed but display units."""

import numpy as np
import pytest

from logan.report.figures.consumption import breakdown_rows, cause_figure, ledger_figure, speed_figure
from logan.report.figures.current import duration_figure, resistance_figure
from logan.report.figures.drive import (
    clock_figure,
    quality_figure,
    route_figure,
    stops_figure,
    strip_figure,
)
from logan.report.figures.driving_range import range_figure, tornado_figure
from logan.report.figures.thermal import temperature_figure
from logan.report.figures.timeline import timeline_figure
from logan.report.route import route_profile
from logan.report.thinning import thin
from logan.units import DisplayUnits

KM = DisplayUnits("km", "degC")
MI = DisplayUnits("mi", "degF")


def figures(inputs, units):
    drive = inputs.drives[0]
    return {
        "range": range_figure(inputs.plan, None, units),
        "tornado": tornado_figure(inputs.plan_tornado, units),
        "speed": speed_figure(inputs.plan_curve, None, [drive.ledger], units),
        "cause": cause_figure(inputs.plan, units),
        "ledger": ledger_figure(drive.ledger, units, 5000.0),
        "duration": duration_figure(drive.current, inputs.build.limits),
        "resistance": resistance_figure(drive.resistance),
        "temperature": temperature_figure([(drive.label, drive.limits)], units),
        "timeline": timeline_figure(drive.drive, drive.flags, units),
        "stops": stops_figure(drive.regen, units),
        "route": route_figure(route_profile(drive.drive), units),
        "strip": strip_figure(drive.drive, drive.flags),
        "quality": quality_figure([(drive.label, drive.grades, drive.flags)]),
    }


@pytest.mark.parametrize("units", [KM, MI])
def test_every_axis_that_counts_something_names_its_unit(inputs, units):
    for name, figure in figures(inputs, units).items():
        if name == "quality":
            continue
        titles = [axis.title.text for axis in (*figure.select_xaxes(), *figure.select_yaxes()) if axis.title.text]
        assert titles, name
        assert all("[" in title and "]" in title for title in titles), (name, titles)


def test_every_figure_has_words_for_those_who_cannot_see_it(inputs):
    for name, figure in figures(inputs, MI).items():
        assert len(figure.layout.meta["alt"]) > 15, name


def test_range_is_drawn_in_the_unit_asked_for_with_the_target(inputs):
    miles, kilometres = range_figure(inputs.plan, None, MI), range_figure(inputs.plan, None, KM)
    np.testing.assert_allclose(np.array(kilometres.data[0].x) / np.array(miles.data[0].x), 1.609344)
    expected = inputs.plan.scenarios[0].range_m.p50 / 1609.344
    assert miles.data[0].x[0] == pytest.approx(expected)
    assert miles.layout.shapes[0].x0 == pytest.approx(inputs.plan.target_range_m / 1609.344)


def test_bars_of_a_scenario_add_up_to_its_consumption(inputs):
    figure = cause_figure(inputs.plan, MI)
    total = sum(trace.x[0] for trace in figure.data)
    rows = breakdown_rows(inputs.plan.scenarios[0].breakdown)
    assert total == pytest.approx(sum(value for _, value in rows) * 1.609344, abs=0.5)


def test_temperatures_follow_the_unit_asked_for(inputs):
    drive = inputs.drives[0]
    in_c = temperature_figure([("1", drive.limits)], KM)
    in_f = temperature_figure([("1", drive.limits)], MI)
    points_c = [trace.x[0] for trace in in_c.data if trace.mode == "markers"]
    points_f = [trace.x[0] for trace in in_f.data if trace.mode == "markers"]
    np.testing.assert_allclose(np.array(points_c) * 1.8 + 32.0, points_f)


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


def test_a_timeline_of_an_hour_stays_under_two_megabytes(twin_drive):
    from dataclasses import replace

    from logan.drive.drive import Channel

    time_s = np.arange(36_000) * 0.1
    rng = np.random.default_rng(2)
    names = list(twin_drive)
    hour = replace(
        twin_drive,
        channels={name: Channel(name=name, time_s=time_s, value=rng.normal(20.0, 1.0, time_s.size)) for name in names},
    )
    assert len(timeline_figure(hour, (), MI).to_json()) < 2_000_000


def test_a_route_uses_what_the_drive_used(inputs):
    drive = inputs.drives[0]
    route = route_profile(drive.drive)
    used_wh = float(np.nansum(route.wh_per_km * np.diff(route.edge_m)) / 1000.0)
    assert np.isfinite(route.wh_per_km).all()
    assert used_wh == pytest.approx(drive.energy.net_wh.value, rel=0.01)
    assert route.length_m == pytest.approx(drive.energy.distance_m.value, rel=0.02)


def test_a_stretch_without_power_is_left_blank(twin_drive):
    from dataclasses import replace

    current = twin_drive["pack_current"]
    value = np.where((current.time_s > 100.0) & (current.time_s < 250.0), np.nan, current.value)
    holed = twin_drive.with_channels(replace(current, value=value))
    route = route_profile(holed)
    assert np.isnan(route.wh_per_km).any()
    assert np.isfinite(route.wh_per_km).any()


def test_height_is_in_feet_with_miles_and_in_metres_with_kilometres(inputs):
    route = route_profile(inputs.drives[0].drive)
    feet, metres = route_figure(route, MI), route_figure(route, KM)
    np.testing.assert_allclose(np.nanmax(feet.data[0].y) * 0.3048, np.nanmax(metres.data[0].y), rtol=1e-6)
    assert feet.layout.yaxis.title.text == "elevation [ft]"


def test_the_strip_shows_a_gap_as_a_gap(twin_drive):
    from dataclasses import replace

    speed = twin_drive["speed"]
    kept = (speed.time_s < 100.0) | (speed.time_s > 200.0)
    holed = twin_drive.with_channels(replace(speed, time_s=speed.time_s[kept], value=speed.value[kept]))
    row = strip_figure(holed, ()).data[0]
    ends = [x * 60.0 for x, y in zip(row.x, row.y, strict=True) if y == "speed" and np.isfinite(x)]
    assert len(ends) == 4
    assert ends[1] == pytest.approx(100.0, abs=1.0)
    assert ends[2] == pytest.approx(200.0, abs=1.0)


def test_the_clock_figure_marks_the_best_lag():
    from logan.drive.clock_alignment import ClockAlignment

    lags_s = np.linspace(-50.0, 50.0, 201)
    found = ClockAlignment(
        lag_s=1.5, low_s=1.4, high_s=1.6, drift_ppm=3.0, at_s=0.0, correlation=0.98, lags_s=lags_s,
        correlations=0.98 - 0.01 * np.abs(lags_s - 1.5),
    )  # fmt: skip
    figure = clock_figure(found, ("speed", "gnss_speed"))
    assert figure.data[1].x == (1.5,)
    assert "best at +1.5 s" in figure.layout.meta["alt"]


def test_markup_in_a_scenarios_name_is_shown_as_text(inputs):
    from dataclasses import replace

    first = inputs.plan.scenarios[0]
    named = replace(inputs.plan, scenarios=(replace(first, name="<i>fast</i>"),), target_scenario="<i>fast</i>")
    assert range_figure(named, None, MI).layout.yaxis.ticktext == ("<b>&lt;i&gt;fast&lt;/i&gt;</b>",)


def test_the_way_from_one_drive_to_the_other_adds_up():
    from logan.report.figures.difference import difference_figure
    from logan.results import Estimate

    parts = [("speed", Estimate(20.0, "Wh/km", 1.0)), ("hills", Estimate(-5.0, "Wh/km", 0.5))]
    first, second = ("1", Estimate(200.0, "Wh/km", 3.0)), ("2", Estimate(215.0, "Wh/km", 3.0))
    figure = difference_figure(first, second, parts, KM)
    ends = {}
    for trace in figure.data[:2]:
        for name, start, change in zip(trace.y, trace.base, trace.x, strict=True):
            ends[name] = start + change
    assert ends == {"speed": 220.0, "hills": 215.0}
    assert "largest part is speed, +20" in figure.layout.meta["alt"]
