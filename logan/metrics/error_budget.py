"""How sure the net energy of a drive is: gain, offset, quantisation, sample rate, skew, gaps."""

from collections.abc import Container, Mapping
from typing import Final

import numpy as np

from logan.drive.drive import Channel, Drive, PackPower
from logan.drive.logged_loads import auxiliary_load
from logan.numerics import Integral, integrate, interpolate, nominal_period_s
from logan.results import result
from logan.settings import BuildSettings
from logan.units import JOULES_PER_WATT_HOUR, FloatArray

SKEW_SIGMA_S: Final = 0.06
"""Lag between voltage and current of different messages, once aligned."""

UNCHECKED_SIGMA_RATIO: Final = 0.05
"""Of a scale that nothing checks: a tire of another size, a sensor of another range (common practice)."""

_CHECKED_BY_HAND_RATIO: Final = 0.005
_CHECKS: Final[Mapping[str, tuple[str, ...]]] = {
    "current": ("state_of_charge", "pack_charge", "pack_power", "motor_torque"),
    "speed": ("gnss_speed", "wheel_speed", "motor_speed", "odometer", "latitude"),
}
"""Channels that contradict a wrong scale of the one or the other."""

GAP_CORRELATION_S: Final = 30.0
"""Time over which power in a gap stays alike (common practice)."""


@result("error-part/1")
class ErrorPart:
    """One part of the error budget of the net energy.

    Parameters
    ----------
    name : str
        gain, unchecked current, doubt, offset, quantisation, sample rate, skew or gaps.
    sigma_wh : float
        One standard uncertainty. [Wh]
    how : str
        How it was estimated.
    """

    name: str
    sigma_wh: float
    how: str


def error_budget(
    drive: Drive,
    build: BuildSettings,
    power: PackPower,
    power_w: FloatArray,
    whole: Integral,
    uncovered_s: float,
    doubts_wh: Mapping[str, float],
) -> tuple[tuple[ErrorPart, ...], float]:
    """Parts of the net energy's uncertainty, and the sampling uncertainty of regenerated energy.

    Method: measured (4).

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        Where voltage and current come from; pack resistance.
    power : PackPower
        Times and gap rule.
    power_w : ndarray, shape (n,)
        Power with charging masked. [W]
    whole : Integral
        Its integral. [J]
    uncovered_s : float
        Driving time without power. [s]
    doubts_wh : mapping of str to float
        What findings that nothing settles would change of the net energy, by title. [Wh]

    Returns
    -------
    parts : tuple of ErrorPart
        They add in squares.
    regen_sampling_wh : float
        One standard uncertainty of regenerated energy from the sample rate. [Wh]
    """
    net_wh = whole.total / JOULES_PER_WATT_HOUR
    voltage, current = drive.get("pack_voltage"), drive.get("pack_current")
    nominal_v = build.pack.cells_in_series * build.pack.cell_nominal_voltage_v
    pack_v = nominal_v if voltage is None else float(np.nanmedian(voltage.value))
    sampling_wh, regen_wh = _sampling_wh(power.time_s, power_w, power.max_gap_s)
    if voltage is not None and current is not None and power.source != "pack_power":
        skew_wh, skew_how = _skew_wh(voltage, current, build, whole)
        quantum_wh = _quantisation_wh(voltage, current, whole)
    else:
        skew_wh, skew_how = 0.0, "power is logged as one signal"
        quantum = _quantum(power.power_w) * np.sqrt(whole.covered_s * nominal_period_s(power.time_s) / 12.0)
        quantum_wh = float(quantum) / JOULES_PER_WATT_HOUR
    known = power_w[np.isfinite(power_w)]
    spread_w = float(np.std(known)) if known.size else 0.0
    gap_wh = spread_w * _gaps_s(power, uncovered_s) / JOULES_PER_WATT_HOUR
    gain = build.instruments.power_gain_sigma_ratio
    zero_a = build.instruments.current_zero_a.sigma if current is None or current.sigma is None else current.sigma
    parts = (
        ErrorPart(name="gain", sigma_wh=gain * abs(net_wh), how=_gain_words(build)),
        *_unchecked_part(drive, build, power, whole),
        *(
            # As likely none of it as all of it is an error of the figure: a flat chance between the two.
            ErrorPart(
                name="doubt", sigma_wh=wh / np.sqrt(3.0), how=f"{title[0].lower()}{title[1:]}: {wh:.0f} Wh in doubt"
            )
            for title, wh in doubts_wh.items()
        ),
        ErrorPart(
            name="offset",
            sigma_wh=zero_a * pack_v * whole.covered_s / JOULES_PER_WATT_HOUR,
            how=f"current zero to {zero_a:.1f} A",
        ),
        ErrorPart(name="quantisation", sigma_wh=quantum_wh, how="smallest step in voltage and current"),
        ErrorPart(name="sample rate", sigma_wh=sampling_wh, how="every second and every fourth sample against all"),
        ErrorPart(name="skew", sigma_wh=skew_wh, how=skew_how),
        ErrorPart(name="gaps", sigma_wh=float(gap_wh), how=f"{uncovered_s:.0f} s filled at the mean power"),
    )
    return parts, regen_wh


def unchecked_sigma_ratio(channels: Container[str], build: BuildSettings, quantity: str) -> float:
    """What is added to the uncertainty of a speed or current that nothing in the log or the build checks. [ratio]

    Method: admission (5).
    """
    checked = any(name in channels for name in _CHECKS[quantity])
    told = getattr(build.instruments, f"{quantity}_gain_ratio").sigma < _CHECKED_BY_HAND_RATIO
    return 0.0 if checked or told else UNCHECKED_SIGMA_RATIO


