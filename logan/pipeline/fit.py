"""Fit the model to drives, compare it with them, and tell whether a change helped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from logan.drive.drive import Drive
from logan.driving_range.coverage import Calibration
from logan.model.effect import ModificationEffect
from logan.model.fit_result import DriveFit, FitResult
from logan.model.identifiability import Identifiability
from logan.model.measurement import Measurement
from logan.model.segments_table import DriveSegments
from logan.settings import BuildSettings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitReport:
    """A fit with what it means and how well it is calibrated."""

    schema: ClassVar[str] = "fit-report/1"

    fit: FitResult
    identifiability: Identifiability
    calibration: Calibration


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Predicted against measured, drive by drive."""

    schema: ClassVar[str] = "comparison/1"

    drives: tuple[DriveFit, ...]
    calibration: Calibration


def segments_of(drives: Mapping[str, Drive], build: BuildSettings) -> tuple[DriveSegments, ...]:
    """Reduce drives, by their names, to what the fit needs."""
    raise NotImplementedError


def fit_drives(
    build: BuildSettings, drives: Sequence[DriveSegments], measurements: Sequence[Measurement] = ()
) -> FitReport:
    """Fit the build's plan to its drives, and calibrate the fit by leaving drives out."""
    raise NotImplementedError


def compare_drives(
    build: BuildSettings, drives: Sequence[DriveSegments], measurements: Sequence[Measurement] = ()
) -> Comparison:
    """Predicted by the plan and by the fit, against measured."""
    raise NotImplementedError


def effect_of_change(
    build: BuildSettings,
    drives: Sequence[DriveSegments],
    before: Sequence[str],
    after: Sequence[str],
    measurements: Sequence[Measurement] = (),
) -> ModificationEffect:
    """Whether the drives named in ``after`` differ from those in ``before`` by more than noise."""
    raise NotImplementedError
