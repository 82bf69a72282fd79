import math
from dataclasses import replace

import numpy as np
import pytest

from logan.demo.twin import TwinVehicle
from logan.metrics.pulses import combine
from logan.metrics.resistance import PULSE_DURATIONS_S, resistance_summary
from logan.results import Estimate, Refusal
from tests.builds import example_build
from tests.twin_drives import build_of, made_drive, twin_drive, without


def true_ohm(vehicle: TwinVehicle, duration_s: float, degc: float = 20.0) -> float:
    """Resistance of the twin's circuit after a step: ohmic part, and polarisation on its way."""
    cold = math.exp(25_000.0 / 8.314 * (1.0 / (degc + 273.15) - 1.0 / 298.15))
    polarisation = vehicle.pack_polarisation_ohm * (1.0 - math.exp(-duration_s / vehicle.pack_polarisation_s))
    return (vehicle.pack_resistance_ohm + polarisation) * cold


def build_with_floor(vehicle=None):
    build = build_of(vehicle or TwinVehicle())
    return replace(build, pack=replace(build.pack, cell_voltage_floor_v=2.8))


@pytest.mark.parametrize("route", ["urban", "mixed"])
def test_pulse_resistance_within_five_per_cent(route):
    twin = twin_drive(route, 1, duration_s=1500.0)
    summary = resistance_summary(twin.to_drive(), build_with_floor())
    for band in summary.whole_drive:
        truth = true_ohm(twin.vehicle, band.duration_s)
        if band.subject == "lowest cell":
            truth = truth / twin.vehicle.cells_in_series + 1.5e-5
        assert band.resistance_ohm.value == pytest.approx(truth, rel=0.05)
        assert abs(band.resistance_ohm.value - truth) < 3.5 * band.resistance_ohm.sigma
        assert band.count >= 4


def test_a_lag_of_a_tenth_of_a_second_does_not_spoil_the_ten_second_figure():
    twin = twin_drive("urban", 1, duration_s=1500.0, current_lag_s=0.1)
    bands = resistance_summary(twin.to_drive(), build_with_floor()).whole_drive
    ten = next(band for band in bands if (band.subject, band.duration_s) == ("pack", 10.0))
    assert ten.resistance_ohm.value == pytest.approx(true_ohm(twin.vehicle, 10.0), rel=0.05)


def test_bands_carry_state_of_charge_and_temperature():
    twin = twin_drive("mixed", 1, duration_s=1500.0)
    summary = resistance_summary(twin.to_drive(), build_with_floor())
    pack = [band for band in summary.bands if band.subject == "pack" and band.duration_s == 10.0]
    assert pack[0].state_of_charge_low_ratio == pytest.approx(0.8)
    assert pack[-1].state_of_charge_high_ratio == pytest.approx(1.0)
    assert (pack[0].temperature_low_degc, pack[0].temperature_high_degc) in ((10.0, 20.0), (20.0, 30.0))
    whole = next(b for b in summary.whole_drive if b.subject == "pack" and b.duration_s == 10.0)
    assert sum(band.count for band in pack) == whole.count


def test_cold_figures_are_marked_as_extrapolated_and_less_sure():
    summary = resistance_summary(twin_drive("mixed", 1, duration_s=1500.0).to_drive(), build_with_floor())
    by_degc = {cold.temperature_degc: cold for cold in summary.cold}
    assert by_degc[-10.0].is_extrapolated
    assert "extrapolated from" in by_degc[-10.0].resistance_ohm.source
    expected = true_ohm(TwinVehicle(), 10.0, -10.0)
    assert by_degc[-10.0].resistance_ohm.value == pytest.approx(expected, rel=0.1)
    relative = [by_degc[t].resistance_ohm.sigma / by_degc[t].resistance_ohm.value for t in (10.0, -10.0, -20.0)]
    assert relative == sorted(relative)


def test_current_that_the_lowest_cell_allows():
    build = build_with_floor()
    free = replace(build, pack=replace(build.pack, discharge_current_limit_a=None))
    summary = resistance_summary(twin_drive("mixed", 1, duration_s=1500.0).to_drive(), free)
    seen = [one for one in summary.allowed if not one.is_extrapolated]
    cold = [one for one in summary.allowed if one.is_extrapolated]
    cell_ohm = true_ohm(TwinVehicle(), 10.0) / 96 + 1.5e-5
    # Around 85 % charge a cell of the twin rests at about 4.0 V.
    assert seen[0].current_a.value == pytest.approx((4.0 - 2.8) / cell_ohm, rel=0.08)
    assert [one.temperature_degc for one in cold] == [0.0, -10.0]
    assert cold[1].current_a.value < cold[0].current_a.value < seen[-1].current_a.value


