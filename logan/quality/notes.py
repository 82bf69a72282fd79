"""What the driver did not note, without which two drives are hard to compare."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from logan.flags import DataFlag, Severity
from logan.quality.detector import Detector
from logan.quality.survey import DriveSurvey


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


DETECTORS: Final = (Detector("notes_missing", "Payload, tyre pressure or weather is not noted", _find_missing),)
