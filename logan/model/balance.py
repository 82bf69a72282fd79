"""Reverse energy balance: a drive cut into segments whose ends are known and whose inside is integrated."""

from __future__ import annotations

from logan.drive.drive import Drive
from logan.model.segments_table import DriveSegments
from logan.settings import BuildSettings


def segment_drive(drive: Drive, build: BuildSettings, *, drive_id: str = "") -> DriveSegments:
    """Reduce a drive to the integrals that the fit needs."""
    raise NotImplementedError
