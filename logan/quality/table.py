"""The table of all detectors: a new one is a module and a line here."""

from __future__ import annotations

from typing import Final

from logan.quality import (
    cells,
    charge_state,
    current_range,
    current_sign,
    current_zero,
    energy_balance,
    frozen,
    limits_active,
    motion,
    notes,
    place,
    plan_evidence,
    sessions,
    signal_bus,
    signal_frames,
    signal_log,
    signal_time,
    signal_values,
    smoothing,
    spikes,
    stuck_bits,
    temperatures,
    timing,
    units_mixed,
    unlogged_loads,
    voltage,
    wind,
)
from logan.quality.detector import Detector, SignalDetector

DETECTORS: Final[tuple[Detector, ...]] = (
    *current_sign.DETECTORS,
    *current_zero.DETECTORS,
    *current_range.DETECTORS,
    *voltage.DETECTORS,
    *frozen.DETECTORS,
    *smoothing.DETECTORS,
    *spikes.DETECTORS,
    *stuck_bits.DETECTORS,
    *timing.DETECTORS,
    *units_mixed.DETECTORS,
    *motion.DETECTORS,
    *place.DETECTORS,
    *charge_state.DETECTORS,
    *energy_balance.DETECTORS,
    *plan_evidence.DETECTORS,
    *unlogged_loads.DETECTORS,
    *sessions.DETECTORS,
    *temperatures.DETECTORS,
    *cells.DETECTORS,
    *limits_active.DETECTORS,
    *wind.DETECTORS,
    *notes.DETECTORS,
)

SIGNAL_DETECTORS: Final[tuple[SignalDetector, ...]] = (
    *signal_log.SIGNAL_DETECTORS,
    *signal_time.SIGNAL_DETECTORS,
    *signal_frames.SIGNAL_DETECTORS,
    *signal_values.SIGNAL_DETECTORS,
    *signal_bus.SIGNAL_DETECTORS,
)
