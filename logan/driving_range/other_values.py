"""What a prediction rests on besides the six parameters: answers to temperature, and drivetrain loss by terms."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar, Final

import numpy as np

from logan.model.fit_result import LearnedConditions
from logan.model.parameters import ENVIRONMENT_UNITS, Environment
from logan.model.unknowns import TAUGHT_NAMES
from logan.physics.tyre import WARM_UP_RISE_RATIO
from logan.results import Estimate
from logan.settings import BuildSettings, PlanningValue
from logan.units import FloatArray

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
    values : mapping of str to PlanningValue
        By the names of ``Environment``, in its units; zero where neither plan nor drives have any.
    learned : LearnedConditions or None
        How those that drives taught go together; None in a plan.
    """

    flat: ClassVar[str] = "values"

    values: Mapping[str, PlanningValue]
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
        return tuple((name, self.values.get(name, _NO_LOSS)) for name in ENVIRONMENT_UNITS)

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
        moved = [drawn[name] - self.values[name].value for name in TAUGHT_NAMES]
        moved[0] = moved[0] / self.learned.values[TAUGHT_NAMES[0]].value
        return np.column_stack([log_parameters, *moved])

    def following(self, log_parameters: FloatArray) -> dict[str, FloatArray]:
        """Learned values as they go with the log parameters' deviations, shape (n, 6); each of shape (n,)."""
        if self.learned is None:
            return {}
        moved = log_parameters @ self.learned.follows.T
        return {name: self.values[name].value + moved[:, place] for place, name in enumerate(TAUGHT_NAMES)}


def environment_by(values: Mapping[str, FloatArray]) -> Environment:
    """Turn values by name into what the forward model takes."""
    return Environment(**{name: values[name] for name in ENVIRONMENT_UNITS})


def planned_other_values(build: BuildSettings) -> OtherValues:
    """Return what a build assumes before any drive."""
    own = {
        "rolling_temperature_coefficient_per_k": build.vehicle.rolling_temperature_coefficient_per_k,
        "warm_up_rise_ratio": PlanningValue(WARM_UP_RISE_RATIO, 0.10, "common practice"),
        "heating_w_per_k": build.auxiliary.heating_w_per_k,
        "cooling_w_per_k": build.auxiliary.cooling_w_per_k,
    }
    return OtherValues(values={name: own.get(name, _NO_LOSS) for name in ENVIRONMENT_UNITS})


def learned_other_values(build: BuildSettings, learned: LearnedConditions) -> OtherValues:
    """Return what a build assumes, with what drives have taught in its place."""
    cabin = {"heating_w_per_k": learned.heating_w_per_k, "cooling_w_per_k": learned.cooling_w_per_k}
    taught = {
        name: _value(found, name in _LOSSES) for name, found in (*learned.values.items(), *cabin.items()) if found
    }
    return OtherValues(values={**planned_other_values(build).values, **taught}, learned=learned)


def with_regen_limit_w(build: BuildSettings, limit_w: float | None) -> BuildSettings:
    """Return the build with regen limited to what was seen, where that is below its own limit; None changes nothing."""
    own_w = build.powertrain.regen_power_limit_w
    if limit_w is None or (own_w is not None and own_w <= limit_w):
        return build
    return replace(build, powertrain=replace(build.powertrain, regen_power_limit_w=limit_w))


def _value(estimate: Estimate, may_be_negative: bool) -> PlanningValue:
    value = estimate.value if may_be_negative else max(estimate.value, 0.0)
    return PlanningValue(value, estimate.spread, estimate.source)
