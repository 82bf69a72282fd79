"""Where a drive came from, what was done to it and what the driver noted: words and numbers, no samples.

A list of drives needs no more than this, and so it loads no numpy.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class LogSource:
    """A log file that a drive came from, or a DBC that it was read with."""

    name: str
    sha256: str
    size_bytes: int
    log_format: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """Something that the user does to a drive by hand; kept beside the data and applied when it is loaded.

    Parameters
    ----------
    why : str
        The reason, in the user's words.
    channels : tuple of str
        Canonical names; empty cuts the span out of the drive, for a mask only.
    start_s, end_s : float or None
        Span; None means from the beginning, or to the end. [s]
    is_mask : bool
        Blank the span; otherwise shift, offset, gain and sign apply.
    shift_s, offset, gain, sign : float, float, float, int
        As in ``logan.drive.mask.correct``.
    """

    why: str
    channels: tuple[str, ...] = ()
    start_s: float | None = None
    end_s: float | None = None
    is_mask: bool = True
    shift_s: float = 0.0
    offset: float = 0.0
    gain: float = 1.0
    sign: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveConditions:
    """What the driver noted; every one of them may be unknown.

    Parameters
    ----------
    payload_kg : float or None
        Load beyond the weighed mass.
    ambient_temperature_degc, pressure_pa, relative_humidity_ratio : float or None
        Weather, for drives that did not log it.
    wind_m_per_s, wind_from_deg : float or None
        Station wind, and where it blows from.
    tyre_pressure_pa : float or None
        Cold, gauge.
    drag_factor, rolling_factor : float or None
        What a roof rack, an open top, a trailer or other tires make of drag area and rolling resistance.
    tags : tuple of str
        The driver's own.
    note : str
        Free text.
    change : str
        What was changed on the vehicle before this drive.
    excluded_because : str
        Reason why the fit leaves the drive out; empty means it takes part.
    included_because : str
        Reason why the fit takes the drive although its data speak against it; empty leaves that to the data.
    untrimmed_because : str
        Reason why nothing is left out by itself that looks like no measurement; empty leaves that to the data.
    corrections : tuple of Correction
        Masks and corrections by hand, in the order they are applied.
    said : mapping of str to str
        What was typed of ``payload``, ``ambient``, ``wind`` and ``tire``, such as "300 lb".
    """

    payload_kg: float | None = None
    ambient_temperature_degc: float | None = None
    pressure_pa: float | None = None
    relative_humidity_ratio: float | None = None
    wind_m_per_s: float | None = None
    wind_from_deg: float | None = None
    tyre_pressure_pa: float | None = None
    drag_factor: float | None = None
    rolling_factor: float | None = None
    tags: tuple[str, ...] = ()
    note: str = ""
    change: str = ""
    excluded_because: str = ""
    included_because: str = ""
    untrimmed_because: str = ""
    corrections: tuple[Correction, ...] = ()
    said: Mapping[str, str] = field(default_factory=dict, hash=False)
