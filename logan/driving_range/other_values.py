"""What a prediction rests on besides the six parameters: answers to temperature, and drivetrain loss by terms."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np

from logan.model.fit_result import LearnedConditions
from logan.model.parameters import PARAMETER_NAMES, Environment
from logan.model.unknowns import SHARED_NAMES
from logan.physics.tyre import WARM_UP_RISE_RATIO
from logan.results import Estimate
from logan.settings import BuildSettings, PlanningValue
from logan.units import FloatArray

OTHER_UNITS: Final[Mapping[str, str]] = {
    "rolling_temperature_coefficient_per_k": "1/K",
    "warm_up_rise_ratio": "ratio",
    "heating_w_per_k": "W/K",
    "cooling_w_per_k": "W/K",
    "constant_loss_w": "W",
    "copper_loss_w_per_n2": "W/N2",
    "cold_regen_per_k": "1/K",
    "driveline_drag_n": "N",
    "driveline_n_s_per_m": "N s/m",
    "tire_rise_ratio": "ratio",
    "full_regen_ratio": "ratio",
}
"""Unit of each value, in the order of the fields."""

_LEARNED: Final = SHARED_NAMES[len(PARAMETER_NAMES) :]
_LOSSES: Final = (
    "constant_loss_w",
    "copper_loss_w_per_n2",
    "driveline_drag_n",
    "driveline_n_s_per_m",
    "tire_rise_ratio",
)
_NO_LOSS: Final = PlanningValue(0.0, 0.0, "constant efficiencies")


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One planning value with its uncertainty and its source.

    Parameters
    ----------
    name, unit : str
        Of the value.
    value, sigma : float
        And one standard uncertainty.
    source : str
        Where both come from.
    typed : str
        Both as the user typed them; empty where they are not the user's own.
    """

    name: str
    unit: str
    value: float
    sigma: float
    source: str
    typed: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OtherValues:
    """Values with their uncertainty.

    Parameters
    ----------
    rolling_temperature_coefficient_per_k : PlanningValue
        Fall of rolling resistance per kelvin. [1/K]
    warm_up_rise_ratio : PlanningValue
        Extra rolling resistance at a cold start. [ratio]
    heating_w_per_k, cooling_w_per_k : PlanningValue
        Cabin power per kelvin outside the comfort band. [W/K]
    constant_loss_w, copper_loss_w_per_n2 : PlanningValue
        Drivetrain loss on top of the efficiencies; zero with constant efficiencies. [W, W/N2]
    cold_regen_per_k, driveline_drag_n, driveline_n_s_per_m, tire_rise_ratio, full_regen_ratio : PlanningValue
        As in ``LearnedConditions``; zero where no drive taught them. [1/K, N, N s/m, ratio, ratio]
    """

    rolling_temperature_coefficient_per_k: PlanningValue
    warm_up_rise_ratio: PlanningValue
    heating_w_per_k: PlanningValue
    cooling_w_per_k: PlanningValue
    constant_loss_w: PlanningValue = _NO_LOSS
    copper_loss_w_per_n2: PlanningValue = _NO_LOSS
    cold_regen_per_k: PlanningValue = _NO_LOSS
    driveline_drag_n: PlanningValue = _NO_LOSS
    driveline_n_s_per_m: PlanningValue = _NO_LOSS
    tire_rise_ratio: PlanningValue = _NO_LOSS
    full_regen_ratio: PlanningValue = _NO_LOSS
    learned: LearnedConditions | None = None

    @property
    def environment(self) -> Environment:
        """The values as plain numbers, as the forward model takes them."""
        return Environment(**{name: value.value for name, value in self.items()})

    @property
    def medians(self) -> dict[str, FloatArray]:
        """Each value, shape (1,), by name."""
        return {name: np.array([value.value]) for name, value in self.items()}

    def items(self) -> tuple[tuple[str, PlanningValue], ...]:
        """Each value with its name."""
        return tuple((field.name, getattr(self, field.name)) for field in fields(self) if field.name in OTHER_UNITS)

    def sample(
        self, count: int, rng: np.random.Generator, log_parameters: FloatArray | None = None
    ) -> dict[str, FloatArray]:
        """Random values, shape (count,), by name; normal, held at zero but for learned losses.

        Of losses that the drives tell together and hardly apart one may be below zero where another is above: to hold
        it there would add to the sum that is known.

        Parameters
        ----------
        count : int
            Number of samples.
        rng : numpy.random.Generator
            Source of the samples.
        log_parameters : ndarray, shape (count, 6), optional
            Deviations of the log parameters from their means, which learned values go with. [ratio]
        """
        drawn = {name: value.value + value.sigma * rng.standard_normal(count) for name, value in self.items()}
        if self.learned is not None and log_parameters is not None:
            size, vectors = np.linalg.eigh(self.learned.rest_covariance)
            root = vectors * np.sqrt(np.clip(size, 0.0, None))
            rest = rng.standard_normal((count, size.size)) @ root.T
            drawn |= {
                name: value + rest[:, place]
                for place, (name, value) in enumerate(self.following(log_parameters).items())
            }
        free = () if self.learned is None else _LOSSES
        return {name: value if name in free else np.maximum(value, 0.0) for name, value in drawn.items()}

    def shared_deviations(self, log_parameters: FloatArray, drawn: Mapping[str, FloatArray]) -> FloatArray:
        """Samples' deviations of the fit's shared vector, shape (n, p); of the parameters alone without one."""
        if self.learned is None:
            return log_parameters
        moved = [drawn[name] - getattr(self, name).value for name in _LEARNED]
        moved[0] = moved[0] / self.learned.rolling_temperature_coefficient_per_k.value
        return np.column_stack([log_parameters, *moved])

    def following(self, log_parameters: FloatArray) -> dict[str, FloatArray]:
        """Learned values as they go with the log parameters' deviations, shape (n, 6); each of shape (n,)."""
        if self.learned is None:
            return {}
        moved = log_parameters @ self.learned.follows.T
        return {name: getattr(self, name).value + moved[:, place] for place, name in enumerate(_LEARNED)}


