"""Road load and tire of ``[vehicle]``, said in several ways, as planning values; see ``logan/method/plan.md``, 2."""

import math
import re
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.configuration.declared import Given, planning_value
from logan.model import priors
from logan.physics.air import air_density_kg_per_m3
from logan.physics.tyre import temperature_factor
from logan.settings import PlanningValue
from logan.units import (
    METRES_PER_INCH,
    STANDARD_GRAVITY_M_PER_S2,
    US_ROAD_LOAD_PRESSURE_PA,
    US_ROAD_LOAD_TEMPERATURE_DEGC,
)
from logan.units.quantities import Measured
from logan.wording import percent

_METRIC = re.compile(r"^\s*(?:P|LT)?(\d{3})\s*/\s*(\d{2})\s*-?\s*(Z?R|B|D|-)\s*(\d{2}(?:\.\d)?)C?\s*$", re.IGNORECASE)
_INCH = re.compile(
    r"^\s*(\d{2}(?:\.\d+)?)\s*[xX]\s*(\d{1,2}(?:\.\d+)?)\s*-?\s*(R|B|D|-)?\s*(\d{2}(?:\.\d)?)\s*(?:LT)?\s*$",
    re.IGNORECASE,
)
_ROLLING_SHARE = {"R": 3.05 / math.pi, "B": 2.99 / math.pi}


def rolling_circumference_m(size: str) -> float:
    """Distance per wheel turn from a size such as ``195/65R15`` or ``31x10.5R15``.

    Parameters
    ----------
    size : str
        Metric size, or outer diameter by width in inches.

    Returns
    -------
    float
        Rolling circumference, about 3 % less than the outer circumference. [m]

    Raises
    ------
    ValueError
        If the size cannot be read.

    References
    ----------
    .. [1] ETRTO Standards Manual: rolling circumference is 3.05 times the overall
       diameter for radial and 2.99 times for diagonal tires (from memory).
    """
    if match := _METRIC.match(size):
        width_mm, aspect, build, rim_inch = match.groups()
        diameter_m = float(rim_inch) * METRES_PER_INCH + 2.0 * float(width_mm) / 1000.0 * float(aspect) / 100.0
    elif match := _INCH.match(size):
        diameter_inch, _, build, _ = match.groups()
        diameter_m = float(diameter_inch) * METRES_PER_INCH
    else:
        raise ValueError(f'cannot read the tire size "{size}"; write it like 195/65R15 or 31x10.5R15')
    radial = (build or "R").upper().endswith("R")
    return math.pi * diameter_m * _ROLLING_SHARE["R" if radial else "B"]


COEFFICIENT_SIGMA_RATIO: Final = 0.04
"""Doubt about coefficients of a coastdown without a ± of their own: four to five pairs in little wind know the force
at 65 mph to 1 to 3 % and drag area and rolling to 3 to 5 % (recomputed by simulation)."""

