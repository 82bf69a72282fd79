"""How late current is against voltage, with an interval; and what its sensor reads when none flows.

Voltage follows current through the pack's resistance, ``dV = -R dI``, and through slower
polarisation. The lag is the shift of the current that leaves least of the voltage unexplained
by the current itself and by its first-order lags; without those lags, polarisation would pass
for a delay. Which blocks of the drive are used is drawn again and again for the interval.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from logan.drive.drive import Channel
from logan.numerics import decaying_sum, nominal_period_s, running_mean
from logan.results import Estimate, Figure, Refusal, result
from logan.units import BoolArray, FloatArray

_FEWEST: Final = 20


def contactor_open_offset(channels: Mapping[str, Channel]) -> Figure:
    """Current that is read while the main contactors are open. [A]

    Parameters
    ----------
    channels : mapping of str to Channel
        Needs ``pack_current`` and ``contactor_closed``.
    """
    current, contactor = channels.get("pack_current"), channels.get("contactor_closed")
    if current is None or contactor is None:
        return Refusal("the log has no contactor state", "Log it, or note the current with the contactors open")
    closed = contactor.at(current.time_s, max_gap_s=max(contactor.max_gap_s, 5.0))
    # A second on either side of the switching is left out: the inverter's capacitors charge and discharge.
    near = np.zeros(current.time_s.shape, dtype=bool)
    for edge_s in contactor.time_s[1:][np.diff(contactor.value) != 0]:
        near |= np.abs(current.time_s - edge_s) < 1.0
    known = current.value[(closed < 0.5) & ~near & np.isfinite(current.value)]
    return _mean(known, "median with contactors open", _resolution_a(current))


def _resolution_a(current: Channel) -> float:
    """Step of the current as it is sent. [A]"""
    steps = np.diff(np.unique(current.value[np.isfinite(current.value)]))
    return float(np.median(steps)) if steps.size else 0.0


def _mean(known: FloatArray, how: str, resolution_a: float) -> Figure:
    if known.size < _FEWEST:
        return Refusal(f"only {known.size} samples ({how}); {_FEWEST} are needed")
    middle = float(np.median(known))
    spread = 1.4826 * float(np.median(np.abs(known - middle)))
    # At rest the current stays on one step, and averaging does not find the place between two.
    floor = resolution_a / np.sqrt(12.0)
    # Neighbouring samples repeat each other, so only the tenth root of their number is trusted to average out.
    return Estimate(middle, "A", float(np.hypot(spread / np.sqrt(known.size / 10.0), floor)), how)


LONGEST_LAG_S: Final = 2.0
WIDEST_INTERVAL_S: Final = 0.06
LEAST_R2: Final = 0.3
LEAST_LAG_S: Final = 0.04
"""A shorter lag is not worth a correction. [s]"""
_LONGEST_JUDGED_S: Final = 1800.0
"""Half an hour from the middle of a drive tells the lag as well as all of it. [s]"""
_BETWEEN_SAMPLES: Final = 0.03
"""Share of a period by which the lag is off beyond its scatter between blocks, as seen on twins."""
_BLOCK_S: Final = 20.0
_FEWEST_BLOCKS: Final = 6
_DRAWS: Final = 200
_POLARISATION_S: Final = (3.0, 15.0)
_COARSE_S: Final = 0.1
_FINE_S: Final = 0.01


@result("lag-estimate/1")
class LagEstimate:
    """How late one channel is against another.

    Parameters
    ----------
    lag_s : float
        Positive when the second channel is late. [s]
    low_s, high_s : float
        90 % interval. [s]
    r2_ratio : float
        Share of the first channel's changes that the second explains at this lag.
    """

    lag_s: float
    low_s: float
    high_s: float
    r2_ratio: float

    @property
    def is_trustworthy(self) -> bool:
        """True when the interval is narrow and the channels do move together."""
        return self.high_s - self.low_s < WIDEST_INTERVAL_S and self.r2_ratio > LEAST_R2

    @property
    def is_significant(self) -> bool:
        """True when it can be trusted, is worth a correction, and zero lies outside the interval."""
        is_apart = self.low_s > 0.0 or self.high_s < 0.0
        return self.is_trustworthy and is_apart and abs(self.lag_s) >= LEAST_LAG_S


def current_lag(voltage: Channel, current: Channel) -> LagEstimate | Refusal:
    """How late the pack current is against the pack voltage.

    Parameters
    ----------
    voltage, current : Channel
        Pack voltage [V] and current [A] at their native rates.

    Returns
    -------
    LagEstimate or Refusal
        Refused where rate, length or movement do not suffice.
    """
    start_s = float(max(voltage.time_s[0], current.time_s[0]))
    end_s = float(min(voltage.time_s[-1], current.time_s[-1]))
    period_s = max(nominal_period_s(voltage.time_s), nominal_period_s(current.time_s))
    if not period_s <= 0.55:
        return Refusal(f"voltage and current come every {period_s:.2g} s; at least 2 Hz is needed")
    step_s = _FINE_S * max(2, round(0.5 * period_s / _FINE_S))
    margin_s = LONGEST_LAG_S + 1.0
    middle_s = 0.5 * (start_s + end_s)
    first_s = max(start_s + margin_s, middle_s - 0.5 * _LONGEST_JUDGED_S)
    time_s = np.arange(first_s, min(end_s - margin_s, middle_s + 0.5 * _LONGEST_JUDGED_S), step_s)
    if time_s.size * step_s < _FEWEST_BLOCKS * _BLOCK_S:
        return Refusal(
            f"voltage and current overlap for {max(end_s - start_s, 0.0):.0f} s; at least two minutes are needed"
        )
    found = _best_lag(voltage.at(time_s), _Shifted(current, time_s, step_s), step_s)
    return found if isinstance(found, Refusal) else _widened(found, _BETWEEN_SAMPLES * period_s)


class _Shifted:
    """The current and its first-order lags, within the band, at times moved by any multiple of the fine step.

    All that differ by whole steps of the grid are one series read from another place: each is worked out once.
    """

    def __init__(self, current: Channel, time_s: FloatArray, step_s: float) -> None:
        self.current, self.time_s, self.step_s = current, time_s, step_s
        self.fine_steps = round(step_s / _FINE_S)
        self.margin = int(np.ceil((LONGEST_LAG_S + 1.0) / step_s))
        self.responses = _polarisations(current, step_s)
        self.series: dict[int, tuple[FloatArray, BoolArray]] = {}

    def by(self, lag_s: float) -> tuple[FloatArray, BoolArray]:
        """Series in the band, shape (k, n), and where they are known."""
        whole, part = divmod(round(lag_s / _FINE_S), self.fine_steps)
        if part not in self.series:
            steps = np.arange(-self.margin, self.time_s.size + self.margin)
            at_s = self.time_s[0] + steps * self.step_s + part * _FINE_S
            slow = [np.interp(at_s, own_s, value) for own_s, value in self.responses]
            self.series[part] = _in_band(np.stack([self.current.at(at_s), *slow]), self.step_s)
        value, known = self.series[part]
        first = self.margin + whole
        return value[:, first : first + self.time_s.size], known[first : first + self.time_s.size]


def _widened(found: LagEstimate, more_s: float) -> LagEstimate:
    """The interval with what drawing blocks does not show: where between two samples the changes lay."""
    below_s, above_s = found.lag_s - found.low_s, found.high_s - found.lag_s
    return replace(
        found,
        low_s=found.lag_s - float(np.hypot(below_s, more_s)),
        high_s=found.lag_s + float(np.hypot(above_s, more_s)),
    )


def _best_lag(target: FloatArray, shifted: _Shifted, step_s: float) -> LagEstimate | Refusal:
    """Lag that leaves least unexplained, with the interval from drawing blocks with replacement."""
    coarse_s = np.arange(-LONGEST_LAG_S, LONGEST_LAG_S + 0.5 * _COARSE_S, _COARSE_S)
    grams = _block_products(target, shifted, coarse_s, step_s)
    if grams.shape[1] < _FEWEST_BLOCKS:
        return Refusal("too few stretches without gaps to tell the lag")
    left = _unexplained(grams.sum(axis=1))
    best = int(np.argmin(left))
    r2_ratio = float(1.0 - left[best])
    if best in (0, coarse_s.size - 1):
        return Refusal(f"no lag within {LONGEST_LAG_S:g} s explains the changes best")
    if not r2_ratio > 0.05:
        return Refusal(f"the two do not move together (R2 {max(r2_ratio, 0.0):.2f})")
    fine_s = coarse_s[best] + np.arange(-20, 21) * _FINE_S
    fine = _block_products(target, shifted, fine_s, step_s)
    lag_s = _lowest_point(fine_s, _unexplained(fine.sum(axis=1))[np.newaxis])[0]
    low_s, high_s = _drawn_interval(fine_s, fine)
    if low_s <= fine_s[1] or high_s >= fine_s[-2]:
        low_s, high_s = _drawn_interval(coarse_s, grams)
    return LagEstimate(lag_s=float(lag_s), low_s=low_s, high_s=high_s, r2_ratio=r2_ratio)


def _block_products(target: FloatArray, shifted: _Shifted, lags_s: FloatArray, step_s: float) -> FloatArray:
    """Sums of products of target and regressors per lag and block, shape (lags, blocks, k + 1, k + 1)."""
    length = round(_BLOCK_S / step_s)
    count = target.size // length
    aim, is_known = _in_band(target[np.newaxis], step_s)
    products = []
    for lag_s in lags_s:
        row, known = shifted.by(float(lag_s))
        is_known = is_known & known
        blocks = np.concatenate((row, aim))[:, : count * length].reshape(-1, count, length).transpose(1, 0, 2)
        products.append(blocks @ blocks.transpose(0, 2, 1))
    return np.stack(products)[:, is_known[: count * length].reshape(count, length).all(axis=1)]


def _in_band(value: FloatArray, step_s: float) -> tuple[FloatArray, BoolArray]:
    """Changes of about half a second to ten seconds: what a lag can be told from; and where all is known."""
    known: BoolArray = np.isfinite(value).min(axis=0)
    value = np.where(known, value, 0.0)
    return running_mean(value, max(round(0.25 / step_s), 1)) - running_mean(value, round(8.0 / step_s)), known


def _unexplained(gram: FloatArray) -> FloatArray:
    """Share of the target's variance that the regressors leave, by lag (and draw)."""
    inner, cross, total = gram[..., :-1, :-1], gram[..., :-1, -1], gram[..., -1, -1]
    scale = np.sqrt(np.maximum(np.einsum("...ii->...i", inner), 1e-300))
    scaled = inner / (scale[..., :, np.newaxis] * scale[..., np.newaxis, :])
    scaled = scaled + 1e-9 * np.eye(inner.shape[-1])
    weights = np.linalg.solve(scaled, (cross / scale)[..., np.newaxis])[..., 0]
    explained = np.sum(weights * cross / scale, axis=-1)
    return np.asarray(1.0 - explained / np.maximum(total, 1e-300))


