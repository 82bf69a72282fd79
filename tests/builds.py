"""Invented builds for tests: no real vehicle, round numbers."""

from __future__ import annotations

from logan.settings import (
    AuxiliarySettings,
    BuildSettings,
    GearingChoice,
    LimitSheet,
    MotorSettings,
    PackSettings,
    PlanningValue,
    PowertrainSettings,
    Reduction,
    Scenario,
    ScenarioKind,
    Target,
    VehicleSettings,
)
from logan.units import METRES_PER_SECOND_PER_MPH

MPH = METRES_PER_SECOND_PER_MPH
MILE_M = 1609.344


def example_scenarios() -> tuple[Scenario, ...]:
    """Steady speeds, the packaged cycles, a mix and a cold day."""
    return (
        Scenario(name="steady 45 mph", kind=ScenarioKind.STEADY, speed_m_per_s=45 * MPH),
        Scenario(name="steady 65 mph", kind=ScenarioKind.STEADY, speed_m_per_s=65 * MPH),
        Scenario(name="city", kind=ScenarioKind.CYCLE, cycle="udds"),
        Scenario(name="highway", kind=ScenarioKind.CYCLE, cycle="hwfet"),
        Scenario(name="aggressive", kind=ScenarioKind.CYCLE, cycle="us06"),
        Scenario(name="mixed", kind=ScenarioKind.MIX, parts={"city": 0.55, "highway": 0.45}),
        Scenario(name="cold 65 mph", kind=ScenarioKind.STEADY, speed_m_per_s=65 * MPH, ambient_temperature_degc=-7.0),
    )


def example_build(**changes: object) -> BuildSettings:
    """An invented small delivery van: 1800 kg, 1.0 m2, 60 kWh; ``changes`` replace top-level fields."""
    content: dict[str, object] = {
        "name": "Example van",
        "vehicle": VehicleSettings(
            mass_kg=PlanningValue(1800.0, 20.0, "weighed"),
            drag_area_m2=PlanningValue(1.00, 0.10, "common practice: bus or van"),
            rolling_coefficient=PlanningValue(0.0105, 0.0015, "common practice: ordinary radial"),
            tyre_rolling_circumference_m=PlanningValue(2.00, 0.02),
            wheel_inertia_kg_m2=4.0,
            body_class="van",
            tyre_class="radial",
        ),
        "powertrain": PowertrainSettings(
            drive_efficiency=PlanningValue(0.87, 0.025, "common practice"),
            regen_efficiency=PlanningValue(0.80, 0.05, "common practice"),
            gearing=GearingChoice(name="drive unit", reductions=(Reduction(name="reduction gear", ratio=9.0),)),
            alternatives=(
                GearingChoice(
                    name="kept axle",
                    reductions=(Reduction(name="reducer", ratio=1.9), Reduction(name="axle", ratio=4.1)),
                ),
            ),
            motor=MotorSettings(
                max_speed_rpm=13_000.0, max_torque_nm=300.0, max_power_w=130e3, continuous_power_w=55e3
            ),
        ),
        "pack": PackSettings(
            cells_in_series=96,
            cells_in_parallel=3,
            cell_capacity_ah=PlanningValue(60.0, 1.0),
            state_of_charge_points=(0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0),
            open_circuit_voltage_points_v=(3.00, 3.45, 3.60, 3.68, 3.85, 4.05, 4.18),
            resistance_ohm=PlanningValue(0.09, 0.02, "common practice"),
            usable_energy_wh=PlanningValue(57_000.0, 2_000.0),
            discharge_current_limit_a=500.0,
            charge_current_limit_a=250.0,
        ),
        "auxiliary": AuxiliarySettings(
            base_power_w=PlanningValue(350.0, 120.0, "common practice"),
            heating_w_per_k=PlanningValue(110.0, 40.0, "common practice"),
            cooling_w_per_k=PlanningValue(90.0, 40.0, "common practice"),
            heater_limit_w=5000.0,
            air_conditioning_limit_w=2500.0,
        ),
        "limits": LimitSheet(),
        "scenarios": example_scenarios(),
        "target": Target(range_m=120 * MILE_M, scenario="steady 65 mph", reserve_ratio=0.1, ageing_ratio=0.05),
    }
    content.update(changes)
    return BuildSettings(**content)  # type: ignore[arg-type]
