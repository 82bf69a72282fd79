"""From mapped channels to a drive: clock repaired, skew corrected, missing channels derived."""

from __future__ import annotations

from collections.abc import Sequence

from logan.channels.mapping import MappedChannels
from logan.drive.drive import Drive, DriveConditions, LogSource
from logan.settings import AnalysisSettings, BuildSettings


def assemble_drive(
    mapped: MappedChannels | Sequence[MappedChannels],
    *,
    conditions: DriveConditions | None = None,
    settings: BuildSettings | None = None,
    analysis: AnalysisSettings | None = None,
    sources: tuple[LogSource, ...] = (),
    dbcs: tuple[LogSource, ...] = (),
) -> Drive:
    """Assemble a drive from the channels of one log, or of several whose clocks differ.

    The first source leads: its clock is the drive's, and its channel wins where two
    sources carry the same one. Every repair is a ``Step`` of the drive's history.

    Raises
    ------
    ChannelError
        If there is no sample at all, or the clocks of two sources cannot be aligned.
    """
    raise NotImplementedError