def _lowest_point(lags_s: FloatArray, curves: FloatArray) -> FloatArray:
    """Where each curve, shape (draws, lags), is lowest, refined by a parabola. [s]"""
    at = np.clip(np.argmin(curves, axis=1), 1, lags_s.size - 2)
    draw = np.arange(curves.shape[0])
    before, middle, after = curves[draw, at - 1], curves[draw, at], curves[draw, at + 1]
    bend = before - 2.0 * middle + after
    shift = np.where(bend > 0.0, 0.5 * (before - after) / np.where(bend > 0.0, bend, 1.0), 0.0)
    return np.asarray(lags_s[at] + np.clip(shift, -1.0, 1.0) * (lags_s[1] - lags_s[0]))


def _drawn_interval(lags_s: FloatArray, grams: FloatArray) -> tuple[float, float]:
    """90 % interval of the lag over blocks drawn with replacement; the draws are always the same."""
    rng = np.random.default_rng(20_240_229)
    blocks = grams.shape[1]
    weight = rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), size=_DRAWS).astype(np.float64)
    drawn = np.einsum("db,lbij->dlij", weight, grams)
    lowest_s = _lowest_point(lags_s, _unexplained(drawn))
    low_s, high_s = np.quantile(lowest_s, [0.05, 0.95])
    return float(low_s), float(high_s)


def _polarisations(current: Channel, step_s: float) -> list[tuple[FloatArray, FloatArray]]:
    """First-order lags of the current, each as (time, value). [s, A]"""
    time_s = np.arange(current.time_s[0], current.time_s[-1], step_s)
    value = np.nan_to_num(np.interp(time_s, current.time_s, np.nan_to_num(current.value)))
    found = []
    for constant_s in _POLARISATION_S:
        keep = float(np.exp(-step_s / constant_s))
        found.append((time_s, decaying_sum((1.0 - keep) * value, keep)))
    return found
