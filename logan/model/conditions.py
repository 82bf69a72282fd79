"""The conditions of a drive: weather, load and what is fitted to the vehicle."""

from __future__ import annotations

from logan.constants import STANDARD_PRESSURE_PA
from logan.results import result
from logan.settings import Scenario


@result("conditions/1")
class Conditions:
    """What a drive meets besides the road.

    Parameters
    ----------
    ambient_temperature_degc, pressure_pa, relative_humidity_ratio : float
        Outside air.
    payload_kg : float
        Load beyond the weighed mass.
    headwind_m_per_s : float
        Against the direction of travel, whatever the course.
    crosswind_m_per_s : float
        Across the direction of travel.
    wind_m_per_s, wind_from_deg : float
        Wind as a vector, and where it blows from; used where the schedule has a heading.
    drag_area_factor, rolling_factor : float
        Roof rack, trailer, worn road.
    cabin_climate : bool
        Heater or air conditioning runs as the ambient asks.
    warm_start : bool
        Tyres and cabin warm from the start.
    pack_temperature_degc : float or None
        Of the cells; None takes the ambient.
    state_of_charge_ratio : float or None
        Mean over the drive; None is mid-range, where a full pack does not limit regen.
    auxiliary_power_w : float or None
        Total auxiliary power where it was measured; None takes the model's.
    """

    ambient_temperature_degc: float = 20.0
    pressure_pa: float = STANDARD_PRESSURE_PA
    relative_humidity_ratio: float = 0.5
    payload_kg: float = 0.0
    headwind_m_per_s: float = 0.0
    crosswind_m_per_s: float = 0.0
    wind_m_per_s: float = 0.0
    wind_from_deg: float = 0.0
    drag_area_factor: float = 1.0
    rolling_factor: float = 1.0
    cabin_climate: bool = True
    warm_start: bool = True
    pack_temperature_degc: float | None = None
    state_of_charge_ratio: float | None = None
    auxiliary_power_w: float | None = None

    @property
    def cell_temperature_degc(self) -> float:
        """Temperature of the cells, the ambient where not given. [degC]"""
        return self.ambient_temperature_degc if self.pack_temperature_degc is None else self.pack_temperature_degc


def conditions_of_scenario(scenario: Scenario) -> Conditions:
    """Return the conditions that a scenario asks for."""
    return Conditions(
        ambient_temperature_degc=scenario.ambient_temperature_degc,
        pressure_pa=scenario.pressure_pa,
        relative_humidity_ratio=scenario.relative_humidity_ratio,
        payload_kg=scenario.payload_kg,
        headwind_m_per_s=scenario.headwind_m_per_s,
        drag_area_factor=scenario.drag_area_factor,
        rolling_factor=scenario.rolling_factor,
        cabin_climate=scenario.cabin_climate,
        warm_start=scenario.warm_start,
        pack_temperature_degc=scenario.cell_temperature_degc,
    )
