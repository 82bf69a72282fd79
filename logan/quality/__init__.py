"""Detectors of data faults: they flag with evidence, and never repair.

They know a drive, or its signals before they become channels, and the build's settings, but no metric and no model;
what follows from a flag is decided in ``admission``. Begin with ``detector.py``, which says what a detector is, and
then ``table.py``, which has all of them.
"""

from __future__ import annotations

from logan.drive.drive import Drive
from logan.frames.table import SignalTable
from logan.quality.between_drives import DriveFingerprint, find_changes, find_duplicates, fingerprint, is_same_drive
from logan.quality.consequences import name_causes
from logan.quality.detector import Detector, SignalDetector
from logan.quality.grades import Grade, MetricGrade, grade_metrics
from logan.quality.survey import DriveSurvey
from logan.quality.table import DETECTORS, READING_DETECTORS, SIGNAL_DETECTORS
from logan.results import DataFlag, Severity
from logan.settings import BuildSettings, ChannelMap

__all__ = [
    "DETECTORS",
    "SIGNAL_DETECTORS",
    "Detector",
    "DriveFingerprint",
    "DriveSurvey",
    "Grade",
    "MetricGrade",
    "SignalDetector",
    "find_changes",
    "find_duplicates",
    "find_flags",
    "find_reading_flags",
    "find_signal_flags",
    "fingerprint",
    "grade_metrics",
    "is_same_drive",
]

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
