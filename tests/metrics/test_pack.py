from dataclasses import replace

import numpy as np
import pytest

from logan.demo.twin import TwinVehicle
from logan.drive.drive import Channel
from logan.metrics.energy import energy_summary
from logan.metrics.pack import pack_summary
from logan.results import Refusal, Severity
from tests.twin_drives import build_of, made_drive, twin_drive, without

BUILD = build_of(TwinVehicle())


def summary_of(drive, **settings):
    return pack_summary(drive, BUILD, energy_summary(drive, BUILD), **settings)


def discharge_drive(*, start=0.9, end=0.4, capacity_ah=180.0, step=0.001, wobble=0.0):
    """Steady discharge at 400 V falling to 360 V; the state of charge is the charge left."""
    time_s = np.arange(0.0, 3600.0 * 2.0, 1.0)
    current = np.full(time_s.shape, (start - end) * capacity_ah / 2.0)
    soc = start - (start - end) * time_s / time_s[-1] + wobble * np.sin(time_s / 500.0)
    return made_drive(
        ("pack_voltage", time_s, 400.0 - 40.0 * time_s / time_s[-1]),
        ("pack_current", time_s, current),
        ("speed", time_s, np.full(time_s.shape, 20.0)),
        ("state_of_charge", time_s, np.round(soc / step) * step),
    )


def test_usable_energy_and_charge_of_the_full_scale():
    usable = summary_of(discharge_drive(wobble=0.012)).usable
    assert usable.charge_ah.value == pytest.approx(180.0, rel=0.05)
    assert usable.energy_wh.value == pytest.approx(180.0 * 380.0, rel=0.05)
    window = BUILD.pack.usable_high_ratio - BUILD.pack.usable_low_ratio
    assert usable.window_energy_wh.value == pytest.approx(window * usable.energy_wh.value)
    assert (usable.start_ratio, usable.end_ratio) == (pytest.approx(0.9, abs=0.01), pytest.approx(0.4, abs=0.03))
    # Both ends to 2 points each, over 50 points of state of charge.
    assert usable.energy_wh.sigma / usable.energy_wh.value == pytest.approx(np.sqrt(2) * 0.02 / 0.5, rel=0.2)


def test_a_counted_state_of_charge_is_called_circular():
    assert summary_of(discharge_drive()).usable.is_circular
    assert "does not check it" in summary_of(discharge_drive()).usable.note
    assert not summary_of(discharge_drive(wobble=0.02)).usable.is_circular


def test_a_run_from_full_to_empty_says_so():
    usable = summary_of(discharge_drive(start=0.99, end=0.08, wobble=0.01)).usable
    assert usable.note.endswith("a run from full to empty")


@pytest.mark.parametrize(
    ("drive", "reason"),
    [
        (discharge_drive(start=0.9, end=0.85), "5.0 points"),
        (without(discharge_drive(), "state_of_charge"), "SOC is not logged"),
        (without(discharge_drive(), "pack_voltage"), "pack power"),
    ],
)
def test_usable_energy_is_refused_with_its_reason(drive, reason):
    usable = summary_of(drive).usable
    assert isinstance(usable.energy_wh, Refusal)
    assert reason in usable.energy_wh.reason


def test_energy_per_percent_follows_the_voltage():
    bands = summary_of(discharge_drive()).per_percent
    assert len(bands) == 5
    full, empty = bands[0], bands[-1]
    assert full.high_ratio > empty.high_ratio
    assert full.wh_per_percent == pytest.approx(1.8 * 396.0, rel=0.01)
    assert empty.wh_per_percent == pytest.approx(1.8 * 364.0, rel=0.01)


def test_cell_spread_at_rest_and_under_load():
    time_s = np.arange(0.0, 600.0, 1.0)
    current = np.where(time_s < 300.0, 0.0, 150.0)
    spread = np.where(time_s < 300.0, 0.03, 0.12)
    drive = made_drive(
        ("pack_current", time_s, current),
        ("cell_voltage_min", time_s, np.full(time_s.shape, 3.7)),
        ("cell_voltage_max", time_s, 3.7 + spread),
        ("cell_temperature_min", time_s, np.full(time_s.shape, 20.0)),
        ("cell_temperature_max", time_s, np.full(time_s.shape, 26.0)),
    )
    found = summary_of(drive).spread
    assert found.rest_v.value == pytest.approx(0.03)
    assert found.load_v.value == pytest.approx(0.12)
    assert found.severity is Severity.AMBER
    assert found.temperature_k.value == pytest.approx(6.0)
    assert "common practice" in found.note


def test_the_twins_even_cells_are_not_flagged():
    drive = twin_drive("urban", 1, duration_s=1500.0).to_drive()
    assert summary_of(drive).spread.severity is None