def environment_by(values: Mapping[str, FloatArray]) -> Environment:
    """Turn values by name into what the forward model takes."""
    return Environment(**{name: values[name] for name in OTHER_UNITS})


def planned_other_values(build: BuildSettings) -> OtherValues:
    """Return what a build assumes before any drive."""
    return OtherValues(
        rolling_temperature_coefficient_per_k=build.vehicle.rolling_temperature_coefficient_per_k,
        warm_up_rise_ratio=PlanningValue(WARM_UP_RISE_RATIO, 0.10, "common practice"),
        heating_w_per_k=build.auxiliary.heating_w_per_k,
        cooling_w_per_k=build.auxiliary.cooling_w_per_k,
    )


def learned_other_values(build: BuildSettings, learned: LearnedConditions) -> OtherValues:
    """Return what a build assumes, with what drives have taught in its place."""
    taught: dict[str, Any] = {name: _value(getattr(learned, name), name in _LOSSES) for name in _LEARNED}
    taught |= {
        name: _value(found, may_be_negative=False)
        for name in ("heating_w_per_k", "cooling_w_per_k")
        if (found := getattr(learned, name)) is not None
    }
    return replace(planned_other_values(build), learned=learned, **taught)


def with_regen_limit_w(build: BuildSettings, limit_w: float | None) -> BuildSettings:
    """Return the build with regen limited to what was seen, where that is below its own limit; None changes nothing."""
    own_w = build.powertrain.regen_power_limit_w
    if limit_w is None or (own_w is not None and own_w <= limit_w):
        return build
    return replace(build, powertrain=replace(build.powertrain, regen_power_limit_w=limit_w))


def _value(estimate: Estimate, may_be_negative: bool) -> PlanningValue:
    value = estimate.value if may_be_negative else max(estimate.value, 0.0)
    return PlanningValue(value, estimate.spread, estimate.source)
