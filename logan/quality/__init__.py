"""Detectors of data faults: they flag with evidence, and never repair.

They know a drive, or its signals before they become channels, and the build's settings, but no metric and no model;
what follows from a flag is decided in ``admission``. Begin with ``detector.py``, which says what a detector is; all of
them are listed below: a new one is a decorated function in a module that stands there.
"""

from types import ModuleType
from typing import Final, TypeVar

from logan.drive.drive import Drive
from logan.frames.table import SignalTable
from logan.quality import (
    cells,
    charge_state,
    current_range,
    current_sign,
    frozen,
    motion,
    notes,
    place,
    plan_evidence,
    signal_frames,
    signal_log,
    signal_time,
    smoothing,
    spikes,
    temperatures,
    timing,
)
from logan.quality.consequences import name_causes
from logan.quality.detector import Detector, SignalDetector
from logan.quality.survey import DriveSurvey
from logan.results import DataFlag, Severity
from logan.settings import BuildSettings, ChannelMap

Kind = TypeVar("Kind", Detector, SignalDetector)


def detectors_of(kind: type[Kind], *modules: ModuleType) -> tuple[Kind, ...]:
    """Detectors of modules, in the order in which they stand there."""
    return tuple(found for module in modules for found in vars(module).values() if isinstance(found, kind))


DETECTORS: Final = detectors_of(
    Detector,
    *(current_sign, current_range, frozen, smoothing, spikes, timing),
    *(motion, place, charge_state, plan_evidence, temperatures, cells, notes),
)
READING_DETECTORS: Final = detectors_of(SignalDetector, signal_log)
SIGNAL_DETECTORS: Final = READING_DETECTORS + detectors_of(SignalDetector, signal_time, signal_frames)

_GRAVITY_ORDER = {Severity.RED: 0, Severity.AMBER: 1, Severity.NOTE: 2}


def find_flags(drive: Drive, build: BuildSettings) -> tuple[DataFlag, ...]:
    """Every finding of every detector on a drive, gravest first; the drive is not changed."""
    survey = DriveSurvey(drive, build)
    flags = name_causes(flag for detector in DETECTORS for flag in detector.detect(survey))
    return tuple(sorted(flags, key=lambda flag: _GRAVITY_ORDER[flag.severity]))


def find_signal_flags(table: SignalTable, channel_map: ChannelMap) -> tuple[DataFlag, ...]:
    """Every fault that shows in the signals as logged, before they become channels."""
    return tuple(flag for detector in SIGNAL_DETECTORS for flag in detector.detect(table, channel_map))


def find_reading_flags(table: SignalTable, channel_map: ChannelMap) -> tuple[DataFlag, ...]:
    """What is wrong with how a log was read: lost lines, times that cannot be."""
    return tuple(flag for detector in READING_DETECTORS for flag in detector.detect(table, channel_map))