def _unchecked_part(drive: Drive, build: BuildSettings, power: PackPower, whole: Integral) -> tuple[ErrorPart, ...]:
    """Scale of a current that nothing checks, and what it shows at rest beyond the base: a load, or its zero."""
    ratio, base = unchecked_sigma_ratio(drive, build, "current"), build.auxiliary.base_power_w
    net_wh, hours = abs(whole.total) / JOULES_PER_WATT_HOUR, whole.covered_s / 3600.0
    idle = auxiliary_load(drive, build, power)
    is_measured = idle.basis["inverter standby"] == "measured at standstill"
    beyond_w = float(idle.parts_w["inverter standby"][0]) - base.value
    rest_w = beyond_w if is_measured and beyond_w > 3.0 * base.sigma else 0.0
    words = [f"nothing in the log checks the current: {100 * ratio:.0f} %"] if ratio else []
    if rest_w > 0.0:
        words.append(f"{rest_w:.0f} W at rest are a load that nobody logged, or the current's zero")
    if not words:
        return ()
    sigma_wh = float(np.hypot(ratio * net_wh, 0.5 * rest_w * hours))
    return (ErrorPart(name="unchecked current", sigma_wh=sigma_wh, how=", and ".join(words)),)


def _gaps_s(power: PackPower, uncovered_s: float) -> float:
    """Seconds at one spread of the power that are as uncertain as all gaps together.

    Within its correlation time power stays as it is, so a gap of length t cannot cost more than spread times t; longer
    ones average out as the square root.
    """
    step_s = np.diff(power.time_s)
    known = np.isfinite(power.power_w)
    is_gap = ~(known[:-1] & known[1:] & (step_s <= power.max_gap_s))
    starts = np.flatnonzero(np.diff(is_gap, prepend=False) & is_gap)
    lengths_s = np.add.reduceat(np.where(is_gap, step_s, 0.0), starts) if starts.size else np.empty(0)
    at_the_ends_s = max(uncovered_s - float(lengths_s.sum()), 0.0)
    every_s = np.append(lengths_s, at_the_ends_s)
    return float(np.sqrt(np.sum(every_s * np.minimum(every_s, GAP_CORRELATION_S))))


def _gain_words(build: BuildSettings) -> str:
    sensors = build.instruments
    voltage, current = sensors.voltage_gain_ratio.sigma, sensors.current_gain_ratio.sigma
    return f"{100 * voltage:g} % of voltage, {100 * current:g} % of current, shared by all drives"


def _sampling_wh(time_s: FloatArray, power_w: FloatArray, max_gap_s: float) -> tuple[float, float]:
    """Spread of net and regenerated energy when every second or fourth sample is left out.

    Halving the rate adds about as much error again as half the drive's own; the factors bring the
    spread back to the full rate. They were checked on recorded and simulated drives of known truth.
    """
    if time_s.size < 40:
        return 0.0, 0.0
    full = integrate(time_s, power_w, max_gap_s=max_gap_s)
    net, regen = [], []
    for stride, factor in ((2, 0.6), (4, 0.3)):
        for phase in range(stride):
            part = integrate(time_s[phase::stride], power_w[phase::stride], max_gap_s=stride * max_gap_s)
            if part.covered_s <= 0:
                continue
            share = full.covered_s / part.covered_s
            net.append(factor * (part.total * share - full.total))
            regen.append(factor * (part.negative * share - full.negative))
    scale = 1.0 / JOULES_PER_WATT_HOUR
    return float(np.sqrt(np.mean(np.square(net)))) * scale, float(np.sqrt(np.mean(np.square(regen)))) * scale


def _skew_wh(voltage: Channel, current: Channel, build: BuildSettings, whole: Integral) -> tuple[float, str]:
    """Effect of a lag between voltage and current: R (rho(0) - rho(lag)) watts of an ohmic pack, exactly."""
    if voltage.time_s.size == current.time_s.size and np.array_equal(voltage.time_s, current.time_s):
        return 0.0, "voltage and current come at the same times"
    step_s = max(nominal_period_s(current.time_s), 0.02)
    grid_s = np.arange(current.time_s[0], current.time_s[-1], step_s)
    amperes = interpolate(grid_s, current.time_s, current.value, max_gap_s=current.max_gap_s)
    lag = max(1, round(SKEW_SIGMA_S / step_s))
    # Half the mean squared difference is rho(0) - rho(lag); it shrinks with the square of the lag.
    difference = amperes[lag:] - amperes[:-lag]
    known = difference[np.isfinite(difference)]
    half_square = 0.5 * float(np.mean(known**2)) if known.size else 0.0
    half_square *= (SKEW_SIGMA_S / (lag * step_s)) ** 2
    watts = build.pack.resistance_ohm.value * half_square
    words = f"lag of {SKEW_SIGMA_S * 1000:.0f} ms between voltage and current"
    return watts * whole.covered_s / JOULES_PER_WATT_HOUR, words


def _quantum(value: FloatArray) -> float:
    """Smallest step between distinct values; zero for a continuous signal."""
    distinct = np.unique(value[np.isfinite(value)][:20_000])
    if distinct.size < 2 or distinct.size > 0.5 * min(value.size, 20_000):
        return 0.0
    return float(np.min(np.diff(distinct)))


def _quantisation_wh(voltage: Channel, current: Channel, whole: Integral) -> float:
    total = 0.0
    for channel, other in ((voltage, current), (current, voltage)):
        factor = float(np.sqrt(np.nanmean(other.value**2)))
        period_s = nominal_period_s(channel.time_s)
        total += (factor * _quantum(channel.value)) ** 2 / 12.0 * whole.covered_s * period_s
    return float(np.sqrt(total)) / JOULES_PER_WATT_HOUR
