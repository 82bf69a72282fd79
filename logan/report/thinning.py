"""Fewer points for the same picture: an hour of samples stays fluid, and no peak is lost."""

from __future__ import annotations

import numpy as np

from logan.units import FloatArray


def thin(time_s: FloatArray, value: FloatArray, points: int = 2000) -> tuple[FloatArray, FloatArray]:
    """Keep at most ``points`` samples, the extremes among them; a gap stays a gap.

    Parameters
    ----------
    time_s, value : ndarray, shape (n,)
        Samples in the order of time; NaN where absent. [s, any]
    points : int
        How many to keep; an even number of at least 4.

    Returns
    -------
    time_s, value : ndarray, shape (m,), m <= points
        The samples kept.

    References
    ----------
    .. [1] MinMaxLTTB: Van Der Donckt et al., 2023, arXiv:2305.00332; as in ``tsdownsample``.
    """
    if time_s.size <= points:
        return time_s, value
    from tsdownsample import MinMaxLTTBDownsampler

    finite = np.isfinite(value)
    if not finite.all():
        # Absent samples are told by one NaN per gap, which draws as a break in the line.
        breaks = np.flatnonzero(~finite & np.concatenate(([True], finite[:-1])))
        kept_time, kept_value = thin(time_s[finite], value[finite], max(4, points - breaks.size))
        order = np.argsort(np.concatenate((kept_time, time_s[breaks])), kind="stable")
        merged_time = np.concatenate((kept_time, time_s[breaks]))[order]
        return merged_time, np.concatenate((kept_value, np.full(breaks.size, np.nan)))[order]
    downsampler = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]  # its stubs leave __init__ bare
    index = downsampler.downsample(np.ascontiguousarray(time_s), np.ascontiguousarray(value), n_out=points - points % 2)
    return time_s[index], value[index]
