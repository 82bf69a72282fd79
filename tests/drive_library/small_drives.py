"""Small invented drives for the library's tests."""

from __future__ import annotations

import hashlib

import numpy as np

from logan.drive.drive import Channel, Drive, DriveConditions, LogSource, Step
from logan.drive_library.records import DriveSummary
from logan.drive_library.repository import DriveLibrary
from logan.results import Estimate, Refusal


def log_source(text: str) -> LogSource:
    content = text.encode()
    return LogSource(
        name=f"{text}.log", sha256=hashlib.sha256(content).hexdigest(), size_bytes=len(content), log_format="candump"
    )


def small_drive(seed: int = 1, samples: int = 200) -> Drive:
    """Channels of three rates, masked samples, an empty channel, and times that are no whole nanoseconds."""
    rng = np.random.default_rng(seed)
    fast_s = np.cumsum(rng.integers(5_000_000, 15_000_000, samples)) / 1e9
    slow_s = np.arange(samples // 10) * 0.1 + 1e-10 / 3.0
    speed = np.abs(np.cumsum(rng.normal(0.0, 0.3, samples)))
    speed[3:6] = np.nan
    channels = (
        Channel(name="pack_voltage", time_s=fast_s, value=350.0 + rng.normal(0, 1, samples), source="BMS.Voltage"),
        Channel(name="pack_current", time_s=fast_s, value=rng.normal(40, 60, samples), source="BMS.Current", sigma=0.5),
        Channel(name="speed", time_s=fast_s + 0.001, value=speed, source="ESP.Speed"),
        Channel(name="motor_temperature_2", time_s=slow_s, value=np.linspace(20, 60, slow_s.size), is_derived=True),
        Channel(name="gear", time_s=np.empty(0), value=np.empty(0)),
    )
    return Drive(
        channels={channel.name: channel for channel in channels},
        start_ns=1_700_000_000_000_000_000 + seed * 86_400_000_000_000,
        sources=(log_source(f"drive {seed}"),),
        dbcs=(log_source("vehicle dbc"),),
        history=(
            Step(action="mask", detail="3 samples", reason="not available", channels=("speed",), net_wh_before=1.5),
        ),
        conditions=DriveConditions(payload_kg=80.0, tags=("cold", "wet")),
        is_averaged=seed % 2 == 0,
    )


def small_summary(seed: int = 1) -> DriveSummary:
    return DriveSummary(
        distance_m=10_000.0 + seed,
        grade="B",
        flag_counts={"amber": 2, "note": 1},
        metrics={
            "net_wh_per_km": Estimate(150.0 + seed, "Wh/km", 2.0, "voltage x current", 0.98),
            "regen_ratio": Refusal("the current has no sign", "Map a signed current"),
        },
        fingerprint="f" * 16,
    )


def assert_same_drive(one: Drive, other: Drive) -> None:
    assert list(one) == list(other)
    for name in one:
        assert np.array_equal(one[name].time_s, other[name].time_s)
        assert np.array_equal(one[name].value, other[name].value, equal_nan=True)
        for part in ("source", "is_derived", "sigma", "unit"):
            assert getattr(one[name], part) == getattr(other[name], part)
    for part in ("start_ns", "sources", "dbcs", "history", "conditions", "is_averaged"):
        assert getattr(one, part) == getattr(other, part)


def rows_of(library: DriveLibrary) -> list[tuple[object, ...]]:
    """Everything in the index but the stamps of files, for comparing two indexes."""
    return library._index.rows("SELECT id, number, record, figures FROM drive ORDER BY id")
