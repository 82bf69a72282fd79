"""Take off what is known to better than it is large, as a named step that can be turned off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logan.drive.drive import Drive
from logan.drive.mask import correct
from logan.instruments.drive_evidence import (
    CURRENT_GAIN,
    CURRENT_ZERO,
    SPEED_GAIN,
    UNKNOWNS,
    VOLTAGE_GAIN,
)
from logan.instruments.posterior import Instruments

APPLIED_FROM_SIGMAS: Final = 2.0
"""How many times its own uncertainty an error must be before it is taken off."""

_STEPS: Final = {CURRENT_GAIN: 0.001, VOLTAGE_GAIN: 0.001, SPEED_GAIN: 0.001, CURRENT_ZERO: 0.05}
"""Corrections come in these steps, so that one more drive does not change every figure by a hair."""


def corrections(instruments: Instruments) -> dict[str, float]:
    """Errors that are taken off the drives, by unknown; empty where none is known well enough.

    Parameters
    ----------
    instruments : Instruments
        Posterior of the build's sensors.

    Returns
    -------
    dict of str to float
        In the units of ``UNKNOWNS``.
    """
    found = {}
    for name, step in _STEPS.items():
        index = UNKNOWNS.index(name)
        error = round(float(instruments.mean[index]) / step) * step
        if error and abs(instruments.mean[index]) >= APPLIED_FROM_SIGMAS * instruments.sigma[index]:
            found[name] = round(error, 6)
    return found


def corrected(drive: Drive, applied: Mapping[str, float]) -> Drive:
    """Return the drive with its sensors' known errors taken off, each a step of its history.

    Parameters
    ----------
    drive : Drive
        As stored, with what was corrected by hand.
    applied : mapping of str to float
        Of ``corrections``.

    Returns
    -------
    Drive
        The same drive where nothing applies to it.
    """
    current, voltage = applied.get(CURRENT_GAIN, 0.0), applied.get(VOLTAGE_GAIN, 0.0)
    zero_a, speed = applied.get(CURRENT_ZERO, 0.0), applied.get(SPEED_GAIN, 0.0)
    gain = float(np.exp(-current))
    if "pack_current" in drive and (current or zero_a):
        why = _why("current", current, zero_a)
        drive = correct(drive, "pack_current", gain=gain, offset=-zero_a * gain, reason=why)
    if "pack_voltage" in drive and voltage:
        drive = correct(drive, "pack_voltage", gain=float(np.exp(-voltage)), reason=_why("voltage", voltage))
    if "pack_power" in drive and (current or voltage):
        both = float(np.exp(-current - voltage))
        drive = correct(drive, "pack_power", gain=both, reason=_why("power", current + voltage))
    if speed:
        for name in [name for name in drive if name == "speed" or name.startswith("wheel_speed")]:
            if drive[name].source != "gnss_speed":
                drive = correct(drive, name, gain=float(np.exp(-speed)), reason=_why("speed", speed))
    return drive


def _why(what: str, gain: float, zero_a: float = 0.0) -> str:
    parts = [f"reads {100 * float(np.expm1(gain)):+.1f} %"] if gain else []
    parts += [f"zero at {zero_a:+.2f} A"] if zero_a else []
    return f"known error of the sensor: {what} {', '.join(parts)} (turn off with correct = false in [instruments])"