def test_isolation_is_the_lowest_that_lasted_over_the_highest_voltage():
    time_s = np.arange(0.0, 100.0, 1.0)
    ohm = np.where((time_s > 20.0) & (time_s < 50.0), 39_000.0, 2e6)
    ohm[80] = 0.0
    volts = ("pack_voltage", time_s, np.full(time_s.shape, 400.0))
    isolation = summary_of(made_drive(volts, ("isolation_resistance", time_s, ohm))).isolation_ohm_per_v
    assert isolation.value == pytest.approx(97.5)
    assert isolation.sigma == pytest.approx(0.2 * 97.5)
    shorted = summary_of(made_drive(volts, ("isolation_resistance", time_s, 0.0 * ohm))).isolation_ohm_per_v
    assert shorted.value == 0.0
    assert "not logged" in summary_of(made_drive(volts)).isolation_ohm_per_v.reason


def charge_drive(efficiency=0.9, *, wall="charger_power_ac"):
    """An hour at 7.2 kW from the wall, then half an hour of taper."""
    time_s = np.arange(0.0, 5400.0, 1.0)
    wall_w = np.where(time_s < 3600.0, 7200.0, 7200.0 * np.exp(-(time_s - 3600.0) / 600.0))
    columns = [
        ("pack_voltage", time_s, np.full(time_s.shape, 400.0)),
        ("pack_current", time_s, -efficiency * wall_w / 400.0),
        ("speed", time_s, np.zeros(time_s.shape)),
        ("state_of_charge", time_s, 0.5 + 0.4 * time_s / time_s[-1]),
        ("cell_temperature_max", time_s, 20.0 + time_s / 1000.0),
    ]
    if wall == "charger_power_ac":
        columns.append((wall, time_s, wall_w))
    elif wall:
        columns += [
            ("charger_voltage_ac", time_s, np.full(time_s.shape, 240.0)),
            ("charger_current_ac", time_s, wall_w / 240.0),
        ]
    return made_drive(*columns)


@pytest.mark.parametrize("wall", ["charger_power_ac", "charger_voltage_ac"])
def test_a_charge_gives_energy_efficiency_taper_and_temperature(wall):
    (session,) = summary_of(charge_drive(wall=wall)).charging
    # The taper's tail below 50 W into the pack, some 50 minutes later, is not reached here.
    wall_wh = 7200.0 + 7200.0 * 600.0 * (1 - np.exp(-3.0)) / 3600.0
    assert session.wall_wh.value == pytest.approx(wall_wh, rel=0.005)
    assert session.efficiency_ratio.value == pytest.approx(0.9, rel=0.005)
    assert session.peak_power_w == pytest.approx(6480.0, rel=0.01)
    assert session.taper_start_ratio == pytest.approx(0.5 + 0.4 * 3760.0 / 5400.0, abs=0.01)
    assert session.temperature_max_degc == pytest.approx(25.4, abs=0.1)
    assert (session.state_of_charge_start_ratio, session.state_of_charge_end_ratio) == pytest.approx(
        (0.5, 0.9), abs=0.01
    )


def test_without_the_wall_no_efficiency():
    (session,) = summary_of(charge_drive(wall="")).charging
    assert isinstance(session.efficiency_ratio, Refusal)


def test_more_than_came_from_the_wall_is_refused():
    (session,) = summary_of(charge_drive(efficiency=1.2)).charging
    assert "cannot be" in session.efficiency_ratio.reason


def test_a_drive_has_no_charging_session():
    assert summary_of(twin_drive("urban", 1, duration_s=1500.0).to_drive()).charging == ()


def test_a_flag_on_state_of_charge_refuses_usable_energy():
    refusal = Refusal("SOC jumps", "let the BMS settle")
    assert summary_of(discharge_drive(), refusals={"usable_energy": refusal}).usable.energy_wh == refusal


def test_a_log_with_a_charge_in_it_gives_no_usable_energy():
    drive = charge_drive()
    rolling = replace(drive["speed"], value=np.where(drive["speed"].time_s < 600.0, 10.0, 0.0))
    assert isinstance(summary_of(drive.with_channels(rolling)).usable.energy_wh, Refusal)


def test_lowest_and_highest_pack_voltage_with_their_times():
    voltage = summary_of(discharge_drive()).voltage
    assert (voltage.highest_v, voltage.highest_at_s) == (400.0, 0.0)
    assert (voltage.lowest_v, voltage.lowest_at_s) == (pytest.approx(360.0), 7199.0)
    assert isinstance(summary_of(without(discharge_drive(), "pack_voltage")).voltage, Refusal)


@pytest.mark.from_memory("SAE J1772, pilot duty cycle: 0.6 A per percent up to 85 %, then 2.5 A above 64 %")
@pytest.mark.parametrize(("duty", "amperes"), [(0.5, 30.0), (0.9, 65.0), (0.05, None)])
def test_the_pilots_duty_cycle_says_what_the_charging_point_allowed(duty, amperes):
    drive = charge_drive()
    time_s = drive["pack_current"].time_s
    pilot = Channel(name="pilot_duty", time_s=time_s, value=np.full(time_s.shape, duty))
    (session,) = summary_of(drive.with_channels(pilot)).charging
    assert session.pilot_limit_a == (None if amperes is None else pytest.approx(amperes))


def test_without_a_pilot_signal_no_limit_is_made_up():
    assert summary_of(charge_drive()).charging[0].pilot_limit_a is None
