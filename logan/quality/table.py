"""The table of all detectors: a new one is a decorated function in a module that stands here."""

from __future__ import annotations

from types import ModuleType
from typing import Final, TypeVar

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
    signal_frames,
    signal_log,
    signal_time,
    signal_values,
    smoothing,
    spikes,
    temperatures,
    timing,
    units_mixed,
)
from logan.quality.detector import Detector, SignalDetector

Kind = TypeVar("Kind", Detector, SignalDetector)


def detectors_of(kind: type[Kind], *modules: ModuleType) -> tuple[Kind, ...]:
    """Detectors of modules, in the order in which they stand there."""
    return tuple(found for module in modules for found in vars(module).values() if isinstance(found, kind))


DETECTORS: Final = detectors_of(
    Detector,
    *(current_sign, current_zero, current_range, frozen, smoothing, spikes, timing, units_mixed),
    *(motion, place, charge_state, energy_balance, plan_evidence, temperatures, cells),
    *(limits_active, notes),
)
READING_DETECTORS: Final = detectors_of(SignalDetector, signal_log)
SIGNAL_DETECTORS: Final = READING_DETECTORS + detectors_of(SignalDetector, signal_time, signal_frames, signal_values)
