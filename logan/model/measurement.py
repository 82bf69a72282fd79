"""Things measured outside the drives: a weighbridge, coastdowns, steady pairs, standstill power."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from enum import StrEnum
from typing import Any

from logan.results import result


class MeasurementKind(StrEnum):
    """Which function of the parameters a measurement is."""

    MASS = "mass"
    """Mass with driver. [kg]"""
    DRAG_AREA = "drag_area"
    """Drag area. [m2]"""
    ROLLING_COEFFICIENT = "rolling_coefficient"
    """Rolling coefficient at 25 °C. [ratio]"""
    AUXILIARY_POWER = "auxiliary_power"
    """Pack power at standstill, cabin off. [W]"""
    ROAD_LOAD = "road_load"
    """Force on a level road without wind at ``speed_m_per_s``. [N]"""
    ROAD_LOAD_PER_MASS = "road_load_per_mass"
    """That force divided by the mass, as a coastdown gives it when nobody weighed. [N/kg]"""
    STEADY_POWER = "steady_power"
    """Pack power at ``speed_m_per_s`` on a level road, mean of both directions. [W]"""


@result("measurement/1")
class Measurement:
    """One measured function of the parameters, with its uncertainty.

    Parameters
    ----------
    kind : MeasurementKind
        What was measured.
    value, sigma : float
        Result and one standard uncertainty, in the unit of the kind.
    source : str
        Where it comes from, as it will be shown.
    speed_m_per_s : float
        For road load and steady power.
    air_density_kg_per_m3, temperature_degc : float
        Air that it was measured in.
    """

    kind: MeasurementKind
    value: float
    sigma: float
    source: str
    speed_m_per_s: float = 0.0
    air_density_kg_per_m3: float = 1.2
    temperature_degc: float = 20.0

    @classmethod
    def from_dict(cls, content: Mapping[str, Any]) -> Measurement:
        """Read back what ``logan.results.json_ready`` wrote."""
        known = {name: content[name] for name in (field.name for field in fields(cls)) if name in content}
        return cls(**{**known, "kind": MeasurementKind(content["kind"])})
