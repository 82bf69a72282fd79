"""What many detectors ask of one drive, worked out once."""

from __future__ import annotations

from logan.drive.drive import Drive
from logan.settings import BuildSettings


class DriveSurvey:
    """A drive with its build, and the shared quantities that detectors look at.

    Parameters
    ----------
    drive : Drive
        What was measured.
    build : BuildSettings
        What the user says about the vehicle.
    """

    def __init__(self, drive: Drive, build: BuildSettings) -> None:
        self.drive = drive
        self.build = build
