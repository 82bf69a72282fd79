"""Apply what the user noted to be masked or corrected; the stored data stay as they were."""

from __future__ import annotations

import math

from logan.drive.drive import Correction, Drive
from logan.drive.mask import correct, mask
from logan.flags import Span


def apply_corrections(drive: Drive) -> Drive:
    """Return the drive with its corrections by hand applied, each a step of its history.

    Parameters
    ----------
    drive : Drive
        As stored; its conditions name the corrections.

    Returns
    -------
    Drive
        The same drive where there is none.

    Raises
    ------
    LoganError
        If a correction names a channel that the drive lacks, or makes no sense.
    """
    for correction in drive.conditions.corrections:
        drive = _apply(drive, correction)
    return drive


def _apply(drive: Drive, correction: Correction) -> Drive:
    start_s = -math.inf if correction.start_s is None else correction.start_s
    end_s = math.inf if correction.end_s is None else correction.end_s
    is_whole = correction.start_s is None and correction.end_s is None
    if correction.is_mask:
        return mask(drive, Span(start_s, end_s), correction.channels, reason=correction.why)
    for channel in correction.channels:
        drive = correct(
            drive,
            channel,
            shift_s=correction.shift_s,
            offset=correction.offset,
            gain=correction.gain,
            sign=correction.sign,
            span=None if is_whole else Span(start_s, end_s),
            reason=correction.why,
        )
    return drive
