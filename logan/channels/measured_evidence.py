"""What the data of a log says about which signal is which channel.

Physics decides where names do not: the pack's voltage sags when its current rises; voltage
times current follows mass times speed times acceleration; the motor turns in proportion to
the road speed; temperatures drift; the state of charge falls with the charge taken out.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logan.channels.profiles import with_trait
from logan.channels.vocabulary import ChannelKind, channel_kind, conversion_to_si, is_unit_of
from logan.errors import ChannelError
from logan.frames.table import SignalColumn
from logan.units import METRES_PER_SECOND_PER_MPH, FloatArray
from logan.units.algebra import UnitConversion
from logan.units.sentences import measure
from logan.wording import percent

_FEWEST_SAMPLES: Final = 50
_MOST_POINTS: Final = 3000
_FINEST_STEP_S: Final = 0.5
_MOST_PAIRED: Final = 400
_MOST_REASONS: Final = 2
_ROUGHEST: Final = 0.9
"""Mean step of a grid over its spread; white noise has 1.13, a current in town traffic 0.2 to 0.7."""
_DRIVING_M_PER_S: Final = 8.0
_LEAST_DRIVING_POWER_W: Final = 1000.0
_MOST_DRIVING_POWER_W: Final = 1e6
_LEAST_MASS_KG: Final = 150.0
"""No road vehicle of two tracks weighs so little; power below its m v a is another one's, such as a 12 V battery's."""


@dataclass(slots=True)
class DataVerdict:
    """What the data of one column says.

    Parameters
    ----------
    factors : dict of str to float
        For a channel: how much the data speaks against it (below 1).
    proofs : dict of str to float
        For a channel: score that the data alone gives.
    reasons : dict of str to list of str
        Why, in plain words.
    doubts : dict of str to str
        For a channel: what in the drive contradicts it.
    sign : int
        -1 where the data shows that the sign is turned round.
    """

    column: SignalColumn
    is_constant: bool
    factors: dict[str, float] = field(default_factory=dict)
    proofs: dict[str, float] = field(default_factory=dict)
    reasons: dict[str, list[str]] = field(default_factory=dict)
    doubts: dict[str, str] = field(default_factory=dict)
    sign: int = 1

    @property
    def is_binary(self) -> bool:
        """True when it takes two values and no other."""
        return not self.is_constant and np.unique(self.column.value[np.isfinite(self.column.value)]).size == 2

    def median_si(self, kind: ChannelKind) -> float | None:
        """Median in the unit of a kind; None where the unit is none of it."""
        conversion = conversion_of(self.column, kind)
        return None if conversion is None else float(conversion.to_si(float(np.nanmedian(self.column.value))))

    def contradict(self, channel: str, factor: float, doubt: str) -> None:
        """Note that the drive speaks against a channel."""
        self.factors[channel] = min(self.factors.get(channel, 1.0), factor)
        self.doubts[channel] = doubt
        self.reasons.setdefault(channel, []).append(f"but {doubt}")

    def weigh(self, channel: str, declared: float) -> tuple[float, tuple[str, ...], int]:
        """Score, evidence and sign for a channel, from what is declared and what was measured."""
        reasons = list(self.reasons.get(channel, ()))
        score = declared * self.factors.get(channel, 1.0)
        outside, why = _outside_ratio(self.column, channel)
        if outside > 0.5 and declared > 0.0:
            score *= 0.3
            reasons.append(why)
        proof = self.proofs.get(channel, 0.0) if fits_unit(self.column, channel) else 0.0
        proof = 0.0 if channel in self.doubts else proof
        if proof > 0.0:
            # Names and data that agree are worth more than either; data alone must be strong.
            score = max(score + (1.0 - score) * 0.5 * proof, 0.7 * proof)
        elif self.is_constant and declared > 0.0 and channel not in with_trait("rests"):
            score *= 0.8
            reasons.append("but it never changes in this log")
        return score, tuple(reasons), self.sign if channel in with_trait("signed") else 1

    def prove(self, channel: str, strength: float, reason: str) -> None:
        """Note that the data speaks for a channel, 0 to 1."""
        self.proofs[channel] = max(self.proofs.get(channel, 0.0), strength)
        reasons = self.reasons.setdefault(channel, [])
        if len(reasons) < _MOST_REASONS:
            reasons.append(reason)


_SLOWEST_LIVELY_S: Final = 2.5
"""What moves with the pedals is sent at least so often by every controller known here. [s]"""


def measure_columns(columns: Sequence[SignalColumn], foreign: Sequence[bool] = ()) -> dict[int, DataVerdict]:
    """Look at the data of all columns together.

    Parameters
    ----------
    columns : sequence of SignalColumn
        Those with fewer than 50 samples are not judged.
    foreign : sequence of bool
        True for a column whose name says that it counts, checks or remembers: its data prove nothing.

    Returns
    -------
    dict of int to DataVerdict
        By the column's place; empty for a DBC or header alone.
    """
    filled = [i for i, column in enumerate(columns) if np.count_nonzero(np.isfinite(column.value)) >= _FEWEST_SAMPLES]
    if not filled:
        return {}
    grid_s, rows = _on_grid([columns[i] for i in filled])
    found = {i: DataVerdict(columns[i], bool(np.ptp(row) == 0.0)) for i, row in zip(filled, rows, strict=True)}
    _judge_rates(list(found.values()))
    moving = [k for k, i in enumerate(filled) if not found[i].is_constant and not (foreign and foreign[i])]
    values = np.array([rows[k] for k in moving]) if moving else np.empty((0, grid_s.size))
    movers = [found[filled[k]] for k in moving]
    if movers:
        _judge_steadiness(movers, values, float(grid_s[1] - grid_s[0]))
        _judge_speed(movers, values)
        current = _judge_pack(movers, values)
        _judge_charge(movers, values, current, float(grid_s[1] - grid_s[0]))
        _judge_motion(movers, values, current, float(grid_s[1] - grid_s[0]))
    speed = _road_speed(list(found.values()), np.array(rows))
    if speed is not None:
        _judge_charging(list(found.values()), np.array(rows), speed)
        _judge_power(list(found.values()), np.array(rows), speed, float(grid_s[1] - grid_s[0]))
    return found


def _on_grid(columns: Sequence[SignalColumn]) -> tuple[FloatArray, list[FloatArray]]:
    start = min(int(column.time_ns.min()) for column in columns)
    end = max(int(column.time_ns.max()) for column in columns)
    duration_s = max((end - start) * 1e-9, 1.0)
    step_s = max(_FINEST_STEP_S, duration_s / _MOST_POINTS)
    grid_s = np.arange(0.0, duration_s, step_s)
    grid_s = grid_s if grid_s.size > 1 else np.array([0.0, duration_s])
    rows = []
    for column in columns:
        value = np.asarray(column.value, dtype=np.float64)
        known = np.isfinite(value)
        time_s = np.asarray(column.time_ns[known] - start, dtype=np.float64) * 1e-9
        order = np.argsort(time_s, kind="stable")
        rows.append(np.interp(grid_s, time_s[order], value[known][order]))
    return grid_s, rows


def _outside_ratio(column: SignalColumn, channel: str) -> tuple[float, str]:
    """Share of the values that lie where the channel cannot be, in the declared unit."""
    kind = channel_kind(channel)
    if kind is None or column.value.size == 0:
        return 0.0, ""
    conversion = conversion_of(column, kind)
    if conversion is None and (column.unit.strip() or kind.unit == "ratio"):
        return 0.0, ""
    stride = max(1, column.value.size // 5000)
    si = (conversion or UnitConversion()).to_si(np.asarray(column.value[::stride], dtype=np.float64))
    si = si[np.isfinite(si)]
    if si.size == 0:
        return 0.0, ""
    share = float(np.mean((si < kind.low) | (si > kind.high)))
    return share, f"but {percent(share)} of its values lie outside {kind.low:g} to {kind.high:g} {kind.unit}"


def _judge_rates(judged: Sequence[DataVerdict]) -> None:
    """What is sent every few seconds only is a slow quantity, beside quicker ones in the same log."""
    periods_s = [1e-9 * float(np.median(np.diff(one.column.time_ns))) for one in judged]
    if min(periods_s) > _SLOWEST_LIVELY_S:
        return  # a log thinned out as a whole
    for one, period_s in zip(judged, periods_s, strict=True):
        for channel in with_trait("lively") if period_s > _SLOWEST_LIVELY_S else ():
            one.factors[channel] = 0.7
            one.reasons.setdefault(channel, []).append(f"but it comes every {period_s:.0f} s only")


def _judge_steadiness(movers: Sequence[DataVerdict], values: FloatArray, step_s: float) -> None:
    """Temperatures and heights drift; what jumps about is neither."""
    spread = np.ptp(values, axis=1)
    step = np.abs(np.diff(values, axis=1))
    jump = np.quantile(step, 0.99, axis=1)
    for k, mover in enumerate(movers):
        rate_per_s = float(jump[k]) / step_s
        is_slow = rate_per_s < 2.0 and float(np.sum(step[k])) < 40.0 * float(spread[k])
        for channel in with_trait("drifts"):
            if is_slow:
                mover.reasons.setdefault(channel, []).append("it drifts slowly, as temperatures do")
            elif rate_per_s > 20.0:
                mover.factors[channel] = 0.5
                mover.reasons.setdefault(channel, []).append(f"but it jumps by {jump[k]:.3g} a step")


def _judge_speed(movers: Sequence[DataVerdict], values: FloatArray) -> None:
    """Speeds stand at zero and run up; the motor's and the wheels' are in proportion to the road's."""
    low, high = values.min(axis=1), values.max(axis=1)
    stands = np.mean(np.abs(values) < 0.02 * np.maximum(high, 1e-9)[:, np.newaxis], axis=1)
    smooth = np.mean(np.abs(np.diff(values, axis=1)), axis=1) < 0.05 * np.maximum(high, 1e-9)
    like = [
        k
        for k in range(len(movers))
        if low[k] > -0.02 * high[k] and 0.001 < stands[k] < 0.95 and smooth[k] and high[k] > 3.0
    ][:_MOST_PAIRED]
    if len(like) < 2:
        return
    block = values[like]
    scale = np.sqrt(np.sum(block**2, axis=1))
    # Proportional, not merely correlated: the cosine of the raw values, without taking the means out.
    cosine = (block @ block.T) / np.outer(scale, scale)
    np.fill_diagonal(cosine, 0.0)
    for row, k in enumerate(like):
        partner = int(np.argmax(cosine[row]))
        other = like[partner]
        if cosine[row, partner] < 0.999:
            continue
        ratio = float(np.sum(block[partner] * block[row]) / np.sum(block[row] ** 2))
        name = movers[other].column.key
        faster, slower = (other, k) if ratio > 1.0 else (k, other)
        reason = f"in proportion to '{name}' (ratio {max(ratio, 1.0 / ratio):.3g}), standing still together"
        if k == slower:
            movers[k].prove("speed", 0.6, reason)
        if k == faster and max(ratio, 1.0 / ratio) > 8.0:
            movers[k].prove("motor_speed", 0.8, reason)
        for channel in ("wheel_speed", "gnss_speed"):
            movers[k].prove(channel, 0.5, reason)


