"""What the pack feeds besides the motor, and whether a logged heater is really fed by the pack.

Pack power is laid against the road power that the plan asks for and the logged loads: a load that is
drawn from the pack stands in it with a slope near one, a request or a wrong unit with one near zero.
The slope decides and is never used as a gain.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.drive import STANDSTILL_M_PER_S, Drive, PackPower, is_charging_at, pack_power, road_speed
from logan.drive.wheel_work import wheel_work
from logan.numerics import cumulative
from logan.results import read_only
from logan.settings import BuildSettings
from logan.units import FloatArray

PART_CHANNELS: Final = {
    "heater": "heater_power",
    "air conditioning": "air_conditioning_power",
    "DC-DC": "dcdc_power",
}
"""Auxiliaries with a channel of their own."""

LEAST_STANDSTILL_S: Final = 20.0
"""Standing time from which the idle load is believed. [s]"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AuxiliaryLoad:
    """Auxiliary power on the times of pack power.

    Parameters
    ----------
    total_w : ndarray, shape (n,)
        [W]
    parts_w : mapping of str to ndarray, shape (n,)
        heater, air conditioning, DC-DC, other auxiliaries, inverter standby; they add up to the total. [W]
    basis : mapping of str to str
        "measured" or "modeled", part by part.
    sigma_w : float
        One standard uncertainty of the mean total. [W]
    notes : tuple of str
        What was assumed.
    """

    total_w: FloatArray
    parts_w: Mapping[str, FloatArray]
    basis: Mapping[str, str]
    sigma_w: float
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "total_w", read_only(self.total_w))
        object.__setattr__(self, "parts_w", {name: read_only(part) for name, part in self.parts_w.items()})


def auxiliary_load(drive: Drive, build: BuildSettings, power: PackPower) -> AuxiliaryLoad:
    """Auxiliary power: what is logged, and at standstill what pack power is left over.

    What the pack gives at standstill beyond the logged auxiliaries is taken to flow while
    driving too ("inverter standby"). Without enough standstill, the build's base power is
    used where neither DC-DC nor total auxiliary power is logged.

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        Channels; base power.
    power : PackPower
        Pack power, whose times are used.

    Returns
    -------
    AuxiliaryLoad
        Total, parts, uncertainty.
    """
    time_s = power.time_s
    parts: dict[str, FloatArray] = {}
    for part, name in PART_CHANNELS.items():
        channel = drive.get(name)
        if channel is not None and np.isfinite(channel.value).any():
            parts[part] = np.nan_to_num(channel.at(time_s, max_gap_s=30.0))
    logged = np.asarray(sum(parts.values(), np.zeros(time_s.shape)))
    total = drive.get("auxiliary_power")
    if total is not None and np.isfinite(total.value).any():
        parts["other auxiliaries"] = np.maximum(np.nan_to_num(total.at(time_s, max_gap_s=30.0)) - logged, 0.0)
        logged = logged + parts["other auxiliaries"]
    basis = dict.fromkeys(parts, "measured")
    idle_w, sigma_w, notes = _idle(drive, build, power, logged, has_base="DC-DC" in parts or total is not None)
    parts["inverter standby"] = np.full(time_s.shape, idle_w)
    basis["inverter standby"] = "modeled" if notes else "measured at standstill"
    return AuxiliaryLoad(
        total_w=logged + idle_w,
        parts_w=parts,
        basis=basis,
        sigma_w=float(np.hypot(sigma_w, 0.02 * logged.mean())),
        notes=notes,
    )


def _idle(
    drive: Drive, build: BuildSettings, power: PackPower, logged_w: FloatArray, *, has_base: bool
) -> tuple[float, float, tuple[str, ...]]:
    """Idle load beyond what is logged, its uncertainty, and what was assumed. [W]"""
    speed, base = road_speed(drive), build.auxiliary.base_power_w
    if speed is not None:
        moving = np.nan_to_num(np.abs(speed.at(power.time_s)), nan=1.0)
        still = (moving < 0.1) & ~is_charging_at(drive, power.time_s)
        left = (power.power_w - logged_w)[still]
        left = left[np.isfinite(left)]
        step_s = float(np.median(np.diff(power.time_s)))
        if left.size * step_s >= LEAST_STANDSTILL_S:
            median = float(np.median(left))
            # Standing time is one sample of the load, not many: its spread counts in full.
            spread = 1.4826 * float(np.median(np.abs(left - median)))
            return max(median, 0.0), spread + 10.0, ()
    if has_base:
        return 0.0, base.sigma, ("no standstill long enough: no idle load beyond the logged auxiliaries assumed",)
    return base.value, base.sigma, (f"auxiliaries not logged: {base.value:.0f} W of the build assumed",)


