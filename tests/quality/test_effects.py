"""Where a detector says how far the consumption would move, it must move about that far."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.demo.twin import TwinVehicle
from logan.quality import DETECTORS, current_range
from logan.quality.survey import DriveSurvey
from tests.benchmarks.quality import faults_pack, faults_road, faults_vehicle
from tests.benchmarks.quality.clean import clean_drive, clean_twin
from tests.benchmarks.quality.seeding import Injector, change
from tests.twin_drives import build_of, twin_drive, without


def _claimed_and_true(code: str, inject: Injector, route: str) -> tuple[float, float]:
    """Claimed effect, and what putting the fault right really changes. [Wh/km]"""
    drive, build = clean_drive(route)
    faulty = inject(drive, np.random.default_rng(11))
    survey = DriveSurvey(faulty, build)
    detector = next(detector for detector in DETECTORS if detector.code == code)
    flags = list(detector.detect(survey))
    assert flags, f"{code} was not caught"
    claimed = sum(flag.effect_wh_per_km or 0.0 for flag in flags)
    clean = DriveSurvey(drive, build)
    assert clean.net_times(1.0) is not None
    assert survey.net_times(1.0) is not None
    return claimed, clean.net_times(1.0) - survey.net_times(1.0)


def _offset(size_a: float) -> Injector:
    return lambda drive, rng: change(drive, "pack_current", lambda _, amp: amp + size_a)


@pytest.mark.parametrize(
    ("code", "inject", "route", "tolerance"),
    [
        ("current_sign_reversed", faults_pack.reversed_sign, "town, flat", 0.02),
        ("current_magnitude_only", faults_pack.magnitude_only, "town, flat", 0.25),
        ("current_unsigned_wrap", faults_pack.unsigned_wrap, "town, flat", 0.05),
        ("current_zero_offset", _offset(3.0), "town, flat", 0.10),
        ("current_zero_offset", _offset(-2.0), "highway", 0.25),
        ("current_offset_drift", faults_pack.offset_drift, "town, flat", 0.20),
        ("current_saturated", faults_pack.saturated, "town, flat", 0.35),
        ("current_gain", faults_pack.gain_against_count, "town, flat", 0.10),
        ("power_without_current", faults_pack.current_zero, "highway", 0.30),
        ("voltage_scale", faults_pack.voltage_factor, "town, flat", 0.02),
        ("voltage_cells_mismatch", faults_pack.cells_mismatch, "town, flat", 0.30),
        ("speed_unit", faults_road.speed_unit, "town, flat", 0.03),
        ("speed_scale", faults_road.speed_scale, "town, flat", 0.05),
        ("charging_in_drive", faults_vehicle.charging_mixed_in, "town, flat", 0.05),
    ],
)
def test_the_claimed_effect_is_what_putting_it_right_changes(
    code: str, inject: Injector, route: str, tolerance: float
) -> None:
    claimed, true = _claimed_and_true(code, inject, route)
    assert claimed == pytest.approx(true, rel=tolerance, abs=0.3)


@pytest.mark.parametrize("shift_s", [0.2, 0.5, -0.4])
def test_skew_is_found_to_thirty_milliseconds_with_the_right_sign(shift_s: float) -> None:
    drive, build = clean_drive("town, flat")
    current = drive["pack_current"]
    late = drive.with_channels(type(current)(name="pack_current", time_s=current.time_s + shift_s, value=current.value))
    (flag,) = next(d for d in DETECTORS if d.code == "voltage_current_skew").detect(DriveSurvey(late, build))
    who = "current" if shift_s > 0 else "voltage"
    assert flag.evidence.startswith(f"{who} is ")
    assert float(flag.evidence.split()[2]) == pytest.approx(abs(shift_s), abs=0.03)


@pytest.mark.parametrize("offset_a", [-2.5, 1.0, 4.0])
def test_an_offset_with_open_contactors_is_found_to_a_third_of_an_ampere(offset_a: float) -> None:
    drive, build = clean_drive("town, flat")
    rng = np.random.default_rng(5)
    faulty = faults_pack.zero_offset_open_contactors(drive, rng)
    contactor = faulty["contactor_closed"]
    opened = np.interp(faulty["pack_current"].time_s, contactor.time_s, contactor.value) < 0.5
    seeded = float(np.median(faulty["pack_current"].value[opened]))
    moved = change(faulty, "pack_current", lambda _, amp: amp - seeded + offset_a)
    (flag,) = next(d for d in DETECTORS if d.code == "current_zero_offset").detect(DriveSurvey(moved, build))
    assert float(flag.evidence.split()[0]) == pytest.approx(offset_a, abs=0.3)


def test_true_energy_of_the_twin_is_what_the_survey_sums() -> None:
    drive, build = clean_drive("town, flat")
    assert DriveSurvey(drive, build).net_wh == pytest.approx(clean_twin("town, flat").net_wh, rel=0.01)


@pytest.mark.parametrize(
    ("limit_a", "kept", "title", "severity", "refuses"),
    [
        (None, 1.0, "Current is held at a limit", "note", ()),
        (True, 1.0, "Current is held at a limit", "note", ()),
        (None, 0.75, "Current sensor or signal saturates", "red", ("peak_current",)),
    ],
)
def test_a_flat_current_is_a_limiter_where_the_motion_obeys_and_a_sensor_at_its_end_where_it_does_not(
    limit_a: bool | None, kept: float, title: str, severity: str, refuses: tuple[str, ...]
) -> None:
    """The same flat top: what flowed was held there, or went on beyond what the log shows."""
    vehicle = TwinVehicle(drive_power_limit_w=30_000.0 / kept)
    drive, build = twin_drive("mixed", 3, duration_s=1500.0, vehicle=vehicle).to_drive(), build_of(vehicle)
    drive = without(drive, "motor_torque")  # with it a limiter is not even suspected: torque stays flat as well
    current = drive["pack_current"]
    # At the limit the current is told exactly, whatever the voltage does: some share of it, where the sensor ends.
    top_a = round(kept * float(np.quantile(current.value, 0.995)), 1)
    flat = np.where(current.value > 0.96 * top_a, top_a, current.value)
    if limit_a:
        build = replace(build, pack=replace(build.pack, discharge_current_limit_a=top_a))
    drive = drive.with_channels(type(current)(name="pack_current", time_s=current.time_s, value=flat))
    (flag,) = next(d for d in DETECTORS if d.code == "current_saturated").detect(DriveSurvey(drive, build))
    assert (flag.title, flag.severity.value, flag.refuses) == (title, severity, refuses)
    assert ("of the build" in flag.evidence) is bool(limit_a)


def test_a_flat_current_that_could_be_either_says_so_and_keeps_its_peak_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seven percent behind, known to four: neither surely below a tenth nor surely beyond it."""
    monkeypatch.setattr(current_range, "_left_behind", lambda *_: (0.07, 0.04, 0.0))
    vehicle = TwinVehicle(drive_power_limit_w=30_000.0)
    drive = without(twin_drive("mixed", 3, duration_s=1500.0, vehicle=vehicle).to_drive(), "motor_torque")
    current = drive["pack_current"]
    top_a = round(float(np.quantile(current.value, 0.995)), 1)
    flat = np.where(current.value > 0.96 * top_a, top_a, current.value)
    drive = drive.with_channels(type(current)(name="pack_current", time_s=current.time_s, value=flat))
    (flag,) = next(d for d in DETECTORS if d.code == "current_saturated").detect(DriveSurvey(drive, build_of(vehicle)))
    assert flag.title == "Current stays flat at its top: a limiter, or the end of the sensor's range"
    assert (flag.severity.value, flag.refuses, flag.effect_wh_per_km) == ("amber", ("peak_current",), None)
    assert "controller's current limit" in flag.remedy
