from __future__ import annotations

import re
from dataclasses import replace

import pytest

from logan.quality import DETECTORS
from logan.quality.survey import DriveSurvey
from tests.benchmarks.quality.clean import clean_drive


def wind_findings(drive, build):  # type: ignore[no-untyped-def]
    detector = next(detector for detector in DETECTORS if detector.code == "wind_seen")
    return list(detector.detect(DriveSurvey(drive, build)))


def test_the_wind_of_a_drive_is_told_by_force_against_heading() -> None:
    (flag,) = wind_findings(*clean_drive("highway, wind 5 m/s"))
    speed, direction = re.search(r"under (\d+)\sm/s .* from (\d+)°", flag.evidence).groups()  # type: ignore[union-attr]
    assert float(speed) == pytest.approx(5.0, abs=1.5)
    assert float(direction) == pytest.approx(200.0, abs=25.0)


def test_a_wind_that_is_noted_is_no_finding() -> None:
    drive, build = clean_drive("highway, wind 5 m/s")
    noted = replace(drive, conditions=replace(drive.conditions, wind_m_per_s=5.0, wind_from_deg=200.0))
    assert wind_findings(noted, build) == []


def test_still_air_is_no_wind() -> None:
    assert wind_findings(*clean_drive("highway")) == []
