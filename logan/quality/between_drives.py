"""Is this still the vehicle of the drives before: the same pack, the same loads at standstill?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.flags import DataFlag, Severity
from logan.results import Estimate, Figure

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
        Figures of the new drive, as ``logan.pipeline.analyse.summary_metrics`` names them.
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
            channels=(),
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
    sigma = float(np.hypot(own.sigma or 0.0, max(figure.sigma or 0.0 for _, figure in earlier)))
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
