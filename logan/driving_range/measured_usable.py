"""Usable energy as the drives show it, joined with what was planned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.driving_range.usable_energy import UsableEnergy, usable_energy_of
from logan.metrics.pack import UsableEnergy as MeasuredUsableEnergy
from logan.results import Estimate
from logan.settings import BuildSettings

GAUGE_SIGMA_RATIO: Final = 0.015
"""Error of the state-of-charge gauge that all drives share, so that many drives do not average it away."""

LOAD_SIGMA_RATIO: Final = 0.01
"""What the load of a drive, unlike the moderate one, may move its figure (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsableObservation:
    """Usable energy that one drive showed.

    Parameters
    ----------
    measured : UsableEnergy
        Of the pack summary of a drive.
    cell_temperature_degc : float or None
        Mean of the drive; None where not logged.
    """

    measured: MeasuredUsableEnergy
    cell_temperature_degc: float | None


def joined_usable_energy(build: BuildSettings, observations: Sequence[UsableObservation]) -> Estimate | None:
    """Usable energy at 25 degC from the plan and all drives that can tell, weighted by their variance.

    Parameters
    ----------
    build : BuildSettings
        The plan's energy, and its loss in the cold.
    observations : sequence of UsableObservation
        Drives whose state of charge only repeats the counted current, or that were refused, do not count.

    Returns
    -------
    Estimate or None
        None where no drive can tell. [Wh]
    """
    planned = usable_energy_of(build)
    seen = [found for observation in observations if (found := _at_reference(observation, planned)) is not None]
    if not seen:
        return None
    logs, variances = (np.array(column) for column in zip(*seen, strict=True))
    weight = float((1.0 / variances).sum())
    drives_log = float((logs / variances).sum()) / weight
    drives_variance = 1.0 / weight + GAUGE_SIGMA_RATIO**2
    share = planned.log_sigma**2 / (planned.log_sigma**2 + drives_variance)
    joined = float(np.exp((1.0 - share) * np.log(planned.energy_wh) + share * drives_log))
    sigma = float(np.sqrt(share * drives_variance))
    drives = f"{len(seen)} drive{'s' if len(seen) != 1 else ''}"
    return Estimate(joined, "Wh", joined * sigma, f"plan and {drives}, state of charge against energy")


def _at_reference(observation: UsableObservation, planned: UsableEnergy) -> tuple[float, float] | None:
    """Logarithm of one drive's figure at 25 degC and its variance; None where it cannot tell."""
    window = observation.measured.window_energy_wh
    if observation.measured.is_circular or not isinstance(window, Estimate) or not window.sigma or window.value <= 0:
        return None
    cells_degc = 25.0 if observation.cell_temperature_degc is None else observation.cell_temperature_degc
    share = float(planned.temperature_share(cells_degc, planned.loss_per_k))
    cold_sigma = planned.loss_sigma_per_k * max(0.0, 25.0 - cells_degc) / share
    variance = (window.sigma / window.value) ** 2 + cold_sigma**2 + LOAD_SIGMA_RATIO**2
    return float(np.log(window.value / share)), variance
