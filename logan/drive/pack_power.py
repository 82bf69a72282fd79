"""Pack power of a drive, on the union of the voltage's and the current's own times."""

from __future__ import annotations

import numpy as np

from logan.drive.drive import Channel, Drive
from logan.numerics import interpolate, spans_where, union_times
from logan.results import result
from logan.units import BoolArray, FloatArray


@result()
class PackPower:
    """Power at the pack terminals, positive on discharge.

    Parameters
    ----------
    time_s, power_w : ndarray, shape (n,)
        Samples; NaN where voltage or current is not known. [s, W]
    max_gap_s : float
        Longest step that may be integrated. [s]
    source : str
        ``voltage x current`` or ``pack_power``.
    """

    time_s: FloatArray
    power_w: FloatArray
    max_gap_s: float
    source: str


def pack_power(drive: Drive) -> PackPower | None:
    """Pack power; voltage times current where both are logged, else the logged power, else None.

    Between samples voltage and current are straight lines, so their product is evaluated
    at every instant at which either was sampled.

    Parameters
    ----------
    drive : Drive
        The drive.

    Returns
    -------
    PackPower or None
        None where the drive has neither pair nor power.
    """
    known = drive.worked_out.get("pack_power")
    if not isinstance(known, PackPower):
        known = _pack_power(drive)
        drive.worked_out["pack_power"] = known
    return known


def _pack_power(drive: Drive) -> PackPower | None:
    voltage, current = drive.get("pack_voltage"), drive.get("pack_current")
    if voltage is not None and current is not None and voltage.time_s.size > 1 and current.time_s.size > 1:
        return _product(voltage, current)
    given = drive.get("pack_power")
    if given is None or given.time_s.size < 2:
        return None
    return PackPower(time_s=given.time_s, power_w=given.value, max_gap_s=given.max_gap_s, source="pack_power")


def _product(voltage: Channel, current: Channel) -> PackPower:
    if voltage.time_s is current.time_s or np.array_equal(voltage.time_s, current.time_s):
        time_s, power_w = voltage.time_s, voltage.value * current.value
    else:
        time_s = union_times(voltage.time_s, current.time_s)
        volts = interpolate(time_s, voltage.time_s, voltage.value, max_gap_s=voltage.max_gap_s)
        amperes = interpolate(time_s, current.time_s, current.value, max_gap_s=current.max_gap_s)
        power_w = volts * amperes
    # The slower of the two says how long a step may be; the product is NaN inside either's gaps.
    gap_s = max(voltage.max_gap_s, current.max_gap_s)
    return PackPower(time_s=time_s, power_w=power_w, max_gap_s=gap_s, source="voltage x current")


def is_charging_at(drive: Drive, at_s: FloatArray) -> BoolArray:
    """Whether the vehicle was plugged in and charging at each time.

    The plug signal decides where there is one. Without it, standing still for a minute or
    more while power flows into the pack without a break counts as charging.

    Parameters
    ----------
    drive : Drive
        The drive.
    at_s : ndarray, shape (n,)
        Times. [s]

    Returns
    -------
    ndarray of bool, shape (n,)
        True while charging.
    """
    plug = drive.get("charging")
    if plug is not None:
        return np.nan_to_num(plug.at(at_s, max_gap_s=np.inf)) > 0.5
    power, speed = pack_power(drive), drive.get("speed") or drive.get("gnss_speed")
    charging = np.zeros(at_s.shape, dtype=bool)
    if power is None or speed is None:
        return charging
    still = np.nan_to_num(np.abs(speed.at(power.time_s)), nan=1.0) < 0.3
    for start_s, end_s in spans_where(power.time_s, still & (power.power_w < -200.0), min_duration_s=60.0):
        charging |= (at_s >= start_s) & (at_s <= end_s)
    return charging