JUDGED_KINDS: Final = ("heater_power", "air_conditioning_power")
_LEAST_SPREAD_W: Final = 30.0
_PRIOR_LOG_ODDS: Final = 1.1
_SLOPE_SPREAD: Final = 0.2
_SPREAD_OF_THE_REST_W: Final = 150.0
_ROUNDS: Final = 15
_SURE_LOG_ODDS: Final = 2.0
_HILL_S: Final = 20
_LEAST_STILL_S: Final = 20
_MARGIN_W: Final = 200.0
_ALIKE: Final = 0.97
_SLOPE_OF_TWO: Final = 1.6
_LEAST_KNOWN_S: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadVerdict:
    """Whether the pack feeds a logged load.

    Parameters
    ----------
    is_real : bool
        True unless the data speak against it.
    slope, sigma : float or None
        Watts of pack power per logged watt, and its standard uncertainty; None where the load hardly varies. [ratio]
    reason : str
        The numbers behind a refusal; empty for a real one.
    twin : str
        Load that it runs like, where the pack feeds only one of the two; nothing in the log says which.
    """

    is_real: bool
    slope: float | None = None
    sigma: float | None = None
    reason: str = ""
    twin: str = ""


def judged_loads(drive: Drive, build: BuildSettings) -> Mapping[str, LoadVerdict]:
    """Return a verdict on each heater and air conditioner that a drive logs.

    Parameters
    ----------
    drive : Drive
        With pack power and a speed; without them nothing speaks against a load.
    build : BuildSettings
        For the road power of the plan.

    Returns
    -------
    mapping of str to LoadVerdict
        By channel.

    References
    ----------
    .. [1] Cameron, Gelbach, Miller (2011), doi:10.1198/jbes.2010.07136: variance clustered by minutes, from memory.
    """
    names = [channel.name for kind in JUDGED_KINDS for channel in drive.of_kind(kind) if channel.time_s.size > 1]
    power = pack_power(drive)
    if not names or power is None:
        return {}
    second_s = np.arange(np.ceil(power.time_s[0]), power.time_s[-1], 1.0)
    if second_s.size < 3:
        return {}
    pack_w = _means(power.time_s, power.power_w, power.max_gap_s, second_s)
    loads = {name: _load_w(drive, name, second_s) for name in names}
    speed, road_w = _road(drive, build, second_s)
    known = np.isfinite(pack_w) & np.isfinite(road_w) & ~is_charging_at(drive, second_s[1:])
    pack_w, road_w, speed = pack_w[known], road_w[known], speed[known]
    loads = {name: load[known] for name, load in loads.items()}
    columns = [np.ones(pack_w.shape), np.maximum(road_w, 0.0), np.minimum(road_w, 0.0), speed]
    varied = [name for name in names if loads[name].size and np.std(loads[name]) > _LEAST_SPREAD_W]
    doubles = {name: twin for k, name in enumerate(varied) if (twin := _twin(name, varied[:k], loads))}
    varied = [name for name in varied if name not in doubles]
    found: dict[str, tuple[float, float]] = {}
    if pack_w.size > _LEAST_KNOWN_S and varied:
        columns += [loads[name] for name in varied]
        slope, sigma = robust_slopes(pack_w, np.column_stack(columns), second_s[1:][known])
        found = {name: (float(slope[4 + k]), float(sigma[4 + k])) for k, name in enumerate(varied)}
    verdicts = {name: _verdict(loads[name], pack_w, speed, found.get(name)) for name in names if name not in doubles}
    return verdicts | {name: _of_double(verdicts[twin], twin) for name, twin in doubles.items()}


def _verdict(
    load_w: FloatArray, pack_w: FloatArray, speed: FloatArray, found: tuple[float, float] | None
) -> LoadVerdict:
    """Whether a logged load is real, and by which evidence. Method: admission (1)."""
    contradiction = _at_standstill(load_w, pack_w, speed)
    if found is None:
        return LoadVerdict(is_real=not contradiction, reason=contradiction)
    slope, sigma = found
    variance = sigma**2 + _SLOPE_SPREAD**2 + (_SPREAD_OF_THE_REST_W / float(np.std(load_w))) ** 2
    log_odds = _PRIOR_LOG_ODDS + (slope - 0.5) / variance
    words = f"pack power follows it by {slope:.2f} W per logged watt (±{sigma:.2f})"
    is_real = log_odds > _SURE_LOG_ODDS or (log_odds >= 0.0 and not contradiction)
    reason = "" if is_real else words if log_odds < 0.0 else f"{words}, and {contradiction}"
    return LoadVerdict(is_real=is_real, slope=slope, sigma=sigma, reason=reason)


