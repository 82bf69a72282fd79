"""The quick look at how late one channel is."""

from __future__ import annotations

import numpy as np
import pytest

from logan.drive.drive import Channel
from logan.quality.lag import find_lag_s


def _wander(rng: np.random.Generator, size: int) -> np.ndarray:
    return np.convolve(rng.normal(0.0, 1.0, size), np.ones(15) / 15.0, "same")


@pytest.mark.parametrize("lag_s", [-1.3, -0.2, 0.0, 0.4, 2.1])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_known_lag_is_found_with_its_sign(lag_s: float, sign: int) -> None:
    rng = np.random.default_rng(8)
    time_s = np.arange(0.0, 600.0, 0.1)
    value = _wander(rng, time_s.size)
    first = Channel(name="speed", time_s=time_s, value=value)
    second = Channel(name="gnss_speed", time_s=time_s + lag_s, value=sign * value + rng.normal(0.0, 0.01, value.size))
    found = find_lag_s(first, second, sign=sign)
    assert found is not None
    assert found.lag_s == pytest.approx(lag_s, abs=0.02)
    assert found.correlation > 0.9


def test_unrelated_channels_have_no_lag() -> None:
    rng = np.random.default_rng(9)
    time_s = np.arange(0.0, 600.0, 0.1)
    first, second = (
        Channel(name=name, time_s=time_s, value=_wander(rng, time_s.size)) for name in ("speed", "gnss_speed")
    )
    assert find_lag_s(first, second, sign=1) is None


def test_a_short_or_constant_record_has_no_lag() -> None:
    time_s = np.arange(0.0, 600.0, 0.1)
    flat = Channel(name="speed", time_s=time_s, value=np.ones(time_s.size))
    assert find_lag_s(flat, flat, sign=1) is None
    brief = Channel(name="speed", time_s=time_s[:100], value=np.sin(time_s[:100]))
    assert find_lag_s(brief, brief, sign=1) is None
