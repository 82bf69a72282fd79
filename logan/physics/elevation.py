"""Height profiles: taking measurement noise out without adding or losing real climbs."""

from itertools import pairwise
from typing import Final

import numpy as np

from logan.units import FloatArray, IntArray

DEFAULT_NOISE_M: Final = 2.5
"""One standard uncertainty of a recorded height, satellite or barometer (common practice)."""

TURNING_THRESHOLD_SIGMAS: Final = 4.0
"""A rise or fall smaller than this many sigmas is taken for noise: correlated noise often swings by three."""

SMOOTHING_LENGTH_M: Final = 300.0
"""Length of the sliding mean before and after: roads hold a grade for longer than this."""


def denoised_elevation_m(
    distance_m: FloatArray, elevation_m: FloatArray, *, noise_m: float = DEFAULT_NOISE_M
) -> FloatArray:
    """Height profile without the ups and downs that are no larger than its noise.

    Summing the rises of a noisy profile counts the noise as climb. Here only turning points
    that stand out from the noise are kept; between two of them the profile is the monotone
    one nearest to the data (least squares), lightly rounded.

    Parameters
    ----------
    distance_m : ndarray, shape (n,)
        Along the road, not falling. [m]
    elevation_m : ndarray, shape (n,)
        Measured height. [m]
    noise_m : float
        One standard uncertainty of a height; zero returns the profile unchanged. [m]

    Returns
    -------
    ndarray, shape (n,)
        Height. [m]

    Raises
    ------
    ValueError
        If the shapes differ.
    """
    if distance_m.shape != elevation_m.shape:
        raise ValueError("distance_m and elevation_m must have one shape (n,)")
    if noise_m <= 0 or elevation_m.size < 3:
        return elevation_m.copy()
    # Imported here because it takes longer than everything else that a plan without a route does.
    from scipy.optimize import isotonic_regression

    smooth_m = _rounded(distance_m, elevation_m)
    turns = turning_points(smooth_m, TURNING_THRESHOLD_SIGMAS * noise_m)
    profile = np.empty(elevation_m.shape)
    for start, stop in pairwise(turns.tolist()):
        part = smooth_m[start : stop + 1]
        rises = bool(smooth_m[stop] >= smooth_m[start])
        profile[start : stop + 1] = isotonic_regression(part, increasing=rises).x
    return _rounded(distance_m, profile)


def turning_points(elevation_m: FloatArray, threshold_m: float) -> IntArray:
    """Indices of the ends and of every summit and valley that is passed by more than a threshold.

    Parameters
    ----------
    elevation_m : ndarray, shape (n,)
        Heights. [m]
    threshold_m : float
        Least rise or fall that counts. [m]

    Returns
    -------
    ndarray of int
        Rising indices; the first is 0, the last n - 1.
    """
    turns = [0]
    high = low = 0
    direction = 0
    for index, height in enumerate(elevation_m.tolist()):
        if height > elevation_m[high]:
            high = index
        if height < elevation_m[low]:
            low = index
        if direction >= 0 and elevation_m[high] - height > threshold_m:
            if high > turns[-1]:
                turns.append(high)
            direction, low = -1, index
            high = index
        elif direction <= 0 and height - elevation_m[low] > threshold_m:
            if low > turns[-1]:
                turns.append(low)
            direction, high = 1, index
            low = index
    last = elevation_m.size - 1
    if turns[-1] != last:
        turns.append(last)
    return np.asarray(turns, dtype=np.int64)


def _rounded(distance_m: FloatArray, profile_m: FloatArray) -> FloatArray:
    """Mean over a sliding length, shorter towards the ends so that they stay where they are."""
    gap_m = np.minimum(distance_m - distance_m[0], distance_m[-1] - distance_m)
    half_m = np.minimum(0.5 * SMOOTHING_LENGTH_M, gap_m)
    running = np.concatenate(([0.0], np.cumsum(0.5 * (profile_m[1:] + profile_m[:-1]) * np.diff(distance_m))))
    unique, index = np.unique(distance_m, return_index=True)
    span = np.interp(distance_m + half_m, unique, running[index]) - np.interp(
        distance_m - half_m, unique, running[index]
    )
    return np.where(half_m > 1e-9, span / np.maximum(2.0 * half_m, 1e-9), profile_m)
