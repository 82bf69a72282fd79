"""Figures: from finished results, units on every axis, nothing computed but display units."""

import numpy as np
import pytest

from logan.report.figures.consumption import breakdown_rows, cause_figure, ledger_figure, speed_figure
from logan.report.figures.current import duration_figure, resistance_figure
from logan.report.figures.drive import quality_figure, route_figure, stops_figure
from logan.report.figures.driving_range import range_figure, tornado_figure
from logan.report.figures.thermal import temperature_figure
from logan.report.figures.timeline import timeline_figure
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
        "route": route_figure(drive.drive, None, units),
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