def _judge_pack(movers: Sequence[DataVerdict], values: FloatArray) -> FloatArray | None:
    """Find the pair whose first sags when the second rises; return the current, positive on discharge."""
    middle = np.abs(np.median(values, axis=1))
    swing = np.std(values, axis=1)
    # What jumps from end to end at every step is a checksum, and sags by chance.
    is_smooth = np.mean(np.abs(np.diff(values, axis=1)), axis=1) < _ROUGHEST * swing
    level = [k for k in range(len(movers)) if middle[k] > 20.0 and swing[k] < 0.25 * middle[k] and is_smooth[k]]
    lively = [k for k in range(len(movers)) if swing[k] > 0.3 * middle[k] and swing[k] > 2.0 and is_smooth[k]]
    level, lively = level[:_MOST_PAIRED], lively[:_MOST_PAIRED]
    if not level or not lively:
        return None
    changes = _standardised(values[:, 2:] - values[:, :-2])
    relation = changes[level] @ changes[lively].T / changes.shape[1]
    best_current: tuple[float, FloatArray] | None = None
    for row, k in enumerate(level):
        for column in np.argsort(-np.abs(relation[row]))[:4]:
            strength, other = float(relation[row, column]), lively[int(column)]
            if abs(strength) < 0.6 or not (
                fits_unit(movers[k].column, "pack_voltage") and fits_unit(movers[other].column, "pack_current")
            ):
                continue
            sign = -1 if strength > 0.0 else 1
            movers[k].prove(
                "pack_voltage", abs(strength), f"it sags under '{movers[other].column.key}' (r = {-abs(strength):.2f})"
            )
            rises = "falls" if sign > 0 else "rises"
            turned = "" if sign > 0 else ": its sign is turned round"
            movers[other].prove(
                "pack_current",
                abs(strength),
                f"'{movers[k].column.key}' {rises} when it rises (r = {strength:+.2f}){turned}",
            )
            movers[other].sign = sign
            if best_current is None or abs(strength) > best_current[0]:
                best_current = (abs(strength), sign * values[other])
    return None if best_current is None else best_current[1]


