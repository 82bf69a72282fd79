"""Real heaters and air conditioners are taken, false ones refused, on twins in traffic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.admission.admit import admitted
from logan.analysis import analyse_drive
from logan.drive.drive import Channel, Drive
from logan.drive.logged_loads import judged_loads
from tests.twin_drives import build_of, twin_drive

TWINS = [("urban", seed) for seed in range(4)] + [("mixed", seed) for seed in range(4)]


def _twin(number: int):
    route, seed = TWINS[number % len(TWINS)]
    twin = twin_drive(route, seed, duration_s=1500.0)
    vehicle = twin.vehicle
    # The plan is off by what plans are off by: 5 % in mass, 8 % in drag, 12 % in rolling.
    build = build_of(replace(vehicle, mass_kg=1.05 * vehicle.mass_kg, drag_area_m2=0.92 * vehicle.drag_area_m2,
                             rolling_coefficient=1.12 * vehicle.rolling_coefficient))  # fmt: skip
    return twin.to_drive(), build


def _power_w(rng: np.random.Generator, time_s: np.ndarray) -> np.ndarray:
    """A thermostat's work: full power to warm up, then on and off; or a level that a controller trims."""
    full_w = rng.uniform(1_500.0, 5_000.0)
    if rng.uniform() < 0.5:
        period_s, share = rng.uniform(40.0, 200.0), rng.uniform(0.3, 0.7)
        warm = np.mod(time_s, period_s) < share * period_s
        return np.where((time_s < rng.uniform(100.0, 400.0)) | warm, full_w, 0.0)
    return full_w * (0.35 + 0.65 * np.exp(-time_s / rng.uniform(200.0, 500.0)))


def _logging(drive: Drive, rng: np.random.Generator, *, gain: float, name: str = "heater_power") -> Drive:
    """Log a load of which the pack gives ``gain`` times as much."""
    time_s = np.arange(0.0, drive.duration_s, 1.0)
    power_w = _power_w(rng, time_s)
    current, voltage = drive["pack_current"], drive["pack_voltage"]
    drawn = gain * np.interp(current.time_s, time_s, power_w) / np.interp(current.time_s, voltage.time_s, voltage.value)
    return drive.with_channels(
        replace(current, value=current.value + drawn), Channel(name=name, time_s=time_s, value=np.round(power_w, -1))
    )


@pytest.mark.parametrize("number", range(19))
def test_a_false_heater_is_refused(number):
    drive, build = _twin(number)
    rng = np.random.default_rng([1, number])
    found = judged_loads(_logging(drive, rng, gain=rng.uniform(-0.1, 0.1)), build)["heater_power"]
    assert not found.is_real, found
    assert "W per logged watt" in found.reason or "at standstill" in found.reason


@pytest.mark.parametrize("number", range(12))
def test_a_real_heater_is_taken(number):
    drive, build = _twin(number)
    rng = np.random.default_rng([2, number])
    assert judged_loads(_logging(drive, rng, gain=rng.uniform(0.8, 1.6)), build)["heater_power"].is_real


def test_no_real_load_is_dropped_in_a_hundred_seeds():
    dropped = []
    for seed in range(100):
        drive, build = _twin(seed)
        name = "heater_power" if seed % 2 else "air_conditioning_power"
        found = judged_loads(_logging(drive, np.random.default_rng([3, seed]), gain=1.0, name=name), build)[name]
        if not found.is_real:
            dropped.append((seed, found))
    assert dropped == []


def test_two_alike_are_counted_once_where_the_pack_feeds_one_and_twice_where_it_feeds_two():
    drive, build = _twin(4)
    for gain, real in ((1.0, [True, False]), (2.0, [True, True])):
        logged = _logging(drive, np.random.default_rng(5), gain=gain)
        both = logged.with_channels(replace(logged["heater_power"], name="heater_power_2"))
        found = judged_loads(both, build)
        assert [found[name].is_real for name in ("heater_power", "heater_power_2")] == real
    analysis = analyse_drive(_logging(drive, np.random.default_rng(5), gain=1.0).with_channels(
        replace(logged["heater_power"], name="heater_power_2")), build)  # fmt: skip
    flag = next(flag for flag in analysis.flags if flag.code == "load_not_drawn")
    assert flag.channels == ("heater_power_2",)
    assert "Which of the two is it?" in flag.remedy


def test_a_refused_heater_is_off_and_not_unlogged():
    drive, build = _twin(4)
    logged = _logging(drive, np.random.default_rng(6), gain=0.0)
    analysis = analyse_drive(logged, build)
    assert "heater_power" in analysis.admission.untrusted
    assert not admitted(logged, analysis.admission)["heater_power"].value.any()
    assert analysis.admission.refused("fit") is None
    clean = analyse_drive(drive, build)
    assert analysis.energy.net_wh.value == clean.energy.net_wh.value
    assert analysis.ledger.residual_wh.value == pytest.approx(clean.ledger.residual_wh.value, abs=1.0)
