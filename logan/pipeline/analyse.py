"""Everything that one drive says."""

from __future__ import annotations

from collections.abc import Iterable

from logan.analysis import DriveAnalysis
from logan.drive.drive import Drive
from logan.flags import DataFlag, Severity
from logan.ledger.reckon import energy_ledger
from logan.metrics.calibration import calibration_summary
from logan.metrics.coastdowns import coastdown_summary
from logan.metrics.current import current_summary
from logan.metrics.derating import derating_summary
from logan.metrics.energy import energy_summary
from logan.metrics.limits import limit_summary
from logan.metrics.pack import pack_summary
from logan.metrics.regen import regen_summary
from logan.metrics.resistance import resistance_summary
from logan.metrics.thermal import thermal_summary
from logan.quality import find_flags
from logan.results import Refusal
from logan.settings import AnalysisSettings, BuildSettings

__all__ = ["DriveAnalysis", "analyse_drive", "refusals_of"]


def refusals_of(flags: Iterable[DataFlag]) -> dict[str, Refusal]:
    """Metrics that data flags forbid, each with the gravest flag's reason and remedy.

    Parameters
    ----------
    flags : iterable of DataFlag
        Findings of the detectors, gravest first.

    Returns
    -------
    dict of str to Refusal
        By metric: ``net_energy``, ``consumption``, ``regen``, ``peak_current``, ``rms_current``,
        ``resistance``, ``usable_energy``, ...
    """
    refusals: dict[str, Refusal] = {}
    for flag in flags:
        if flag.severity is Severity.RED:
            for metric in flag.refuses:
                refusals.setdefault(metric, Refusal(f"{flag.title} ({flag.code})", flag.remedy))
    return refusals


def analyse_drive(
    drive: Drive,
    build: BuildSettings,
    settings: AnalysisSettings | None = None,
    *,
    flags: tuple[DataFlag, ...] | None = None,
) -> DriveAnalysis:
    """Analyse one drive: flags, energy, ledger, regen, currents, heat, pack, calibrations, limits.

    Nothing is repaired here: what a flag forbids is refused with the flag's own words.

    Parameters
    ----------
    drive : Drive
        Channels in SI, corrected as its history says.
    build : BuildSettings
        The vehicle, with planned or fitted parameters, and its limit sheet.
    settings : AnalysisSettings, optional
        Least coverage.
    flags : tuple of DataFlag, optional
        Findings already made; found here where they are not given.

    Returns
    -------
    DriveAnalysis
        Ready for pages, tables, JSON and the library.
    """
    settings = settings or AnalysisSettings()
    found = find_flags(drive, build) if flags is None else flags
    refusals = refusals_of(found)
    energy = energy_summary(drive, build, settings, refusals=refusals)
    current = current_summary(drive, build, refusals=refusals)
    return DriveAnalysis(
        flags=found,
        energy=energy,
        ledger=energy_ledger(drive, build, settings, refusals=refusals),
        regen=regen_summary(drive, build, energy, refusals=refusals),
        current=current,
        resistance=resistance_summary(drive, build, refusals=refusals),
        thermal=thermal_summary(drive, build),
        derating=derating_summary(drive, build),
        pack=pack_summary(drive, build, energy, refusals=refusals),
        calibration=calibration_summary(drive, build),
        coastdowns=coastdown_summary(drive, build),
        limits=limit_summary(drive, build, current),
    )
