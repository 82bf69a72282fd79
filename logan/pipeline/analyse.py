"""Everything that one drive says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from logan.admission.admit import admit, admitted
from logan.analysis import DriveAnalysis
from logan.drive.drive import Drive
from logan.flags import DataFlag, Severity
from logan.ledger.reckon import energy_ledger
from logan.metrics.calibration import calibration_summary
from logan.metrics.coastdowns import coastdown_summary
from logan.metrics.current import current_summary
from logan.metrics.derating import derating_summary
from logan.metrics.energy import energy_summary
from logan.metrics.heating_circuit import limits_that_apply
from logan.metrics.limits import limit_summary
from logan.metrics.pack import pack_summary
from logan.metrics.regen import regen_summary
from logan.metrics.resistance import resistance_summary
from logan.metrics.thermal import SENSOR_SIGMA_K, thermal_summary
from logan.quality import MetricGrade, find_flags, grade_metrics
from logan.results import Estimate, Figure, Refusal, result
from logan.settings import AnalysisSettings, BuildSettings


@result("drive-quality/1")
class DriveQuality:
    """What was found in a drive's data, and how far each metric can be believed.

    Parameters
    ----------
    flags : tuple of DataFlag
        Gravest first; those found while importing among them.
    grades : mapping of str to MetricGrade
        By metric.
    """

    flags: tuple[DataFlag, ...]
    grades: Mapping[str, MetricGrade]

    @property
    def refused(self) -> Mapping[str, MetricGrade]:
        """Metrics that must not be shown, with their reasons."""
        return {metric: grade for metric, grade in self.grades.items() if grade.is_refused}


_GRAVITY = {Severity.RED: 0, Severity.AMBER: 1, Severity.NOTE: 2}


def check_drive(
    drive: Drive,
    build: BuildSettings,
    *,
    import_flags: tuple[DataFlag, ...] = (),
    analysis: AnalysisSettings | None = None,
    coverage_ratios: Mapping[str, float] | None = None,
) -> DriveQuality:
    """Check a drive's data; nothing is repaired.

    Parameters
    ----------
    drive : Drive
        The drive, as stored.
    build : BuildSettings
        What the user says about the vehicle.
    import_flags : tuple of DataFlag
        What was found in the raw signals when the log was imported.
    analysis : AnalysisSettings, optional
        For the coverage below which a metric is refused.
    coverage_ratios : mapping of str to float, optional
        Coverage of single metrics where the caller has it.

    Returns
    -------
    DriveQuality
        Findings and grades.
    """
    flags = (*import_flags, *find_flags(drive, build))
    ordered = tuple(sorted(flags, key=lambda flag: _GRAVITY[flag.severity]))
    settings = analysis or AnalysisSettings()
    grades = grade_metrics(
        drive, ordered, coverage_ratios=coverage_ratios, min_coverage_ratio=settings.min_coverage_ratio
    )
    return DriveQuality(flags=ordered, grades=grades)


_RESTS_ON: Final = {
    "peak_current": "peak_current",
    "rms_current": "rms_current",
    "current_zero": "charge",
    "standstill_power": "net_energy",
    "pulse_resistance": "resistance",
    "ledger_residual": "consumption",
    "friction_brakes": "consumption",
    "regen_share": "regen",
    "regen_": "consumption",
}
"""Uses that summary figures rest on which do not carry a refusal by themselves, by how the names start."""

__all__ = ["DriveAnalysis", "analyse_drive", "summary_metrics"]


def analyse_drive(
    drive: Drive,
    build: BuildSettings,
    settings: AnalysisSettings | None = None,
    *,
    import_flags: tuple[DataFlag, ...] = (),
) -> DriveAnalysis:
    """Analyse one drive: flags, energy, ledger, regen, currents, heat, pack, calibrations, limits.

    Nothing is repaired here: what the data forbid is refused in the detectors' own words.

    Parameters
    ----------
    drive : Drive
        Channels in SI, corrected as its history says.
    build : BuildSettings
        The vehicle, with planned or fitted parameters, and its limit sheet.
    settings : AnalysisSettings, optional
        Least coverage.
    import_flags : tuple of DataFlag
        What was found in the raw signals when the log was imported.

    Returns
    -------
    DriveAnalysis
        Ready for pages, tables, JSON and the library.
    """
    settings = settings or AnalysisSettings()
    quality = check_drive(drive, build, import_flags=import_flags, analysis=settings)
    admission = admit(drive, quality.flags, quality.grades)
    refusals, logged, drive = admission.refusals, drive, admitted(drive, admission)
    build, left_out = limits_that_apply(drive, build)
    energy = energy_summary(drive, build, settings, refusals=refusals, doubts_wh_per_km=admission.doubts_wh_per_km)
    current = current_summary(drive, build, refusals=refusals)
    return DriveAnalysis(
        flags=quality.flags,
        grades=quality.grades,
        admission=admission,
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
        limits=limit_summary(logged, build, current, notes=left_out, unfit=admission.channels_out),
    )


def summary_metrics(analysis: DriveAnalysis) -> dict[str, Figure]:
    """The figures by which drives are listed, compared and followed over time.

    Parameters
    ----------
    analysis : DriveAnalysis
        Of one drive.

    Returns
    -------
    dict of str to Estimate or Refusal
        By a name with its unit; figures that the drive has no channel for are left out.
    """
    energy, regen, coastdowns = analysis.energy, analysis.regen, analysis.coastdowns
    figures: dict[str, Figure] = {
        "net_wh": energy.net_wh,
        "gross_wh": energy.gross_wh,
        "regenerated_wh": energy.regenerated_wh,
        "net_wh_per_km": energy.net_wh_per_km,
        "gross_wh_per_km": energy.gross_wh_per_km,
        "ledger_residual_wh": analysis.ledger.residual_wh,
        "friction_brakes_wh": regen.friction_wh,
        "usable_energy_wh": analysis.pack.usable.energy_wh,
        "isolation_ohm_per_v": analysis.pack.isolation_ohm_per_v,
        "cell_spread_rest_v": analysis.pack.spread.rest_v,
        "cell_spread_load_v": analysis.pack.spread.load_v,
        "rolling_circumference_m": analysis.calibration.wheel.circumference_m,
        "current_zero_a": analysis.calibration.current_zero_a,
        "drag_area_m2": coastdowns.drag_area_m2,
        "rolling_coefficient_ratio": coastdowns.rolling_coefficient,
        "force_65_mph_n": coastdowns.force_65_mph_n,
    }
    names = {1: "regen_share_ratio", 3: "regen_recovery_ratio", 4: "regen_stop_recovery_ratio", 8: "regen_capped_ratio"}
    figures |= {names[entry.number]: entry.value for entry in regen.figures if entry.number in names}
    figures |= {
        f"pulse_resistance_{band.duration_s:.0f}_s_ohm": band.resistance_ohm
        for band in analysis.resistance.whole_drive
        if band.subject == "pack"
    }
    for duration in analysis.current.durations:
        if duration.channel == "pack_current" and duration.direction == "discharge":
            peak = duration.peak
            figures["peak_current_a"] = (
                Refusal(peak.refusal, "Log the current faster and unfiltered")
                if peak.refusal
                else Estimate(peak.sampled_a, "A", None, peak.note or "highest sample")
            )
            figures |= {
                f"rms_current_{point.window_s:.0f}_s_a": Estimate(point.rms_a, "A", None, "highest window")
                for point in duration.points
                if point.window_s in (10.0, 60.0, 600.0)
            }
    for check in analysis.limits.temperatures:
        figures[f"{check.channel}_max_degc"] = Estimate(
            check.worst_value or 0.0, "degC", SENSOR_SIGMA_K, "highest value"
        )
    for load in analysis.calibration.standstill:
        if load.state == "base":
            figures["standstill_power_w"] = load.power_w
    refusals = analysis.admission.refusals
    for name in figures:
        use = next((use for start, use in _RESTS_ON.items() if name.startswith(start)), "")
        figures[name] = refusals.get(use) or figures[name]
    return figures
