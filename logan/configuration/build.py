"""Read ``build.toml`` into settings, with every problem in one message."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from logan.configuration.coherence import coherence_problems, impossible_together, scenario_problems
from logan.configuration.limits import limit_problems, limit_sheet
from logan.configuration.problems import load, problems_of, refusal
from logan.configuration.quantities import Measured
from logan.configuration.road_load import planning_value, road_load_of
from logan.configuration.schema import (
    AuxiliaryTable,
    BuildFile,
    GearingTable,
    InstrumentsTable,
    PackTable,
    ScenarioTable,
    VehicleTable,
)
from logan.configuration.tyre_size import rolling_circumference_m
from logan.constants import STANDARD_PRESSURE_PA
from logan.errors import ConfigurationError
from logan.instrument_settings import InstrumentSettings, SensorError
from logan.instruments.classes import CURRENT_SENSOR_SIGMAS, SPEED_SENSOR_SIGMA_RATIO
from logan.model import certified, priors
from logan.physics.air import standard_pressure_pa
from logan.physics.tyre import WET_ROAD_FACTOR
from logan.settings import (
    AuxiliarySettings,
    BuildSettings,
    GearingChoice,
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
from logan.units import DisplayUnits

_WEIGHED_SIGMA_RATIO = 0.01


def read_build(path: Path) -> BuildSettings:
    """Read and check a build's settings.

    Parameters
    ----------
    path : Path
        ``build.toml``, or the folder it is in.

    Returns
    -------
    BuildSettings
        In SI, with a typical value and its source wherever the user gave none.

    Raises
    ------
    ConfigurationError
        With every problem found, each with its key's path and what is allowed.
    """
    if path.is_dir():
        path = path / "build.toml"
    raw = load(path)
    problems = [*coherence_problems(raw), *limit_problems(raw.get("limits", {}))]
    try:
        content = BuildFile.model_validate(raw)
    except ValidationError as error:
        raise refusal(path, (*problems_of(error), *problems)) from None
    if problems:
        raise refusal(path, tuple(problems))
    settings = _settings(content, path)
    if impossible := impossible_together(settings):
        raise refusal(path, impossible)
    return settings


def _settings(content: BuildFile, path: Path) -> BuildSettings:
    folder = path.parent
    return BuildSettings(
        name=content.build.name,
        vehicle=_vehicle(content.vehicle, path),
        powertrain=_powertrain(content),
        pack=_pack(content.pack),
        auxiliary=_auxiliary(content.auxiliary),
        limits=limit_sheet(content.limits),
        scenarios=tuple(_scenario(table, path, _home_pa(content)) for table in content.scenario),
        home_pressure_pa=_home_pa(content),
        target=Target(
            range_m=content.target.range.value,
            scenario=content.target.scenario,
            reserve_ratio=content.target.reserve.value,
            ageing_ratio=content.target.aging.value,
            confidence_ratio=content.target.confidence.value,
        ),
        dbc_paths=tuple(folder / name for name in content.build.dbc),
        dbc_by_bus={bus: tuple(folder / name for name in files) for bus, files in content.build.dbc_by_bus.items()},
        display=DisplayUnits.parse(content.build.units),
        keep_logs=content.build.keep_logs,
        keep_raw=content.build.keep_raw,
        instruments=_instruments(content.instruments),
    )


def _vehicle(table: VehicleTable, path: Path) -> VehicleSettings:
    if table.tire_rolling_circumference is not None:
        source = table.source_of("tire_rolling_circumference")
        circumference = planning_value(table.tire_rolling_circumference, source, None, 0.01)
    else:
        metres = rolling_circumference_m(table.tire)
        circumference = PlanningValue(metres, 0.015 * metres, f"tire size {table.tire} (ETRTO, from memory)")
    fall = planning_value(
        table.rolling_temperature_coefficient,
        table.source_of("rolling_temperature_coefficient"),
        priors.ROLLING_FALL_PER_K,
        0.3,
    )
    load = road_load_of(table, fall.value)
    if load.problems:
        raise refusal(path, load.problems)
    return VehicleSettings(
        mass_kg=planning_value(table.mass, table.source_of("mass"), None, _WEIGHED_SIGMA_RATIO),
        drag_area_m2=load.drag_area_m2,
        rolling_coefficient=load.rolling_coefficient,
        rolling_temperature_coefficient_per_k=fall,
        linear_road_load_n_s_per_m=load.linear_n_s_per_m,
        driven_wheels=table.driven_wheels,
        tyre_rolling_circumference_m=circumference,
        wheel_inertia_kg_m2=table.wheel_inertia.value,
        frontal_crosswind_ratio=table.crosswind_rise_per_degree.value,
        body_class=table.body_class,
        tyre_class=table.tire_class,
    )


def _gearing(table: GearingTable) -> GearingChoice:
    return GearingChoice(
        name=table.name,
        reductions=tuple(Reduction(name=name, ratio=ratio) for name, ratio in table.reductions.items()),
    )


def _value(measured: Measured | None) -> float | None:
    return None if measured is None else measured.value


def _powertrain(content: BuildFile) -> PowertrainSettings:
    table, motor = content.powertrain, content.motor
    kept = [
        factor
        for factor, has in ((priors.KEPT_AXLE, table.kept_axle), (priors.TRANSFER_CASE, table.transfer_case))
        if has
    ]
    # A given efficiency is that of the vehicle, whatever it keeps; only the list's knows no old axle.
    drive, regen = (
        priors.corrected(certified.DRIVE, *kept),
        priors.corrected(certified.REGEN[content.vehicle.driven_wheels], *kept),
    )
    return PowertrainSettings(
        drive_efficiency=planning_value(table.drive_efficiency, table.source_of("drive_efficiency"), drive, 0.03),
        regen_efficiency=planning_value(table.regen_efficiency, table.source_of("regen_efficiency"), regen, 0.06),
        regen_power_limit_w=_value(table.regen_power_limit),
        regen_fade_speed_m_per_s=table.regen_fade_speed.value,
        driven_weight_ratio=_value(table.driven_weight),
        grip_coefficient=table.tire_grip.value,
        gearing=_gearing(content.gearing),
        alternatives=tuple(_gearing(choice) for choice in content.gearing.alternative),
        motor=MotorSettings(
            max_speed_rpm=motor.max_speed.value,
            max_torque_nm=motor.max_torque.value,
            max_power_w=motor.max_power.value,
            continuous_power_w=_value(motor.continuous_power),
            rotor_inertia_kg_m2=motor.rotor_inertia.value,
            count=motor.count,
        ),
    )


def _pack(table: PackTable) -> PackSettings:
    capacity = planning_value(table.cell_capacity, table.source_of("cell_capacity"), None, 0.02)
    low, high = table.usable_window
    energy_wh = table.cells_in_series * table.cells_in_parallel * capacity.value * table.cell_nominal_voltage.value
    typical = PlanningValue(
        energy_wh * (high - low),
        0.03 * energy_wh * (high - low),
        "capacity x nominal voltage x window; 3 %, common practice",
    )
    cell = priors.TYPICAL_CELL_RESISTANCE_OHM_AH
    series_share = table.cells_in_series / (capacity.value * table.cells_in_parallel)
    resistance = PlanningValue(cell.value * series_share, cell.sigma * series_share, cell.source)
    loss: dict[str, Any] = {}
    if table.usable_loss_per_kelvin is not None:
        source = table.source_of("usable_loss_per_kelvin")
        loss["usable_loss_per_k"] = planning_value(table.usable_loss_per_kelvin, source, None, 0.5)
    return PackSettings(
        cells_in_series=table.cells_in_series,
        cells_in_parallel=table.cells_in_parallel,
        cell_capacity_ah=capacity,
        cell_nominal_voltage_v=table.cell_nominal_voltage.value,
        state_of_charge_points=tuple(share for share, _ in table.open_circuit_voltage),
        open_circuit_voltage_points_v=tuple(volts for _, volts in table.open_circuit_voltage),
        usable_low_ratio=low,
        usable_high_ratio=high,
        resistance_ohm=planning_value(table.resistance, table.source_of("resistance"), resistance, 0.3),
        resistance_activation_j_per_mol=table.resistance_activation.value,
        usable_energy_wh=planning_value(table.usable_energy, table.source_of("usable_energy"), typical, 0.03),
        charging_efficiency=planning_value(
            table.charging_efficiency, table.source_of("charging_efficiency"), certified.CHARGING, 0.03
        ),
        cell_mass_kg_per_wh=1.0 / table.added_cells.value,
        name=table.name,
        module_cells=table.module,
        cost_per_kwh=table.cost_per_kwh,
        alternatives=tuple(_pack(choice) for choice in table.alternative),
        discharge_current_limit_a=_value(table.discharge_current_limit),
        charge_current_limit_a=_value(table.charge_current_limit),
        cell_voltage_floor_v=_value(table.cell_voltage_floor),
        cell_voltage_ceiling_v=_value(table.cell_voltage_ceiling),
        **loss,
    )


def _auxiliary(table: AuxiliaryTable) -> AuxiliarySettings:
    """A fitted heater or air conditioning without a figure gets the typical one."""
    none = PlanningValue(0.0, 0.0, "not fitted")
    heating = priors.TYPICAL_HEATING_W_PER_K if table.heater_limit.value > 0 else none
    cooling = priors.TYPICAL_COOLING_W_PER_K if table.air_conditioning_limit.value > 0 else none
    return AuxiliarySettings(
        base_power_w=planning_value(table.base_power, table.source_of("base_power"), certified.AUXILIARY_W, 0.3),
        heating_w_per_k=planning_value(table.heating_per_kelvin, table.source_of("heating_per_kelvin"), heating, 0.3)
        if table.heating_per_kelvin is None or heating.value
        else planning_value(table.heating_per_kelvin, table.source_of("heating_per_kelvin"), None, 0.3),
        cooling_w_per_k=planning_value(table.cooling_per_kelvin, table.source_of("cooling_per_kelvin"), cooling, 0.3)
        if table.cooling_per_kelvin is None or cooling.value
        else planning_value(table.cooling_per_kelvin, table.source_of("cooling_per_kelvin"), None, 0.3),
        heater_limit_w=table.heater_limit.value,
        air_conditioning_limit_w=table.air_conditioning_limit.value,
        comfort_low_degc=table.comfort_low.value,
        comfort_high_degc=table.comfort_high.value,
    )


def _instruments(table: InstrumentsTable) -> InstrumentSettings:
    """Each sensor's own datasheet, else its class, else common practice."""
    usual = InstrumentSettings()

    def prior(key: str, class_sigma: float | None, class_name: str, otherwise: SensorError) -> SensorError:
        given: Measured | None = getattr(table, key)
        if given is not None:
            return SensorError(given.value, table.source_of(key))
        if class_sigma is not None:
            return SensorError(class_sigma, f"{class_name.replace('_', ' ')}, common practice")
        return otherwise

    gain, zero_a = CURRENT_SENSOR_SIGMAS.get(table.current, (None, None))
    return InstrumentSettings(
        current_gain_ratio=prior("current_gain", gain, table.current, usual.current_gain_ratio),
        voltage_gain_ratio=prior("voltage_gain", None, "", usual.voltage_gain_ratio),
        speed_gain_ratio=prior(
            "speed_gain", SPEED_SENSOR_SIGMA_RATIO.get(table.speed), table.speed, usual.speed_gain_ratio
        ),
        current_zero_a=prior("current_zero", zero_a, table.current, usual.current_zero_a),
        temperature_offset_k=prior("temperature_offset", None, "", usual.temperature_offset_k),
        is_corrected=table.correct,
    )


