"""What is assumed before any drive: the plan's values as a distribution, and typical values by class."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np

from logan.model.parameters import ParameterDistribution
from logan.settings import BuildSettings, PlanningValue
from logan.wording import percent

BODY_CLASS_DRAG_AREA_M2: Final[Mapping[str, PlanningValue]] = MappingProxyType(
    {
        "classic_sedan": PlanningValue(0.80, 0.10, "common practice: classic sedan"),
        "modern_sedan": PlanningValue(
            0.82, 0.15, "119 certified EVs (EPA test lists 2017-2023), sedans to SUVs, what grows with speed taken in"
        ),
        "sports_coupe": PlanningValue(0.62, 0.08, "common practice: sports coupe"),
        "van": PlanningValue(1.35, 0.15, "common practice: bus or van"),
        "boxy_off_roader": PlanningValue(1.35, 0.20, "common practice: boxy four-wheel drive, Cd 0.50 to 0.60"),
    }
)
"""Drag area by body class [m2]; one standard uncertainty. From memory but for the certified list's; production cars
span 0.47 to 2.46 m2."""

BODY_CLASS_DRAG_COEFFICIENT: Final[Mapping[str, PlanningValue]] = MappingProxyType(
    {
        "classic_sedan": PlanningValue(0.42, 0.05, "from memory: classic sedan"),
        "modern_sedan": PlanningValue(0.28, 0.03, "from memory: modern sedan"),
        "sports_coupe": PlanningValue(0.36, 0.05, "from memory: sports coupe"),
        "van": PlanningValue(0.44, 0.05, "from memory: bus or van, 0.35 to 0.50"),
        "boxy_off_roader": PlanningValue(0.56, 0.04, "from memory: boxy four-wheel drive, 0.54 to 0.59"),
    }
)
"""Drag coefficient by body class, to go with width times height; one standard uncertainty."""

TYRE_CLASS_ROLLING_COEFFICIENT: Final[Mapping[str, PlanningValue]] = MappingProxyType(
    {
        "low_resistance_radial": PlanningValue(
            0.0079, 0.0015, "119 certified EVs (EPA test lists 2017-2023), bearings and driveline taken in"
        ),
        "radial": PlanningValue(0.0100, 0.0015, "common practice: ordinary radial (second-hand: 0.007 to 0.017)"),
        "winter": PlanningValue(0.0115, 0.0015, "common practice: winter tire"),
        "all_terrain": PlanningValue(0.0120, 0.0020, "common practice: light-truck all-terrain"),
        "mud_terrain": PlanningValue(0.0150, 0.0035, "common practice: mud-terrain or bias-ply"),
    }
)
"""Rolling resistance coefficient by tyre class, on the road at 25 °C; one standard uncertainty. From memory."""

ROLLING_FALL_PER_K: Final = PlanningValue(0.008, 0.003, "UN R117 Annex 6, 6.2 (C1)")
"""Fall of rolling resistance per kelvin of ambient."""

KEPT_AXLE: Final = PlanningValue(0.96, 0.01, "kept hypoid axle x 0.96 (95 to 97 %, read in an abstract on axle oils)")
TRANSFER_CASE: Final = PlanningValue(0.98, 0.01, "transfer case x 0.98 (from memory)")
LIFTED_DRAG: Final = PlanningValue(1.08, 0.04, "lift and big tires x 1.08 (from memory: 5 to 15 %)")
"""What a conversion keeps of the old vehicle, as factors on a value of vehicles that have none of it."""

TYPICAL_HEATING_W_PER_K: Final = PlanningValue(110.0, 40.0, "common practice: resistive heater, old body")
TYPICAL_COOLING_W_PER_K: Final = PlanningValue(90.0, 40.0, "common practice: electric air conditioning, old body")
TYPICAL_CELL_RESISTANCE_OHM_AH: Final = PlanningValue(
    0.055, 0.020, "common practice: 10 s resistance times capacity of one cell"
)


PUBLISHED_WORDS: Final = ("brochure", "type approval", "certification")
"""Words in a source by which a road load counts as the maker's own figure."""

PUBLISHED_EXCESS_SCALE: Final = 0.15
"""Published road loads come out low and hardly ever high: the real one is above by a half-normal of this scale, in
logarithms. After the ICCT's comparison of 19 cars, whose real road loads raised cycle energy by 15 %, none lowered it
(read second-hand)."""


def corrected(value: PlanningValue, *corrections: PlanningValue) -> PlanningValue:
    """Multiply a planning value by factors, with their spread and their source on top of its own."""
    for factor in corrections:
        relative = float(np.hypot(value.sigma / value.value, factor.sigma / factor.value))
        product = value.value * factor.value
        value = PlanningValue(product, product * relative, f"{value.source}; {factor.source}")
    return value


def log_sigma_of(value: PlanningValue) -> float:
    """Standard deviation of the logarithm whose lognormal has this relative uncertainty. [ratio]"""
    return float(np.sqrt(np.log1p((value.sigma / value.value) ** 2)))


def prior_of(build: BuildSettings) -> ParameterDistribution:
    """Joint distribution of the model's parameters that a build assumes before any drive.

    Each planning value is the median of a lognormal; the plan's uncertainties are independent.

    Parameters
    ----------
    build : BuildSettings
        The build.

    Returns
    -------
    ParameterDistribution
        Diagonal covariance, with each value's source.

    Raises
    ------
    ValueError
        If a planning value is not above zero.
    """
    values = planning_values(build)
    if any(value.value <= 0 for value in values):
        raise ValueError("every planning value of the model must be above zero")
    log_sigma = np.array([log_sigma_of(value) for value in values])
    return ParameterDistribution(
        log_mean=np.log([value.value for value in values]),
        log_covariance=np.diag(log_sigma**2),
        sources=tuple(value.source for value in values),
    )


def planning_values(build: BuildSettings) -> tuple[PlanningValue, ...]:
    """Return a build's assumptions in the order of ``PARAMETER_NAMES``, published road loads raised."""
    return (
        build.vehicle.mass_kg,
        raised_if_published(build.vehicle.drag_area_m2),
        raised_if_published(build.vehicle.rolling_coefficient),
        build.powertrain.drive_efficiency,
        build.powertrain.regen_efficiency,
        build.auxiliary.base_power_w,
    )


def raised_if_published(value: PlanningValue) -> PlanningValue:
    """Return a road load with the one-sided doubt that a maker's own figure deserves; any other value as it is.

    The half-normal excess enters by its mean and its spread, since every prior is a lognormal.
    """
    if not any(word in value.source.lower() for word in PUBLISHED_WORDS):
        return value
    mean = PUBLISHED_EXCESS_SCALE * float(np.sqrt(2.0 / np.pi))
    spread = PUBLISHED_EXCESS_SCALE * float(np.sqrt(1.0 - 2.0 / np.pi))
    raised = value.value * float(np.exp(mean))
    relative = float(np.hypot(value.sigma / value.value, spread))
    note = f"{value.source}; raised by {percent(float(np.expm1(mean)))}, as published road loads come out low"
    return PlanningValue(raised, raised * relative, note)
