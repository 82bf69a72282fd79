"""Checking a drive: what the detectors and the import found, and grades from both."""

from __future__ import annotations

import numpy as np

from logan.analysis import check_drive
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


def test_a_clean_drive_refuses_nothing() -> None:
    drive, build = clean_drive("town, flat")
    quality = check_drive(drive, build)
    assert quality.flags == ()
    assert quality.refused == {}


def test_what_the_import_found_counts_too_and_comes_in_its_place() -> None:
    drive, build = clean_drive("town, flat")
    quality = check_drive(drive, build, import_flags=(_import_flag(),))
    assert quality.flags[0].code == "time_float32"
    assert set(quality.refused) == {"net_energy"}


def test_a_reversed_sign_refuses_energy_with_its_reason() -> None:
    drive, build = clean_drive("town, flat")
    faulty = faults_pack.reversed_sign(drive, np.random.default_rng(0))
    refused = check_drive(faulty, build).refused
    assert "Pack current has the wrong sign" in refused["net_energy"].reasons


def test_the_least_coverage_comes_from_the_analysis_settings() -> None:
    drive, build = clean_drive("town, flat")
    coverage = {"net_energy": 0.85}
    strict = check_drive(drive, build, coverage_ratios=coverage)
    lenient = check_drive(drive, build, coverage_ratios=coverage, analysis=AnalysisSettings(min_coverage_ratio=0.8))
    assert "net_energy" in strict.refused
    assert "net_energy" not in lenient.refused


def test_the_result_turns_into_json() -> None:
    drive, build = clean_drive("town, flat")
    content = json_ready(check_drive(drive, build, import_flags=(_import_flag(),)))
    assert isinstance(content, dict)
    assert content["schema"] == "drive-quality/1"