def read_scenario(content: Mapping[str, object], folder: Path, home_pa: float | None = None) -> Scenario:
    """Read one scenario that does not stand in ``build.toml``, with the same keys and checks.

    Parameters
    ----------
    content : mapping
        Keys of a ``[[scenario]]`` table.
    folder : Path
        Where a route's path starts from.
    home_pa : float, optional
        Pressure of the air where the scenario gives none. [Pa]

    Raises
    ------
    ConfigurationError
        With every problem found.
    """
    problems = scenario_problems(content)
    try:
        table = ScenarioTable.model_validate(dict(content))
    except ValidationError as error:
        problems = (*problems_of(error), *problems)
    if problems:
        raise ConfigurationError(
            "the scenario cannot be used", "Correct it and run the command again", problems=problems
        )
    return _scenario(table, folder / "build.toml", home_pa)


def _home_pa(content: BuildFile) -> float | None:
    return None if content.build.altitude is None else float(standard_pressure_pa(content.build.altitude.value))


def _scenario(table: ScenarioTable, path: Path, home_pa: float | None) -> Scenario:
    """A route has its own heights, a recorded drive its own air, a mix its parts'; anything else is at home."""
    if table.cycle:
        kind = ScenarioKind.CYCLE
    elif table.mix:
        kind = ScenarioKind.MIX
    elif table.route:
        kind = ScenarioKind.ROUTE
    elif table.drive:
        kind = ScenarioKind.REPLAY
    else:
        kind = ScenarioKind.STEADY
    own_pa = home_pa if kind in (ScenarioKind.STEADY, ScenarioKind.CYCLE) else None
    if table.altitude is not None:
        own_pa = float(standard_pressure_pa(table.altitude.value))
    if table.pressure is not None:
        own_pa = table.pressure.value
    return Scenario(
        name=table.name,
        kind=kind,
        speed_m_per_s=_value(table.speed),
        cycle=table.cycle,
        parts=dict(table.mix),
        route=path.parent / table.route if table.route else None,
        drive=table.drive,
        ambient_temperature_degc=table.ambient.value,
        pressure_pa=STANDARD_PRESSURE_PA if own_pa is None else own_pa,
        relative_humidity_ratio=table.humidity.value,
        payload_kg=table.payload.value,
        headwind_m_per_s=table.headwind.value,
        grade_ratio=table.grade.value,
        drag_area_factor=table.drag_area_factor.value,
        rolling_factor=table.rolling_factor.value * (WET_ROAD_FACTOR if table.wet else 1.0),
        cabin_climate=table.cabin_climate,
        warm_start=table.warm_start,
        cell_temperature_degc=_value(table.cells),
    )