def _judge_charge(movers: Sequence[DataVerdict], values: FloatArray, current: FloatArray | None, step_s: float) -> None:
    """The state of charge lies in 0 to 100, falls, and follows the charge taken out."""
    taken = None if current is None else np.cumsum(current) * step_s
    for k, mover in enumerate(movers):
        row = values[k]
        if not (row.min() >= -0.01 and row.max() <= 110.0) or np.ptp(row) == 0.0:
            continue
        fell = float(row[0] - row[-1])
        is_monotone = np.sum(np.abs(np.diff(row))) < 2.0 * max(abs(fell), 1e-9)
        if fell <= 0.0 or not is_monotone:
            continue
        strength, reason = 0.3, f"it falls steadily, from {row[0]:.3g} to {row[-1]:.3g}"
        if taken is not None and np.ptp(taken) > 0.0:
            follows = float(np.corrcoef(row, taken)[0, 1])
            if follows < -0.9:
                strength, reason = 0.6, f"{reason}, with the charge taken out (r = {follows:+.2f})"
        mover.prove("state_of_charge", strength, reason)


def _judge_motion(movers: Sequence[DataVerdict], values: FloatArray, current: FloatArray | None, step_s: float) -> None:
    """A speed whose product with its own slope follows the current is the road's, or in proportion to it."""
    if current is None or np.std(current) == 0.0:
        return
    slope = np.gradient(values, step_s, axis=1)
    inertial = values * slope
    # Over two seconds, so that a lag of half a second does not spoil it.
    weights = np.ones(5) / 5.0
    smooth_current = np.convolve(current, weights, mode="same")
    for k, mover in enumerate(movers):
        row = values[k]
        if row.min() < -0.02 * max(row.max(), 1e-9) or row.max() < 3.0 or np.std(inertial[k]) == 0.0:
            continue
        follows = float(np.corrcoef(np.convolve(inertial[k], weights, mode="same"), smooth_current)[0, 1])
        if follows > 0.6:
            reason = f"its product with its own slope follows the pack current (r = {follows:.2f}), as m v a does"
            mover.prove("speed", 0.5 * follows + 0.3, reason)
            mover.prove("motor_speed", 0.5 * follows, reason)


