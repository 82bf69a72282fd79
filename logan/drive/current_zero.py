"""What the current sensor reads when no current flows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logan.drive.drive import Channel
from logan.results import Estimate, Figure, Refusal
from logan.units import FloatArray

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
