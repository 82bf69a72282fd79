"""Rolling circumference from the size on a tire's side wall."""

from __future__ import annotations

import math
import re

from logan.units import METRES_PER_INCH

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
