"""A build's sensors: what all its drives and measurements say, and the build with what is taken off the drives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from logan.admission.trim import trimmed
from logan.drive.drive import DriveConditions
from logan.drive.mask import apply_corrections
from logan.drive_library.analysis_cache import settings_fingerprint
from logan.drive_library.records import DriveRecord
from logan.drive_library.repository import DriveLibrary
from logan.instruments.drive_evidence import InstrumentEvidence, drive_evidence
from logan.instruments.posterior import Instruments, corrections, known_instruments
from logan.metrics.error_budget import unchecked_sigma_ratio
from logan.results import result_from_json, schema_of
from logan.settings import BuildSettings
from logan.version import science_edition

_EVIDENCE: Final = "instrument-evidence"


def build_instruments(
    library: DriveLibrary, build: BuildSettings, more: Sequence[InstrumentEvidence] = ()
) -> Instruments:
    """What is known of a build's sensors once its own errors have been taken off the drives.

    Parameters
    ----------
    library : DriveLibrary
        Drives that are damaged, or take no part in the fit, say nothing.
    build : BuildSettings
        Priors, and what the user compared.
    more : sequence of InstrumentEvidence
        Of a drive that is not in the library yet.

    Returns
    -------
    Instruments
        Its mean is what is left in the drives as they are used.
    """
    records = [record for record in library.drives() if not record.takes_no_part]
    found = [item for record in records for item in _evidence(library, record)]
    known = known_instruments(_less_sure(build, records), (*found, *more))
    return known.without(corrections(known) if build.instruments.is_corrected else {})


def _less_sure(build: BuildSettings, records: Sequence[DriveRecord]) -> BuildSettings:
    """Widen the prior of a sensor that no channel of any drive checks, as the drives' own figures do."""
    logged = {name for record in records for name in record.channels}
    changed = {}
    for quantity in ("current", "speed") if records else ():
        name = f"{quantity}_gain_ratio"
        gain, more = getattr(build.instruments, name), unchecked_sigma_ratio(logged, build, quantity)
        changed[name] = replace(gain, sigma=float(np.hypot(gain.sigma, more)))
    return replace(build, instruments=replace(build.instruments, **changed))


def calibrated(library: DriveLibrary, build: BuildSettings, more: Sequence[InstrumentEvidence] = ()) -> BuildSettings:
    """Return the build with what is taken off its drives; unchanged where that was found out before."""
    if build.instruments.applied is not None:
        return build
    applied = build_instruments(library, build, more).applied
    return replace(build, instruments=replace(build.instruments, applied=dict(applied)))


def _evidence(library: DriveLibrary, record: DriveRecord) -> tuple[InstrumentEvidence, ...]:
    conditions: DriveConditions = replace(
        record.conditions, tags=(), note="", change="", excluded_because="", included_because=""
    )
    fingerprint = settings_fingerprint(science_edition(), schema_of(InstrumentEvidence), conditions)
    return library.kept(
        record.number,
        _EVIDENCE,
        fingerprint,
        lambda kept: tuple(result_from_json(InstrumentEvidence, item) for item in kept),
        lambda: drive_evidence(trimmed(apply_corrections(library.load(record.number))), f"drive {record.number}"),
    )
