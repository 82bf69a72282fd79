"""Figures of what the drives taught: hand-made results, drawn where they belong."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from logan.driving_range.attribution import Attribution, AttributionStep
from logan.driving_range.coverage import Calibration, LeftOutDrive
from logan.metrics.pack import EnergyPerPercent
from logan.model.fit_result import DriveFit
from logan.report.figures.consumption import calibration_figure, predicted_measured_figure
from logan.report.figures.drive import usable_energy_figure
from logan.report.figures.driving_range import attribution_figure
from logan.results import Estimate
from logan.units import DisplayUnits

KM = DisplayUnits("km", "degC")
MI = DisplayUnits("mi", "degF")
ONE = Estimate(1.0, "ratio", 0.01, "fit")


def drive(name, *, planned, measured, refined, refusal=""):
    """A drive of ten kilometres."""
    return DriveFit(
        drive_id=name,
        distance_m=10_000.0,
        measured_wh=measured,
        planned=Estimate(planned, "Wh", 100.0, "plan"),
        refined=Estimate(refined, "Wh", 20.0, "fit"),
        level=ONE,
        headwind=ONE,
        auxiliary_power=ONE,
        segment_count=5,
        outlier_ratio=0.0,
        refusal=refusal,
    )


FIT = SimpleNamespace(
    drives=(
        drive("1", planned=1800.0, measured=2000.0, refined=1990.0),
        drive("2", planned=1000.0, measured=1000.0, refined=1000.0, refusal="no speed"),
        drive("3", planned=2400.0, measured=2500.0, refined=2520.0),
    )
)


@pytest.mark.parametrize(("units", "factor"), [(KM, 1.0), (MI, 1.609344)])
def test_predicted_stands_beside_measured_per_distance_and_refused_drives_are_left_out(units, factor):
    figure = predicted_measured_figure(FIT, ["one", "two", "three"], units)
    plan, refined, measured = figure.data
    assert list(measured.x) == ["one", "three"]
    assert list(measured.y) == pytest.approx([200.0 * factor, 250.0 * factor])
    assert list(plan.y) == pytest.approx([180.0 * factor, 240.0 * factor])
    assert list(refined.y) == pytest.approx([199.0 * factor, 252.0 * factor])
    assert list(refined.error_y.array) == pytest.approx([1.645 * 2.0 * factor] * 2)
    assert units.consumption_label in figure.layout.yaxis.title.text


LEFT_OUT = LeftOutDrive(
    drive_id="1",
    distance_m=10_000.0,
    measured_wh=2000.0,
    predicted_wh=2040.0,
    sigma_wh=60.0,
    planned_wh=1800.0,
    naive_wh=1500.0,
    low_wh=1940.0,
    high_wh=2140.0,
)
CALIBRATION = Calibration(
    drives=(LEFT_OUT, replace(LEFT_OUT, drive_id="3", predicted_wh=2300.0, low_wh=2200.0, high_wh=2400.0)),
    median_error_ratio=None,
    p90_error_ratio=None,
    mean_error_ratio=None,
    naive_median_error_ratio=None,
    planned_median_error_ratio=None,
    covered_ratio=None,
)


def test_errors_of_left_out_drives_carry_their_interval_and_the_fit_its_residuals():
    figure = calibration_figure(CALIBRATION, ["one", "three"], {"1": 0.012, "3": -0.004})
    unseen, naive, residual = figure.data
    assert list(unseen.y) == pytest.approx([2.0, 15.0])
    assert list(unseen.error_y.array) == pytest.approx([5.0, 5.0])
    assert list(unseen.error_y.arrayminus) == pytest.approx([5.0, 5.0])
    assert list(naive.y) == pytest.approx([-25.0, -25.0])
    assert list(residual.y) == pytest.approx([1.2, -0.4])
    assert "1 of 2 drives lie inside" in figure.layout.meta["alt"]


def test_the_steps_lead_from_the_planned_range_to_the_refined_one():
    steps = (
        AttributionStep(name="drag_area_m2", unit="m2", before=0.95, after=1.05, consumption_change_wh_per_km=17.0,
                        range_change_m=-18_000.0),
        AttributionStep(name="mass_kg", unit="kg", before=1600.0, after=1550.0, consumption_change_wh_per_km=-3.0,
                        range_change_m=3_000.0),
    )  # fmt: skip
    moved = Attribution(
        scenario="highway",
        consumption_before_wh_per_km=210.0,
        consumption_after_wh_per_km=224.0,
        range_before_m=250_000.0,
        range_after_m=235_000.0,
        steps=steps,
    )
    figure = attribution_figure(moved, KM)
    takes, adds, plan, refined = figure.data
    assert (takes.base[0], takes.x[0]) == (250.0, -18.0)
    assert (adds.base[0], adds.x[0]) == (232.0, 3.0)
    assert adds.base[0] + adds.x[0] == refined.x[0] == 235.0
    assert plan.x[0] == 250.0
    assert attribution_figure(moved, MI).data[3].x[0] == pytest.approx(146.02, abs=0.01)


def test_energy_per_percent_is_drawn_over_its_band_with_its_uncertainty():
    band = EnergyPerPercent(low_ratio=0.4, high_ratio=0.6, wh_per_percent=615.0, sigma_wh_per_percent=9.0)
    (bars,) = usable_energy_figure(SimpleNamespace(per_percent=(band,))).data
    assert (bars.x[0], bars.y[0], bars.error_y.array[0]) == (50.0, 615.0, 9.0)
    assert bars.width[0] < 20.0