def _twin(name: str, others: list[str], loads: Mapping[str, FloatArray]) -> str:
    """Return the earlier load that runs like this one; empty where none does."""
    alike = (other for other in others if float(np.corrcoef(loads[name], loads[other])[0, 1]) > _ALIKE)
    return next(alike, "")


def _of_double(verdict: LoadVerdict, twin: str) -> LoadVerdict:
    """Return the verdict on a load that runs like another: where the pack feeds both, the slope is that of two."""
    if not verdict.is_real or (verdict.slope is not None and verdict.slope > _SLOPE_OF_TWO):
        return verdict
    reason = f"it runs like {twin.replace('_', ' ')}, and the pack feeds one of the two"
    return LoadVerdict(is_real=False, slope=verdict.slope, sigma=verdict.sigma, reason=reason, twin=twin)


def _at_standstill(load_w: FloatArray, pack_w: FloatArray, speed: FloatArray) -> str:
    still = speed < STANDSTILL_M_PER_S
    if still.sum() < _LEAST_STILL_S or float(np.mean(pack_w[still] < load_w[still] - _MARGIN_W)) <= 0.2:
        return ""
    logged_w, given_w = np.median(load_w[still]), np.median(pack_w[still])
    return f"at standstill {logged_w:.0f} W are logged while the pack gives {given_w:.0f} W"


def _load_w(drive: Drive, name: str, second_s: FloatArray) -> FloatArray:
    middle_s = 0.5 * (second_s[1:] + second_s[:-1])
    channel = drive[name]
    return np.maximum(np.nan_to_num(channel.at(middle_s, max_gap_s=max(60.0, channel.max_gap_s))), 0.0)


def _means(time_s: FloatArray, value: FloatArray, max_gap_s: float, second_s: FloatArray) -> FloatArray:
    """Mean in each second, shape (k - 1,); NaN where less than half of it is known."""
    known = np.isfinite(value).astype(float)
    total = np.diff(np.interp(second_s, time_s, cumulative(time_s, value, max_gap_s=max_gap_s)))
    share = np.diff(np.interp(second_s, time_s, cumulative(time_s, known, max_gap_s=max_gap_s)))
    return np.asarray(np.where(share > 0.5, total / np.maximum(share, 0.5), np.nan))


def _road(drive: Drive, build: BuildSettings, second_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Speed and planned road power in each second, hills over some twenty; NaN without a speed. [m/s, W]"""
    work = wheel_work(drive, build)
    if work is None:
        nothing = np.full(second_s.size - 1, np.nan)
        return nothing, nothing
    flat = np.concatenate(([0.0], np.cumsum(work.rolling_j + work.air_j + work.kinetic_j)))
    road_w = np.diff(np.interp(second_s, work.time_s, flat))
    speed = np.diff(np.interp(second_s, work.time_s, np.concatenate(([0.0], np.cumsum(work.distance_m)))))
    hills = np.interp(second_s, work.time_s, np.concatenate(([0.0], np.cumsum(work.hills_j))))
    distance = np.concatenate(([0.0], np.cumsum(speed)))
    index, half = np.arange(second_s.size - 1), _HILL_S // 2
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, hills.size - 1)
    run_m = distance[high] - distance[low]
    slope_n = np.where(run_m > 20.0, (hills[high] - hills[low]) / np.maximum(run_m, 20.0), 0.0)
    return speed, np.asarray(road_w + slope_n * speed)


def robust_slopes(target: FloatArray, columns: FloatArray, second_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return robust slopes and their uncertainty, clustered by minutes.

    Parameters
    ----------
    target : ndarray, shape (n,)
        What is explained. [W]
    columns : ndarray, shape (n, k)
        What explains it. [W]
    second_s : ndarray, shape (n,)
        Times. [s]

    Returns
    -------
    slope, sigma : ndarray, shape (k,)
        Per unit of each column. [ratio]
    """
    scale = np.maximum(np.abs(columns).max(axis=0), 1e-9)
    scaled = columns / scale
    weight = np.ones(target.shape)
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        slope = np.linalg.lstsq(scaled * root[:, None], target * root, rcond=None)[0]
        residual = target - scaled @ slope
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1.0)
        weight = 1.0 / (1.0 + (residual / spread) ** 2 / 4.0)
    bread = np.linalg.pinv(scaled.T @ (weight[:, None] * scaled))
    score = scaled * (weight * residual)[:, None]
    minute = ((second_s - second_s[0]) // 60.0).astype(np.int64)
    summed = np.stack([np.bincount(minute, column) for column in score.T], axis=1)
    clusters = max(int(np.unique(minute).size), 2)
    covariance = bread @ (summed.T @ summed) @ bread * clusters / (clusters - 1)
    # Where minutes hardly differ, rounding may leave a variance below zero.
    return slope / scale, np.sqrt(np.maximum(np.diag(covariance), 0.0)) / scale
