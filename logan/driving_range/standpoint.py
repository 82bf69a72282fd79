"""Everything that a prediction rests on, before or after the drives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.driving_range.other_values import OtherValues, environment_by, with_regen_limit_w
from logan.driving_range.prediction import available_share_ratio
from logan.driving_range.scenarios import PreparedScenario, scenario_breakdown
from logan.driving_range.usable_energy import UsableEnergy
from logan.model.parameters import PARAMETER_NAMES, ParameterDistribution
from logan.settings import BuildSettings

USABLE_ENERGY: Final = "usable_energy_wh"
REGEN_LIMIT: Final = "regen_power_limit_w"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standpoint:
    """Everything that a prediction rests on, before or after the drives.

    Parameters
    ----------
    parameters : ParameterDistribution
        Prior or posterior.
    others : OtherValues
        Answers to temperature and drivetrain loss.
    usable : UsableEnergy
        What the pack gives.
    regen_limit_w : float or None
        Most power that regen was seen to put back; None where only the build's own limit is known. [W]
    """

    parameters: ParameterDistribution
    others: OtherValues
    usable: UsableEnergy
    regen_limit_w: float | None = None

    def seen_in(self, build: BuildSettings) -> BuildSettings:
        """The build with the regen limit that was seen, where it is below the build's own."""
        return with_regen_limit_w(build, self.regen_limit_w)

    @property
    def medians(self) -> dict[str, float]:
        """Median of every assumption, by name; the usable energy last."""
        named = dict(zip(PARAMETER_NAMES, self.parameters.median.tolist(), strict=True))
        named |= {name: value.value for name, value in self.others.items()}
        return named | {USABLE_ENERGY: self.usable.energy_wh}

    def scenario_energy_wh(self, build: BuildSettings, prepared: PreparedScenario) -> float:
        """Usable energy at the medians in a scenario, reserve and ageing taken off. [Wh]"""
        environment = environment_by(self.others.medians)
        build = self.seen_in(build)
        median = self.parameters.median[np.newaxis, :]
        breakdown = scenario_breakdown(prepared, median, build, environment=environment)
        zero = np.zeros(1)
        energy_wh = float(
            self.usable.sample(breakdown, prepared.parts[0].conditions, zero, zero, prepared.mean_speed_m_per_s)[0]
        )
        return energy_wh * available_share_ratio(build.target)
