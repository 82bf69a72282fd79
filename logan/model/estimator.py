"""Refines the plan's parameters with drives and measurements."""

from __future__ import annotations

from collections.abc import Sequence

from logan.model.fit_result import FitResult
from logan.model.measurement import Measurement
from logan.model.parameters import ParameterDistribution
from logan.model.segments_table import DriveSegments
from logan.settings import BuildSettings


def fit(
    prior: ParameterDistribution,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
) -> FitResult:
    """Posterior of the parameters, given the plan, the drives and what was measured besides."""
    raise NotImplementedError


def add_drive(result: FitResult, drive: DriveSegments, build: BuildSettings) -> FitResult:
    """Add one drive to a fit without going back to the others' segments."""
    raise NotImplementedError
