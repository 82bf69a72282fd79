"""The same drive is recognised by its content, renamed, resampled or not; another one is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logan.drive.drive import Drive
from logan.quality.between_drives import find_duplicates, fingerprint, is_same_drive
from tests.benchmarks.quality.clean import SEED, clean_drive
from tests.benchmarks.quality.seeding import change, put


def test_a_resampled_and_shifted_copy_is_the_same_drive() -> None:
    drive, _ = clean_drive("town, flat")
    speed = drive["speed"]
    slow = put(drive, "speed", speed.time_s[::10] + 37.0, np.round(speed.value[::10], 1))
    first, second = fingerprint(drive), fingerprint(replace(slow, start_ns=None))
    assert first is not None
    assert second is not None
    assert is_same_drive(first, second)
    (flag,) = find_duplicates(second, [("7", first)])
    assert flag.code == "duplicate_drive"
    assert "drive 7" in flag.evidence


def test_another_drive_of_the_same_route_kind_is_not() -> None:
    first, second = (fingerprint(clean_drive("town, flat", seed)[0]) for seed in (SEED, SEED + 1))
    assert first is not None
    assert second is not None
    assert not is_same_drive(first, second)
    assert find_duplicates(first, [("2", second)]) == ()


def test_two_steady_highway_drives_are_not_taken_for_one() -> None:
    drive, _ = clean_drive("highway")
    other = change(drive, "speed", lambda t, v: v + 0.9 * np.sin(t / 9.0) * (v > 5.0))
    first, second = fingerprint(drive), fingerprint(other)
    assert first is not None
    assert second is not None
    assert is_same_drive(first, first)
    assert not is_same_drive(first, second)


def test_a_drive_without_speed_has_no_fingerprint() -> None:
    assert fingerprint(Drive(channels={})) is None
