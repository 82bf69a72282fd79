"""The plan's central values, as plain numbers."""

from dataclasses import dataclass

from logan.drive.wheel_work import rotating_mass_of
from logan.model.priors import planning_values, raised_if_published
from logan.settings import BuildSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedVehicle:
    """What the plan takes for the vehicle.

    Parameters
    ----------
    mass_kg, drag_area_m2, rolling_coefficient : float
        On the road.
    drive_efficiency_ratio, regen_efficiency_ratio : float
        Pack to wheel, wheel to pack.
    auxiliary_power_w : float
        Without cabin.
    rotating_mass_kg : float
        Mass that rotating parts seem to add.
    rolling_temperature_coefficient_per_k : float
        Fall of rolling resistance per kelvin.
    regen_power_limit_w : float
        Most power that regen puts into the pack; infinity where there is no cap.
    regen_fade_speed_m_per_s : float
        Below it regen fades to nothing.
    linear_n_s_per_m : float
        Road load that grows in proportion to speed.
    """

    mass_kg: float
    drag_area_m2: float
    rolling_coefficient: float
    drive_efficiency_ratio: float
    regen_efficiency_ratio: float
    auxiliary_power_w: float
    rotating_mass_kg: float
    rolling_temperature_coefficient_per_k: float
    regen_power_limit_w: float
    regen_fade_speed_m_per_s: float
    linear_n_s_per_m: float = 0.0


def plan_of(build: BuildSettings) -> PlannedVehicle:
    """Return the central values of a build's plan."""
    mass, drag, rolling, drive, regen, auxiliary = (value.value for value in planning_values(build))
    limit_w = build.powertrain.regen_power_limit_w
    return PlannedVehicle(
        mass_kg=mass,
        drag_area_m2=drag,
        rolling_coefficient=rolling,
        drive_efficiency_ratio=drive,
        regen_efficiency_ratio=regen,
        auxiliary_power_w=auxiliary,
        rotating_mass_kg=rotating_mass_of(build),
        rolling_temperature_coefficient_per_k=build.vehicle.rolling_temperature_coefficient_per_k.value,
        regen_power_limit_w=float("inf") if limit_w is None else limit_w,
        regen_fade_speed_m_per_s=build.powertrain.regen_fade_speed_m_per_s,
        linear_n_s_per_m=raised_if_published(build.vehicle.linear_road_load_n_s_per_m).value,
    )
