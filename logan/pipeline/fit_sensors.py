"""A build's fit with its sensors' shared errors, and the usable energy that they counted, in it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from logan.drive_library.repository import DriveLibrary
from logan.driving_range.measured_usable import usable_evidence
from logan.instruments.evidence import InstrumentEvidence
from logan.instruments.posterior import Instruments
from logan.model.measurement import Measurement
from logan.model.segments_table import DriveSegments
from logan.model.sensor_errors import with_sensor_errors
from logan.pipeline.fit import FitReport, kept_fit
from logan.pipeline.instruments import build_instruments
from logan.pipeline.stored import StoredDrive, stored_drives
from logan.settings import BuildSettings


def fit_with_sensors(
    library: DriveLibrary,
    build: BuildSettings,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement] = (),
    *,
    told: Callable[[str], None] | None = None,
) -> FitReport:
    """Fit a build's drives, and bring in what their sensors may all have shown wrong alike.

    Parameters
    ----------
    library : DriveLibrary
        Where the drives are.
    build : BuildSettings
        The build; its planning values and its sensors' are the prior.
    drives : sequence of DriveSegments
        Reduced drives; refused ones are listed and take no part.
    measurements : sequence of Measurement
        Of the vehicle.
    told : callable, optional
        Given words on what is being done.

    Returns
    -------
    FitReport
        Its posterior is as wide as the sensors allow.
    """
    report = kept_fit(library, build, drives, measurements, told=told)
    return replace(report, fit=with_sensor_errors(report.fit, sensors_of(library, build), build))


def sensors_of(library: DriveLibrary, build: BuildSettings) -> Instruments:
    """What all that a build has says of its sensors and its usable energy together."""
    more = [
        item
        for stored in stored_drives(library, build)
        if not stored.record.is_excluded
        for item in _evidence(library, stored, build)
    ]
    return build_instruments(library, build, more)


def _evidence(library: DriveLibrary, stored: StoredDrive, build: BuildSettings) -> tuple[InstrumentEvidence, ...]:
    cells = library.load(stored.record.id, ["pack_temperature"]).get("pack_temperature")
    is_known = cells is not None and bool(np.isfinite(cells.value).any())
    cells_degc = float(np.nanmean(cells.value)) if cells is not None and is_known else None
    return usable_evidence(stored.analysis, build, cells_degc, f"drive {stored.record.number}")