def test_without_a_floor_no_current_is_allowed_or_forbidden():
    (allowed,) = resistance_summary(
        twin_drive("mixed", 1, duration_s=1500.0).to_drive(), build_of(TwinVehicle())
    ).allowed
    assert allowed.current_a.reason == "no cell voltage floor given"


def test_sag_is_measured_from_the_last_rest():
    time_s = np.arange(0.0, 200.0, 0.1)
    current = np.where((time_s > 100.0) & (time_s < 110.0), 300.0, 0.0)
    drive = made_drive(("pack_current", time_s, current), ("pack_voltage", time_s, 400.0 - 0.1 * current))
    (sag,) = resistance_summary(drive, build_with_floor()).sags
    assert (sag.lowest_v, sag.sag_v, sag.current_a) == pytest.approx((370.0, 30.0, 300.0))


def test_single_pulses_are_read_as_a_pulse_test_would():
    time_s = np.arange(0.0, 200.0, 0.1)
    current = np.where((time_s > 50.0) & (time_s < 80.0), 200.0, 0.0)
    since = np.clip(time_s - 50.05, 0.0, None)
    voltage = 400.0 - current * (0.08 + 0.02 * (1.0 - np.exp(-since / 10.0)))
    drive = made_drive(("pack_current", time_s, current), ("pack_voltage", time_s, voltage))
    found = resistance_summary(drive, build_with_floor()).pulses
    # The voltage made here relaxes at once when the current stops, so only the rise is a pulse.
    pulses = {pulse.duration_s: pulse for pulse in found if pulse.current_step_a > 0.0}
    assert set(pulses) == set(PULSE_DURATIONS_S)
    for duration_s, pulse in pulses.items():
        expected = 0.08 + 0.02 * (1.0 - math.exp(-duration_s / 10.0))
        assert pulse.resistance_ohm == pytest.approx(expected, rel=0.01)
        assert pulse.current_step_a == pytest.approx(200.0)


def test_steady_current_gives_no_resistance():
    time_s = np.arange(0.0, 900.0, 0.1)
    drive = made_drive(
        ("pack_current", time_s, np.full(time_s.shape, 60.0)), ("pack_voltage", time_s, 380.0 - time_s / 100.0)
    )
    summary = resistance_summary(drive, build_with_floor())
    assert all(isinstance(band.resistance_ohm, Refusal) for band in summary.whole_drive)
    assert "current does not vary enough for a resistance" in summary.notes


def test_missing_channels_and_flags_refuse():
    drive = twin_drive("mixed", 1, duration_s=1500.0).to_drive()
    assert "not both logged" in resistance_summary(without(drive, "pack_voltage"), build_with_floor()).notes[0]
    refusal = Refusal("voltage is frozen", "map another signal")
    summary = resistance_summary(drive, build_with_floor(), refusals={"resistance": refusal})
    assert summary.whole_drive[0].resistance_ohm == refusal
    no_cells = resistance_summary(without(drive, "cell_voltage_min"), build_with_floor())
    assert any("lowest cell is not known" in note for note in no_cells.notes)
    assert "mean cell" in no_cells.allowed[0].current_a.source


def test_combining_windows_weighs_them_and_keeps_their_spread():
    mean, sigma = combine(np.array([0.10, 0.12]), np.array([0.001, 0.01]))
    assert 0.10 < mean < 0.11
    assert sigma > 0.0019
    alone, wide = combine(np.array([0.10]), np.array([0.004]))
    assert (alone, wide) == (0.10, pytest.approx(0.006))
    assert isinstance(Estimate(mean, "ohm", sigma), Estimate)


def test_a_current_far_beyond_what_was_seen_is_capped_at_the_limit_and_wider():
    from logan.drive.drive import Channel
    from logan.metrics.resistance import AllowedCurrent, _within_limit

    time_s = np.arange(10.0)
    current = Channel(name="pack_current", time_s=time_s, value=np.full(10, 200.0))
    pack = example_build().pack
    figure = Estimate(1135.0, "A", 30.0, "lowest cell")
    one = AllowedCurrent(state_of_charge_ratio=0.8, temperature_degc=20.0, current_a=figure, is_extrapolated=False)
    found = _within_limit(one, pack, current).current_a
    assert found.value == pack.discharge_current_limit_a
    assert found.sigma > 100.0
    assert "the floor alone would allow 1135 A" in found.source
    assert "from 200 A seen" in found.source
    near = _within_limit(replace(one, current_a=Estimate(250.0, "A", 10.0, "lowest cell")), pack, current).current_a
    assert (near.value, near.sigma, near.source) == (250.0, 10.0, "lowest cell")
