"""A speed sensor that reads high, from the drive's satellites to every figure, and back."""

from dataclasses import replace

import pytest

from logan.drive.provenance import LogSource
from logan.drive_library.repository import DriveLibrary
from logan.instruments.drive_evidence import Sensor
from logan.pipeline.builds import _stale_drives
from logan.pipeline.stored import build_instruments, load_corrected, store_analysed, stored_drive
from tests.twin_drives import build_of, twin_drive


def too_fast(seed):
    """A twin whose speed reads 3.49 % high; its satellites are right."""
    twin = twin_drive("mixed", seed, duration_s=900.0)
    drive = twin.to_drive()
    speed = replace(drive["speed"], value=1.0349 * drive["speed"].value)
    source = LogSource(name=f"{seed}.log", sha256=f"{seed:064x}", size_bytes=1, log_format="test")
    return twin, replace(drive.with_channels(speed), sources=(source,))


def test_a_speed_that_reads_high_is_taken_off_every_drive_and_can_be_left(tmp_path):
    (first, high), (_, second) = too_fast(1), too_fast(2)
    build = build_of(first.vehicle)
    with DriveLibrary.open(tmp_path / "drives", create=True) as library:
        store_analysed(library, high, build)
        store_analysed(library, second, build)
        assert _stale_drives(library, build) == ()
        known = build_instruments(library, build)
        assert known.applied[Sensor.SPEED_GAIN] == pytest.approx(0.0343, abs=0.0015)
        assert abs(known.of(Sensor.SPEED_GAIN).value) < known.of(Sensor.SPEED_GAIN).sigma
        right = stored_drive(library, library.record(1), build)
        true_m = first.distance_m
        assert right.analysis.energy.distance_m.value == pytest.approx(true_m, rel=0.003)
        assert "known error of the sensor: speed reads +3." in right.history[-1].reason
        assert load_corrected(library, 1, build).history[-1] == right.history[-1]

        left = replace(build, instruments=replace(build.instruments, is_corrected=False))
        as_shown = stored_drive(library, library.record(1), left)
        assert as_shown.analysis.energy.distance_m.value == pytest.approx(1.0349 * true_m, rel=0.002)
        assert build_instruments(library, left).of(Sensor.SPEED_GAIN).value == pytest.approx(0.0343, abs=0.001)


def test_a_scale_that_no_channel_checks_is_less_sure_for_the_range_too(tmp_path):
    twin = twin_drive("mixed", 5, duration_s=600.0)
    build = build_of(twin.vehicle)
    poor = ("pack_voltage", "pack_current", "speed")
    for place, names, at_least, at_most in (
        ("poor", poor, 0.049, 0.06),
        ("rich", (*poor, "state_of_charge"), 0.0, 0.011),
    ):
        whole = twin.to_drive()
        source = LogSource(name="1.log", sha256="1" * 64, size_bytes=1, log_format="test")
        drive = replace(whole, channels={name: whole[name] for name in names}, sources=(source,))
        with DriveLibrary.open(tmp_path / place, create=True) as library:
            store_analysed(library, drive, build)
            known = build_instruments(library, build)
        assert at_least < known.of(Sensor.CURRENT_GAIN).sigma < at_most
        assert known.of(Sensor.SPEED_GAIN).sigma == pytest.approx(0.051, abs=0.001)
