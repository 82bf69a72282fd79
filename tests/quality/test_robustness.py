"""Detectors take whatever a log holds: nothing in it may make one of them fall over."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings, strategies as st

from logan.analysis import check_drive
from logan.channels.vocabulary import CHANNEL_KINDS
from logan.drive.drive import Channel, Drive
from logan.quality import DETECTORS, find_flags
from logan.quality.survey import DriveSurvey
from tests.builds import example_build

_NAMES = [kind.name for kind in CHANNEL_KINDS]


def _values(rng: np.random.Generator, shape: str, size: int, low: float, high: float) -> np.ndarray:
    match shape:
        case "noise":
            return rng.uniform(low, high, size)
        case "walk":
            return np.cumsum(rng.normal(0.0, 0.01 * (high - low), size))
        case "constant":
            return np.full(size, float(rng.choice([0.0, low, high, 1.0])))
        case "steps":
            return np.repeat(rng.uniform(low, high, size // 7 + 1), 7)[:size]
        case "huge":
            return rng.choice([1e12, -1e12, 65_535.0, 0.0, 6553.5], size)
        case _:
            return np.full(size, np.nan)


def wild_drive(seed: int) -> Drive:
    """A drive of any channels with any values: noise, constants, codes, NaN, few samples or none."""
    rng = np.random.default_rng(seed)
    always = [(), ("speed", "pack_current", "pack_voltage"), ("speed", "pack_power")][int(rng.integers(3))]
    names = [*dict.fromkeys([*always, *rng.choice(_NAMES, int(rng.integers(0, 15)), replace=False).tolist()])]
    channels = {}
    for name in names:
        kind = next(kind for kind in CHANNEL_KINDS if kind.name == name)
        size = int(rng.choice([0, 1, 2, 5, 40, 700]))
        shape = str(rng.choice(["noise", "walk", "constant", "steps", "huge", "nan"]))
        value = np.array(_values(rng, shape, size, kind.low, kind.high), dtype=float)
        if size and rng.uniform() < 0.3:
            value[rng.uniform(size=size) < 0.2] = np.nan
        step_s = rng.choice([0.02, 0.1, 1.0, 10.0]) * (rng.uniform(0.5, 1.5, size) if rng.uniform() < 0.3 else 1.0)
        channels[name] = Channel(name=name, time_s=np.cumsum(np.full(size, 1.0) * step_s), value=value)
    return Drive(channels=channels)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_no_detector_falls_over_whatever_the_drive_holds(seed: int) -> None:
    quality = check_drive(wild_drive(seed), example_build())
    assert all(flag.evidence and flag.remedy for flag in quality.flags)
    assert all(flag.effect_wh_per_km is None or np.isfinite(flag.effect_wh_per_km) for flag in quality.flags)


def test_an_empty_drive_has_no_flags() -> None:
    assert find_flags(Drive(channels={}), example_build()) == ()


def test_each_detector_is_silent_without_what_it_needs() -> None:
    survey = DriveSurvey(Drive(channels={}), example_build())
    assert [list(detector.detect(survey)) for detector in DETECTORS] == [[]] * len(DETECTORS)