DOUBTED_SIGMAS: Final = 2.0
REFUSED_SIGMAS: Final = 4.0
"""From how many standard uncertainties apart two ways are doubted, and from how many they are refused."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadLoad:
    """Planning values of the road load, and what contradicts what."""

    drag_area_m2: PlanningValue
    rolling_coefficient: PlanningValue
    linear_n_s_per_m: PlanningValue
    problems: tuple[str, ...] = ()


def road_load_of(given: Given, temperature_coefficient_per_k: float) -> RoadLoad:
    """Road load of a vehicle: coefficients before drag area before width and height before a class.

    Two ways of saying the same are compared; beyond ``DOUBTED_SIGMAS`` the ± is widened by half of what parts them
    and the source says so, beyond ``REFUSED_SIGMAS`` they are a problem.
    """
    body = priors.BODY_CLASS_DRAG_AREA_M2.get(given["body_class"])
    tyre = priors.TYRE_CLASS_ROLLING_COEFFICIENT.get(given["tire_class"])
    drags, rollings, linear = [], [], PlanningValue(0.0, 0.0, "none given")
    if given["road_load"] is not None:
        drag, rolling, linear = _of_coefficients(given["road_load"], temperature_coefficient_per_k)
        drags.append(drag)
        rollings.append(rolling)
    if given["drag_area"] is not None:
        drags.append(planning_value(given["drag_area"], given.source("drag_area"), body, 0.10))
    if given["width"] is not None and given["height"] is not None:
        drags.append(_of_box(given, given["width"], given["height"]))
    if given["rolling_coefficient"] is not None:
        source = given.source("rolling_coefficient")
        rollings.append(planning_value(given["rolling_coefficient"], source, tyre, 0.15))
    problems: list[str] = []
    chosen_drag = _agreed(drags or [planning_value(None, "", body, 0.10)], "drag_area", " m2", problems)
    if given["lifted"]:
        chosen_drag = priors.corrected(chosen_drag, priors.LIFTED_DRAG)
    chosen_rolling = _agreed(rollings or [planning_value(None, "", tyre, 0.15)], "rolling_coefficient", "", problems)
    return RoadLoad(
        drag_area_m2=chosen_drag,
        rolling_coefficient=chosen_rolling,
        linear_n_s_per_m=linear,
        problems=tuple(problems),
    )


def _of_coefficients(
    given: Given, temperature_coefficient_per_k: float
) -> tuple[PlanningValue, PlanningValue, PlanningValue]:
    """Drag area, rolling coefficient at 25 °C, and the linear part. Method: plan (4), (5), (6)."""
    density = air_density_kg_per_m3(US_ROAD_LOAD_TEMPERATURE_DEGC, US_ROAD_LOAD_PRESSURE_PA, 0.5)
    warmth = float(temperature_factor(US_ROAD_LOAD_TEMPERATURE_DEGC, temperature_coefficient_per_k))
    weight_n = given["test_weight"].value * STANDARD_GRAVITY_M_PER_S2 * warmth
    source = f"{given['source']}: coefficients A, B, C"

    def part(measured: Measured, factor: float) -> PlanningValue:
        if measured.sigma is not None:
            return PlanningValue(measured.value * factor, measured.sigma * factor, source)
        sigma = COEFFICIENT_SIGMA_RATIO * abs(measured.value)
        note = f"{source}; ± {percent(COEFFICIENT_SIGMA_RATIO)}, common practice"
        return PlanningValue(measured.value * factor, sigma * factor, note)

    return part(given["c"], 2.0 / density), part(given["a"], 1.0 / weight_n), part(given["b"], 1.0)


def _of_box(given: Given, width: Measured, height: Measured) -> PlanningValue:
    """Drag area from width x height x factor x Cd. Method: plan (7)."""
    typical = priors.BODY_CLASS_DRAG_COEFFICIENT.get(given["body_class"])
    shape = planning_value(given["drag_coefficient"], given.source("drag_coefficient"), typical, 0.10)
    parts = [(side.value, 0.01 * side.value if side.sigma is None else side.sigma) for side in (width, height)]
    parts.append((given["area_factor"].value, given["area_factor"].sigma or 0.025 * given["area_factor"].value))
    area = float(np.prod([value for value, _ in parts])) * shape.value
    relative = float(np.sqrt(sum((sigma / value) ** 2 for value, sigma in (*parts, (shape.value, shape.sigma)))))
    note = f"width x height x {given['area_factor'].value:g} x Cd {shape.value:g} ({shape.source})"
    return PlanningValue(area, area * relative, note)


def _agreed(ways: list[PlanningValue], key: str, unit: str, problems: list[str]) -> PlanningValue:
    """The first way, its source saying how far the others agree."""
    chosen, *others = ways
    raised = priors.raised_if_published(chosen)
    for other in others:
        second = priors.raised_if_published(other)
        apart = abs(np.log(second.value / raised.value))
        sigmas = apart / max(np.hypot(raised.sigma / raised.value, second.sigma / second.value), 1e-6)
        said = f"{second.value:.3g}{unit} by {other.source.split(';')[0]}"
        if sigmas > REFUSED_SIGMAS:
            problems.append(
                f"vehicle.{key}: {raised.value:.3g}{unit} by {chosen.source.split(';')[0]} and {said} are "
                f"{sigmas:.1f} standard uncertainties apart; check the units of both and leave one out"
            )
        elif sigmas > DOUBTED_SIGMAS:
            sigma = float(np.hypot(chosen.sigma, 0.5 * apart * chosen.value))
            note = f"{chosen.source}; doubted, widened: {said}"
            chosen = PlanningValue(chosen.value, sigma, note)
        else:
            chosen = replace(chosen, source=f"{chosen.source}; agrees with {said}")
    return chosen