def fits_unit(column: SignalColumn, channel: str) -> bool:
    """False when the column declares a unit of another dimension."""
    kind = channel_kind(channel)
    return kind is not None and (not column.unit.strip() or is_unit_of(column.unit, kind))


def conversion_of(column: SignalColumn, kind: ChannelKind) -> UnitConversion | None:
    """How a column becomes SI as a kind of channel; None where its unit is missing or foreign."""
    try:
        return conversion_to_si(column.unit, kind)
    except ChannelError:
        return None


def _as_channel(judged: DataVerdict, row: FloatArray, channel: str) -> FloatArray | None:
    kind = channel_kind(channel)
    conversion = conversion_of(judged.column, kind) if kind is not None else None
    return None if conversion is None else conversion.to_si(row)


def _road_speed(judged: Sequence[DataVerdict], rows: FloatArray) -> FloatArray | None:
    """The best road speed there is, in m/s: in a unit of speed, standing and driving; None where there is none."""
    best: tuple[float, FloatArray] | None = None
    for one, row in zip(judged, rows, strict=True):
        speed = None if one.is_constant else _as_channel(one, row, "speed")
        if speed is None or not _DRIVING_M_PER_S < float(speed.max()) < 90.0 or float(speed.min()) < -5.0:
            continue
        strength = one.proofs.get("speed", 0.0) + one.proofs.get("wheel_speed", 0.0)
        if best is None or strength > best[0]:
            best = (strength, speed)
    return None if best is None else best[1]


def _judge_charging(judged: Sequence[DataVerdict], rows: FloatArray, speed: FloatArray) -> None:
    """Nothing charges from a plug while it drives."""
    driving = speed > _DRIVING_M_PER_S
    if np.count_nonzero(driving) < 5:
        return
    mph = float(np.median(speed[driving])) / METRES_PER_SECOND_PER_MPH
    for one, row in zip(judged, rows, strict=True):
        if np.mean(row[driving] != 0.0) > 0.05:
            one.contradict("charging", 0.2, f"it is on while the vehicle drives at {measure(mph, 'mph')}")


def _judge_power(judged: Sequence[DataVerdict], rows: FloatArray, speed: FloatArray, step_s: float) -> None:
    """Pack voltage times current must be able to move the vehicle: a 12 V battery's cannot."""
    volts = [row for one, row in zip(judged, rows, strict=True) if one.proofs.get("pack_voltage", 0.0) > 0.0]
    drives = np.convolve(speed * np.gradient(speed, step_s), np.ones(5) / 5.0, mode="same")
    least_w = max(_LEAST_DRIVING_POWER_W, _LEAST_MASS_KG * float(np.quantile(drives, 0.98)))
    top_v = float(max((np.median(row) for row in volts), default=800.0))
    for one, row in zip(judged, rows, strict=True):
        for channel, volt in (("pack_current", top_v), ("pack_power", 1.0)):
            value = _as_channel(one, row, channel)
            if value is None or one.is_constant:
                continue
            peak_w = float(np.quantile(np.abs(value), 0.99)) * volt
            if not least_w <= peak_w <= _MOST_DRIVING_POWER_W:
                words = f"{peak_w / 1e3:.3g} kW, and the drive needed about {least_w / 1e3:.3g} kW or more"
                one.contradict(channel, 0.5, f"it would be at most {words}")


def _standardised(rows: FloatArray) -> FloatArray:
    centred = rows - rows.mean(axis=1, keepdims=True)
    scale = centred.std(axis=1, keepdims=True)
    return np.asarray(centred / np.where(scale > 0.0, scale, 1.0))
