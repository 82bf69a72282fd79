"""What the driver did not note, without which two drives are hard to compare."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from logan.flags import DataFlag, Severity
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey

_YEAR_2005_NS: Final = 1_104_537_600_000_000_000


@detector("notes_missing")
def _find_missing(survey: DriveSurvey) -> Iterator[DataFlag]:
    noted = survey.drive.conditions
    missing = []
    if noted.payload_kg is None:
        missing.append("payload")
    if noted.tyre_pressure_pa is None and not survey.has("tyre_pressure"):
        missing.append("tyre pressure")
    if noted.ambient_temperature_degc is None and not survey.has("ambient_temperature"):
        missing.append("outside temperature")
    if not missing or not survey.is_drive:
        return
    yield DataFlag(
        code="notes_missing",
        severity=Severity.NOTE,
        channels=(),
        title="Payload, tyre pressure or weather is not noted",
        evidence=f"not noted: {', '.join(missing)}",
        remedy="Add them to the drive; 100 kg or 10 psi move the consumption by some 2 to 4 % (common practice)",
    )


@detector("clock_not_set")
def _find_unset_clock(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A date before the first conversions with loggers: the clock was never set."""
    start_ns = survey.drive.start_ns
    if start_ns is None or start_ns >= _YEAR_2005_NS:
        return
    yield DataFlag(
        code="clock_not_set",
        severity=Severity.NOTE,
        channels=(),
        title="The logger's clock was not set",
        evidence=f"the drive is dated {start_ns / 1e9 / 86_400 / 365.25 + 1970:.0f}",
        remedy="Set the logger's clock, or let it take the time from satellites; note the date by hand",
        effect_wh_per_km=0.0,
    )


@detector("power_only")
def _find_power_only(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Pack power without voltage and current: the energy is known, and nothing that needs the current."""
    if not survey.has("pack_power") or survey.has("pack_voltage", "pack_current"):
        return
    absent = [name for name in ("pack_voltage", "pack_current") if not survey.has(name)]
    cannot = "peak and RMS current, charge, and pack resistance"
    if absent == ["pack_voltage"]:
        cannot = "pack resistance"
    yield DataFlag(
        code="power_only",
        severity=Severity.NOTE,
        channels=("pack_power",),
        title="Pack power is logged without voltage and current",
        evidence=f"{' and '.join(absent)} not logged: {len(absent)} of 2; {cannot} cannot be given",
        remedy="Log pack voltage and current from the same message, at 10 Hz or faster",
        effect_wh_per_km=0.0,
    )
