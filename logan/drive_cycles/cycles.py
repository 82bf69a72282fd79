"""The packaged speed schedules and their loader."""

from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from types import MappingProxyType
from typing import Final

import numpy as np

from logan.errors import ConfigurationError
from logan.model.schedule import Schedule
from logan.units import METRES_PER_SECOND_PER_MPH

CYCLE_SOURCES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "udds": "40 CFR 86 Appendix I(a)",
        "hwfet": "40 CFR 600 Appendix I",
        "us06": "40 CFR 86 Appendix I(g)",
        "wltc_3b": "UN GTR 15 Annex 1, class 3b",
    }
)
"""Name of each packaged schedule, and where its table was published."""

_SPEED_UNITS: Final = {"speed_mph": METRES_PER_SECOND_PER_MPH, "speed_km_per_h": 1.0 / 3.6}


@lru_cache(maxsize=len(CYCLE_SOURCES))
def load_cycle(name: str) -> Schedule:
    """Return one packaged schedule.

    Parameters
    ----------
    name : str
        ``udds``, ``hwfet``, ``us06`` or ``wltc_3b``.

    Returns
    -------
    Schedule
        1 Hz, level road.

    Raises
    ------
    ConfigurationError
        If there is no schedule of that name.
    """
    if name not in CYCLE_SOURCES:
        raise ConfigurationError(f"unknown drive cycle '{name}'", f"Name one of: {', '.join(CYCLE_SOURCES)}")
    lines = files("logan.drive_cycles").joinpath(f"{name}.csv").read_text(encoding="ascii").splitlines()
    unit = lines[0].split(",")[1]
    table = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
    return Schedule(
        name=name, time_s=table[:, 0], speed_m_per_s=table[:, 1] * _SPEED_UNITS[unit], source=CYCLE_SOURCES[name]
    )
