"""What looks like a fault and is none: noise about one value, a few lost samples, coarse steps."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest

from logan.drive.drive import Channel, Drive
from logan.quality import DETECTORS
from logan.quality.place import _distances_m
from logan.quality.survey import DriveSurvey
from logan.quality.timing import lost_share
from logan.results import DataFlag, Severity
from tests.benchmarks.quality.clean import SEED, clean_drive
from tests.builds import example_build
from tests.hardening.fault_table import new_build, twin_columns
from tests.twin_drives import build_of, twin_drive


def findings(drive: Drive, code: str, build=None) -> list[DataFlag]:  # type: ignore[no-untyped-def]
    detector = next(detector for detector in DETECTORS if detector.code == code)
    return list(detector.detect(DriveSurvey(drive, build or example_build())))


def drive_of(*channels: Channel) -> Drive:
    return Drive(channels={channel.name: channel for channel in channels})


def heights(scatter_m: float, climb_m: float) -> Drive:
    rng, time_s = np.random.default_rng(5), np.arange(0.0, 900.0, 1.0)
    height_m = 100.0 + climb_m * time_s / 900.0 + rng.normal(0.0, scatter_m, time_s.size)
    return drive_of(Channel(name="elevation", time_s=time_s, value=height_m))


def test_the_noise_of_a_level_road_is_not_taken_for_wrong_bits() -> None:
    assert findings(heights(scatter_m=1.5, climb_m=0.0), "decoded_wrongly") == []


def test_heights_that_jump_all_over_are() -> None:
    rng, time_s = np.random.default_rng(5), np.arange(0.0, 900.0, 1.0)
    drive = drive_of(Channel(name="elevation", time_s=time_s, value=rng.uniform(0.0, 6000.0, time_s.size)))
    assert findings(drive, "decoded_wrongly")


@pytest.mark.parametrize(("missing", "is_significant"), [(6, False), (60, True)])
def test_a_few_missing_samples_of_a_slow_channel_say_little(missing: int, is_significant: bool) -> None:
    time_s = np.arange(0.0, 500.0, 1.0)
    kept = np.delete(time_s, np.random.default_rng(2).choice(np.arange(1, 499), missing, replace=False))
    share, sigma = lost_share(kept)
    assert share == pytest.approx(missing / 500.0, abs=0.002)
    drive = drive_of(Channel(name="motor_temperature", time_s=kept, value=np.full(kept.size, 60.0)))
    assert bool(findings(drive, "lost_samples")) is is_significant
    assert (share - 2.0 * sigma > 0.01) is is_significant


@pytest.mark.parametrize("seed", [10, 11])
def test_a_coarse_voltmeter_does_not_make_the_current_an_average(seed: int) -> None:
    drive, build = clean_drive("coarse sensors, highway", SEED + seed)
    assert findings(drive, "averaged_current", build) == []


def test_a_receivers_noise_in_town_is_no_other_distance() -> None:
    twin = twin_drive("urban", 8, duration_s=1200.0)
    survey = DriveSurvey(twin.to_drive(), build_of(twin.vehicle))
    found = {name: metres for name, (metres, _) in _distances_m(survey).items()}
    assert found["position"] == pytest.approx(twin.distance_m, rel=0.01)
    assert found["speed"] == pytest.approx(twin.distance_m, rel=0.01)


@pytest.mark.parametrize(("scale", "is_red"), [(1.0, False), (1.0 / 1.609344, True)])
@pytest.mark.parametrize("seed", [301, 315, 317])
def test_a_town_drive_in_miles_for_kilometers_is_told_by_its_gentle_accelerations(
    seed: int, scale: float, is_red: bool
) -> None:
    """Voltage, current and speed alone; so slowed down, too few of its accelerations are brisk ones."""
    channels = twin_columns(seed, "small")
    channels["speed"] = (channels["speed"][0], channels["speed"][1] * scale)
    drive = drive_of(*(Channel(name=name, time_s=t, value=v) for name, (t, v) in channels.items()))
    with tempfile.TemporaryDirectory() as place:
        build = new_build(Path(place) / "van", channels).settings()
    found = findings(drive, "acceleration_energy", build)
    assert any(flag.severity is Severity.RED for flag in found) is is_red
