"""Decide what a drive may be used for, from what the detectors found."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from logan.admission.admission import Admission, KeptOut
from logan.drive.drive import Drive
from logan.drive.logged_loads import JUDGED_KINDS
from logan.drive.mask import cut
from logan.quality.grades import METRIC_CHANNELS, MetricGrade, kind_name, net_wh_per_km
from logan.results import DataFlag, Severity

_TRUE_OF_THE_VEHICLE: Final = frozenset(
    {"contactor_opened_under_load", "cell_spread", "isolation_low", "error_frames", "bus_silent", "lost_samples"}
)
"""Red findings that say something about vehicle or bus: what data there are, are good; coverage counts them."""

_NEEDED_BY_THE_FIT: Final = frozenset({"net_energy", "consumption", "distance"})
_PACK: Final = frozenset({"pack_current", "pack_voltage", "pack_power"})
_NOT_DRAWN: Final = "load_not_drawn"
_REMARKED: Final = frozenset({"load_nobody_logged", "energy_from_nowhere"})
_DOUBTED: Final = frozenset({"current_zero_offset", "current_offset_drift", "current_gain", "acceleration_energy"})
_MOST_OF_A_DRIVE: Final = 0.6
"""A load that nobody logged and that runs for longer may as well be the zero of the current sensor."""
_SMALL_EFFECT: Final = 0.01
_LARGEST_SPAN_SHARE: Final = 0.2
"""Red spans up to this share of a drive are kept out of the fit alone; beyond it, the drive is."""


def admit(drive: Drive, flags: tuple[DataFlag, ...], grades: Mapping[str, MetricGrade]) -> Admission:
    """Say for each use whether a drive may be used, and what is kept out.

    A use is refused where a finding refuses it, where it is not covered, or where a red
    finding concerns a channel that the use reads. Red findings with spans keep those spans
    out of the fit, and all of the drive only where they are a large share.

    Parameters
    ----------
    drive : Drive
        As corrected.
    flags : tuple of DataFlag
        What the detectors found.
    grades : mapping of str to MetricGrade
        By metric.

    Returns
    -------
    Admission
        One entry per use that is kept from something.
    """
    red = tuple(flag for flag in flags if flag.severity is Severity.RED and flag.code not in _TRUE_OF_THE_VEHICLE)
    untrusted = {
        channel: flag.title
        for flag in (*red, *(flag for flag in flags if flag.code == _NOT_DRAWN))
        for channel in flag.channels
        if channel in drive and channel not in _PACK and _is_whole(drive, flag)
    }
    least = _SMALL_EFFECT * abs(net_wh_per_km(drive) or 0.0)
    grave = tuple(flag for flag in red if flag.effect_wh_per_km is None or abs(flag.effect_wh_per_km) >= least)
    entries = [entry for grade in grades.values() for entry in _kept_out(drive, grade, flags, grave, untrusted)]
    remarks = tuple(f"{flag.title.lower()}: {flag.evidence}" for flag in flags if flag.code in _REMARKED)
    doubts = {
        flag.title: abs(flag.effect_wh_per_km) for flag in flags if flag.effect_wh_per_km and _doubted(drive, flag)
    }
    return Admission(
        kept_out=tuple(entries),
        untrusted=untrusted,
        remarks=remarks,
        channels_out=_channels_out(flags),
        doubts_wh_per_km=doubts,
    )


def _channels_out(flags: tuple[DataFlag, ...]) -> dict[str, KeptOut]:
    """Channels of red findings that refuse figures; of several findings on one, a whole one counts."""
    found: dict[str, KeptOut] = {}
    for flag in flags:
        if flag.severity is not Severity.RED or not flag.refuses:
            continue
        for name in flag.channels:
            before = found[name].spans if name in found else flag.spans
            spans = (*before, *flag.spans) if before and flag.spans else ()
            reason = flag.title[:1].lower() + flag.title[1:]
            found[name] = KeptOut(use="limits", reason=reason, remedy=flag.remedy, spans=spans)
    return found


def _doubted(drive: Drive, flag: DataFlag) -> bool:
    """Whether a finding may be an error of the figure, and nothing was done about it (method/admission.md, eq. 6)."""
    lasting_s = sum(span.duration_s for span in flag.spans)
    is_steady = flag.code in _REMARKED and lasting_s > _MOST_OF_A_DRIVE * drive.duration_s
    return flag.severity is Severity.AMBER and (flag.code in _DOUBTED or is_steady)


def admitted(drive: Drive, admission: Admission, use: str = "") -> Drive:
    """The drive without its untrusted channels and, for a use, without the spans kept out of it.

    A load that the pack does not feed stays as one of 0 W: it is logged, and it is off.

    Parameters
    ----------
    drive : Drive
        As corrected.
    admission : Admission
        Its own.
    use : str
        Name of the use; empty takes no span out.
    """
    if admission.untrusted:
        off = {
            name: replace(channel, value=np.zeros(channel.value.shape), is_derived=True)
            for name, channel in drive.channels.items()
            if name in admission.untrusted and kind_name(name) in JUDGED_KINDS
        }
        kept = {name: channel for name, channel in drive.channels.items() if name not in admission.untrusted}
        drive = replace(drive, channels=kept | off)
    for span in admission.spans_out(use):
        drive = cut(drive, span)
    return drive


def _is_whole(drive: Drive, flag: DataFlag) -> bool:
    total_s = sum(span.duration_s for span in flag.spans)
    return not flag.spans or total_s > _LARGEST_SPAN_SHARE * drive.duration_s


def _kept_out(
    drive: Drive,
    grade: MetricGrade,
    flags: tuple[DataFlag, ...],
    grave: tuple[DataFlag, ...],
    untrusted: Collection[str],
) -> list[KeptOut]:
    use = grade.metric
    if grade.is_missing:
        return [KeptOut(use=use, reason="; ".join(grade.reasons), remedy=grade.remedy, is_missing=True)]
    if use == "temperatures" and _is_any_trusted(drive, use, untrusted):
        return []  # one bad sensor takes nothing from the others
    read = _channels_read(drive, use)
    touching = [flag for flag in grave if read & set(flag.channels)]
    whole = [flag for flag in flags if use in flag.refuses]
    if use == "fit":
        whole += [flag for flag in flags if _NEEDED_BY_THE_FIT & set(flag.refuses)]
        whole += [flag for flag in touching if _is_whole(drive, flag)]
    else:
        whole += touching
    if whole or grade.is_refused:
        # What follows from another finding is a note by now, and explains nothing.
        causes = [flag for flag in whole if flag.severity is not Severity.NOTE] or whole
        reasons = [flag.title for flag in causes] or list(grade.reasons)
        remedy = causes[0].remedy if causes else grade.remedy
        return [KeptOut(use=use, reason="; ".join(dict.fromkeys(reasons)), remedy=remedy)]
    if use != "fit":
        return []
    return [KeptOut(use=use, reason=flag.title, remedy=flag.remedy, spans=flag.spans) for flag in touching]


def _is_any_trusted(drive: Drive, use: str, untrusted: Collection[str]) -> bool:
    kinds = {name for choice in METRIC_CHANNELS[use] for name in choice.split("|")}
    return any(kind_name(name) in kinds and name not in untrusted for name in drive)


def _channels_read(drive: Drive, use: str) -> set[str]:
    """Channels that a use reads: of alternatives, the first that is there."""
    return {
        next(name for name in choice.split("|") if name in drive)
        for choice in METRIC_CHANNELS[use]
        if any(name in drive for name in choice.split("|"))
    }
