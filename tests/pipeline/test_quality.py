"""Checking a drive: what the detectors and the import found, and grades from both."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logan.analysis import DriveQuality, check_drive
from logan.results import DataFlag, Severity, json_ready
from logan.settings import AnalysisSettings
from tests.benchmarks.quality import faults_pack
from tests.benchmarks.quality.clean import clean_drive


def _import_flag() -> DataFlag:
    return DataFlag(
        code="time_float32",
        severity=Severity.RED,
        channels=(),
        title="Time was stored as a 32-bit float",
        evidence="all 40 stamps are multiples of 64 s",
        remedy="Export again",
        refuses=("net_energy",),
    )


def refused(quality: DriveQuality) -> set[str]:
    return {metric for metric, grade in quality.grades.items() if grade.is_refused}


def test_a_clean_drive_refuses_nothing() -> None:
    drive, build = clean_drive("town, flat")
    quality = check_drive(drive, build)
    assert quality.flags == ()
    assert refused(quality) == set()


def test_what_the_import_found_counts_too_and_comes_in_its_place() -> None:
    drive, build = clean_drive("town, flat")
    quality = check_drive(drive, build, import_flags=(_import_flag(),))
    assert quality.flags[0].code == "time_float32"
    assert refused(quality) == {"net_energy"}


def test_a_reversed_sign_refuses_energy_with_its_reason() -> None:
    drive, build = clean_drive("town, flat")
    faulty = faults_pack.reversed_sign(drive, np.random.default_rng(0))
    energy = check_drive(faulty, build).grades["net_energy"]
    assert energy.is_refused
    assert "Pack current has the wrong sign" in energy.reasons


def test_the_least_coverage_comes_from_the_analysis_settings() -> None:
    drive, build = clean_drive("town, flat")
    current = drive["pack_current"]
    keep = current.time_s < 0.85 * drive.duration_s
    sparse = drive.with_channels(replace(current, time_s=current.time_s[keep], value=current.value[keep]))
    lenient = check_drive(sparse, build, analysis=AnalysisSettings(min_coverage_ratio=0.8))
    assert "net_energy" in refused(check_drive(sparse, build))
    assert "net_energy" not in refused(lenient)


def test_the_result_turns_into_json() -> None:
    drive, build = clean_drive("town, flat")
    content = json_ready(check_drive(drive, build, import_flags=(_import_flag(),)))
    assert isinstance(content, dict)
    assert content["schema"] == "drive-quality/1"
