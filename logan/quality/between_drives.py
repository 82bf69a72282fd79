"""Is this still the vehicle of the drives before: the same pack, the same loads at standstill?"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.drive.drive import Drive, road_speed
from logan.results import DataFlag, Estimate, Figure, Severity, read_only, result
from logan.units import FloatArray

_TEMPERATURE: Final = "pack_temperature_max_degc"
_LIKE_TEMPERATURE_K: Final = 4.0
_SIGNIFICANT: Final = 4.0


@dataclass(frozen=True, slots=True)
class _Trait:
    """A figure that should not change: how far it may, relative and absolute, and whether it hangs on temperature."""

    figure: str
    words: str
    unit: str
    least_ratio: float
    least_step: float
    is_thermal: bool = False


_TRAITS: Final = (
    _Trait("pulse_resistance_10_s_ohm", "resistance of the pack over 10 s", "ohm", 0.3, 0.005, is_thermal=True),
    _Trait("usable_energy_wh", "usable energy by the gauge", "Wh", 0.2, 500.0),
    _Trait("standstill_power_w", "power at standstill", "W", 0.3, 200.0),
    _Trait("cell_spread_rest_v", "distance of the outermost cells at rest", "V", 0.5, 0.02),
)
"""Limits are common practice; the fit's own spread between drives is far below them."""


def find_changes(now: Mapping[str, Figure], before: Sequence[tuple[str, Mapping[str, Figure]]]) -> tuple[DataFlag, ...]:
    """Flag a drive whose pack or standing loads differ from those of earlier drives.

    Parameters
    ----------
    now : mapping of str to Estimate or Refusal
        Figures of the new drive, as ``DriveAnalysis.figures`` names them.
    before : sequence of (str, mapping)
        Names and figures of earlier drives, the latest last.

    Returns
    -------
    tuple of DataFlag
        At most one.
    """
    changes = [words for trait in _TRAITS if (words := _change(trait, now, before))]
    if not changes:
        return ()
    return (
        DataFlag(
            code="pack_changed",
            severity=Severity.NOTE,
            title="Pack or standing loads are not those of the drives before",
            evidence="; ".join(changes),
            remedy="If something was changed on the vehicle, note it with --change, so that drives before and after "
            "are told apart; otherwise look for a weak module, a loose link or a load that stays on",
        ),
    )


def _change(trait: _Trait, now: Mapping[str, Figure], before: Sequence[tuple[str, Mapping[str, Figure]]]) -> str:
    """The change in words; empty where there is none, or nothing to compare with."""
    own = now.get(trait.figure)
    if not isinstance(own, Estimate):
        return ""
    earlier = list(_comparable(trait, now, before))[-5:]
    if not earlier:
        return ""
    level = float(np.median([figure.value for _, figure in earlier]))
    sigma = float(np.hypot(own.spread, max(figure.spread for _, figure in earlier)))
    step = own.value - level
    if abs(step) < max(trait.least_ratio * abs(level), trait.least_step, _SIGNIFICANT * sigma):
        return ""
    names = f"drive {earlier[0][0]}" if len(earlier) == 1 else f"drives {earlier[0][0]} to {earlier[-1][0]}"
    return f"{trait.words} is {own.value:.3g} {trait.unit}, was {level:.3g} {trait.unit} in {names}"


def _comparable(
    trait: _Trait, now: Mapping[str, Figure], before: Sequence[tuple[str, Mapping[str, Figure]]]
) -> Iterator[tuple[str, Estimate]]:
    own = now.get(_TEMPERATURE)
    for name, figures in before:
        figure, other = figures.get(trait.figure), figures.get(_TEMPERATURE)
        if not isinstance(figure, Estimate):
            continue
        if trait.is_thermal and not (
            isinstance(own, Estimate)
            and isinstance(other, Estimate)
            and abs(own.value - other.value) <= _LIKE_TEMPERATURE_K
        ):
            continue
        yield name, figure


_STEP_S: Final = 2.0
_LONGEST: Final = 3600


@result("drive-fingerprint/1")
class DriveFingerprint:
    """What tells one drive from another, small enough to keep for every drive.

    Parameters
    ----------
    duration_s : float
        [s]
    start_ns : int or None
        Since 1970 UTC, where known. [ns]
    speed_m_per_s : ndarray, shape (n,)
        Road speed every two seconds, of the first two hours. [m/s]
    """

    duration_s: float
    start_ns: int | None
    speed_m_per_s: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "speed_m_per_s", read_only(np.asarray(self.speed_m_per_s, dtype=np.float64)))


def fingerprint(drive: Drive) -> DriveFingerprint | None:
    """Fingerprint of a drive; None where it has no speed."""
    speed = road_speed(drive)
    if speed is None or speed.time_s.size < 10:
        return None
    count = min(int((speed.time_s[-1] - speed.time_s[0]) / _STEP_S), _LONGEST)
    at_s = speed.time_s[0] + _STEP_S * np.arange(max(count, 1))
    return DriveFingerprint(
        duration_s=float(speed.time_s[-1] - speed.time_s[0]),
        start_ns=drive.start_ns,
        speed_m_per_s=np.nan_to_num(np.interp(at_s, speed.time_s, np.nan_to_num(speed.value))),
    )


def is_same_drive(first: DriveFingerprint, second: DriveFingerprint) -> bool:
    """True when two fingerprints are of one drive: same speeds at the same moments, resampled or not."""
    size = min(first.speed_m_per_s.size, second.speed_m_per_s.size)
    if size < 30 or abs(first.duration_s - second.duration_s) > max(4.0, 0.01 * first.duration_s):
        return False
    one = first.speed_m_per_s
    if np.std(one) < 0.5:
        return False  # standing or at one speed throughout: too little to tell by
    for shift in (0, -1, 1):
        other = np.roll(second.speed_m_per_s, shift)[1 : size - 1]
        difference = float(np.sqrt(np.mean((one[1 : size - 1] - other) ** 2)))
        if difference < 0.05 * float(np.std(one)) + 0.1:
            return True
    return False


def find_duplicates(candidate: DriveFingerprint, known: Iterable[tuple[str, DriveFingerprint]]) -> tuple[DataFlag, ...]:
    """Flags for every known drive that the candidate repeats.

    Parameters
    ----------
    candidate : DriveFingerprint
        Of the drive that is new.
    known : iterable of (str, DriveFingerprint)
        Names and fingerprints of the drives that are there.
    """
    return tuple(
        DataFlag(
            code="duplicate_drive",
            severity=Severity.AMBER,
            channels=("speed",),
            title="This drive is already in the library",
            evidence=f"speed follows that of drive {name} for all of {candidate.duration_s:.0f} s",
            remedy="Keep one of the two: the fit counts the same evidence twice otherwise",
            refuses=("fit",),
        )
        for name, other in known
        if is_same_drive(candidate, other)
    )
