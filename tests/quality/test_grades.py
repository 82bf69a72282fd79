"""Grades: what touches a metric lowers it, what breaks it refuses it, and the reason is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.drive.drive import Drive
from logan.quality import find_flags
from logan.quality.current_sign import SIGNED_METRICS
from logan.quality.grades import METRIC_CHANNELS, Grade, grade_metrics
from logan.results import DataFlag, Severity, json_ready
from tests.benchmarks.quality import faults_pack
from tests.benchmarks.quality.clean import clean_drive
from tests.benchmarks.quality.seeding import without


def _flag(severity: Severity, *channels: str, effect: float | None = None, refuses: tuple[str, ...] = ()) -> DataFlag:
    return DataFlag(
        code="invented",
        severity=severity,
        channels=channels,
        title="Something was found",
        evidence="in 12 samples",
        remedy="Put it right",
        effect_wh_per_km=effect,
        refuses=refuses,
    )


def _thinned(drive: Drive, share: float) -> Drive:
    """The current stops after this share of the drive."""
    current = drive["pack_current"]
    keep = current.time_s < share * drive.duration_s
    return drive.with_channels(replace(current, time_s=current.time_s[keep], value=current.value[keep]))


def test_a_clean_drive_gets_an_a_in_every_metric() -> None:
    drive, build = clean_drive("town, flat")
    grades = grade_metrics(drive, find_flags(drive, build))
    assert {metric: grade.grade for metric, grade in grades.items()} == dict.fromkeys(METRIC_CHANNELS, Grade.A)
    assert not any(grade.is_refused or grade.reasons for grade in grades.values())


@pytest.mark.parametrize(
    ("share", "grade", "is_refused"),
    [(0.999, Grade.A, False), (0.97, Grade.B, False), (0.92, Grade.C, False), (0.85, Grade.D, True)],
)
def test_coverage_below_ninety_per_cent_refuses_the_energy(share: float, grade: Grade, is_refused: bool) -> None:
    drive, _ = clean_drive("town, flat")
    energy = grade_metrics(_thinned(drive, share), ())["net_energy"]
    assert (energy.grade, energy.is_refused) == (grade, is_refused)
    assert energy.coverage_ratio == pytest.approx(share, abs=0.01)
    assert is_refused == any("less than 90 %" in reason for reason in energy.reasons)


def test_the_least_coverage_can_be_set() -> None:
    drive, _ = clean_drive("town, flat")
    assert not grade_metrics(_thinned(drive, 0.85), (), min_coverage_ratio=0.8)["net_energy"].is_refused


@pytest.mark.parametrize("inject", [faults_pack.reversed_sign, faults_pack.sign_unresolved])
def test_a_doubtful_sign_refuses_all_that_depends_on_it(inject) -> None:  # type: ignore[no-untyped-def]
    drive, build = clean_drive("town, flat")
    faulty = inject(drive, np.random.default_rng(0))
    grades = grade_metrics(faulty, find_flags(faulty, build))
    assert all(grades[metric].is_refused for metric in SIGNED_METRICS)
    assert not grades["temperatures"].is_refused
    assert "sign" in " ".join(grades["net_energy"].reasons)
    assert grades["net_energy"].remedy


def test_a_metric_whose_channels_are_missing_says_which() -> None:
    drive, _ = clean_drive("town, flat")
    grades = grade_metrics(without(drive, "motor_torque", "state_of_charge"), ())
    assert grades["efficiency"].reasons == ("motor torque not logged",)
    assert grades["usable_energy"].reasons == ("state of charge not logged",)
    assert grades["efficiency"].is_refused
    assert not grades["net_energy"].is_refused


def test_power_alone_carries_energy_but_no_peak_current() -> None:
    drive, _ = clean_drive("town, flat")
    amp = drive["pack_current"]
    power = replace(amp, name="pack_power", value=amp.value * 350.0)
    grades = grade_metrics(without(drive, "pack_current", "pack_voltage").with_channels(power), ())
    assert not grades["net_energy"].is_refused
    assert grades["peak_current"].is_refused


def test_red_costs_more_than_amber_and_a_note_costs_nothing() -> None:
    drive, _ = clean_drive("town, flat")
    by_severity = {
        severity: grade_metrics(drive, [_flag(severity, "pack_current")])["rms_current"].grade for severity in Severity
    }
    assert by_severity == {Severity.NOTE: Grade.A, Severity.AMBER: Grade.B, Severity.RED: Grade.D}


def test_three_amber_findings_make_a_c() -> None:
    drive, _ = clean_drive("town, flat")
    assert grade_metrics(drive, [_flag(Severity.AMBER, "pack_current")] * 3)["charge"].grade is Grade.C


def test_a_finding_on_another_channel_does_not_count() -> None:
    drive, _ = clean_drive("town, flat")
    grades = grade_metrics(drive, [_flag(Severity.RED, "motor_temperature_2")])
    assert grades["temperatures"].grade is Grade.D
    assert grades["net_energy"].grade is Grade.A


def test_a_large_effect_weighs_more_and_a_tiny_one_less() -> None:
    drive, _ = clean_drive("town, flat")
    large = grade_metrics(drive, [_flag(Severity.AMBER, "pack_current", effect=40.0)])["net_energy"]
    tiny = grade_metrics(drive, [_flag(Severity.RED, "pack_current", effect=0.1)])["net_energy"]
    assert (large.grade, tiny.grade) == (Grade.C, Grade.B)


def test_slow_sampling_lowers_regen_and_peak_only() -> None:
    drive, _ = clean_drive("1 Hz, town")
    grades = grade_metrics(drive, ())
    assert grades["regen"].grade is Grade.C
    assert grades["peak_current"].grade is Grade.C
    assert grades["net_energy"].grade is Grade.A
    assert "lower bound" in grades["regen"].reasons[0]


def test_grades_turn_into_json() -> None:
    drive, _ = clean_drive("town, flat")
    content = json_ready(grade_metrics(drive, [_flag(Severity.AMBER, "speed")])["distance"])
    assert isinstance(content, dict)
    assert (content["schema"], content["grade"], content["flags"]) == ("metric-grade/1", "B", ["invented"])


def test_an_empty_drive_is_refused_throughout() -> None:
    assert all(grade.is_refused for grade in grade_metrics(Drive(channels={}), ()).values())
