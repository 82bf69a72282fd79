"""The table of faults to seed into clean drives: one or more for every detector, with random size and place."""

from __future__ import annotations

from dataclasses import dataclass

from tests.benchmarks.quality import (
    faults_pack as pack,
    faults_road as road,
    faults_samples as samples,
    faults_vehicle as vehicle,
)
from tests.benchmarks.quality.seeding import Injector


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault: the code that must be flagged, how it is seeded, and channels a drive must have."""

    code: str
    inject: Injector
    needs: tuple[str, ...] = ()
    routes: tuple[str, ...] = ()
    """Names of clean cases to seed it into; empty takes the standard ones."""
    name: str = ""


STANDARD = ("mixed, 10 Hz", "town, flat", "town, hills", "highway", "noisy", "cold, heater logged")
_STOPPING = ("mixed, 10 Hz", "town, flat", "town, hills", "noisy", "cold, heater logged", "half a per cent lost")
_LONG = ("mixed, 10 Hz", "highway", "noisy", "50 Hz", "hot", "heavy, fast")
_FALLING = ("mixed, 10 Hz", "highway", "noisy", "hot", "heavy, fast")

FAULTS: tuple[Fault, ...] = (
    Fault("current_sign_reversed", pack.reversed_sign, routes=(*STANDARD, "1 Hz", "no motor channels", "few channels")),
    Fault("current_magnitude_only", pack.magnitude_only, routes=_STOPPING),
    Fault("current_unsigned_wrap", pack.unsigned_wrap),
    Fault("current_sign_unresolved", pack.sign_unresolved),
    Fault("current_zero_offset", pack.zero_offset, name="loads logged"),
    Fault("current_zero_offset", pack.zero_offset_without_loads, routes=_STOPPING[:4], name="loads not logged"),
    Fault("current_zero_offset", pack.zero_offset_open_contactors, name="contactors open"),
    Fault("current_offset_drift", pack.offset_drift, routes=_STOPPING),
    Fault("current_saturated", pack.saturated, routes=_STOPPING, name="drive"),
    Fault("current_saturated", pack.saturated_regen, routes=_STOPPING, name="regen"),
    Fault("current_gain", pack.gain_against_gauge, routes=("long highway",), name="gauge"),
    Fault("current_gain", pack.gain_against_count, name="BMS count"),
    Fault("impossible_power", pack.impossible_power),
    Fault("energy_above_pack", pack.more_than_the_pack),
    Fault("impossible_acceleration", pack.impossible_acceleration),
    Fault("power_without_current", pack.current_zero),
    Fault("voltage_scale", pack.voltage_factor),
    Fault("voltage_cells_mismatch", pack.cells_mismatch),
    Fault("voltage_charge_mismatch", pack.module_bypassed),
    Fault("channel_frozen", samples.freeze("pack_voltage", (8.0, 60.0)), name="voltage"),
    Fault("channel_frozen", samples.freeze("pack_current", (8.0, 60.0)), name="current"),
    Fault("channel_frozen", samples.freeze("speed", (15.0, 60.0)), routes=_STOPPING, name="speed"),
    Fault("channel_frozen", samples.freeze("motor_speed", (15.0, 60.0)), routes=_STOPPING, name="motor speed"),
    Fault("straight_line_filler", samples.straight_filler),
    Fault("interpolated_export", samples.interpolated_export),
    Fault("staircase", samples.staircase),
    Fault("averaged_current", samples.averaged),
    Fault("single_sample_spike", samples.spikes),
    Fault("not_available_code", samples.not_available, routes=(*STANDARD, *_LONG)),
    Fault("impossible_value", samples.impossible_value),
    Fault("decoded_wrongly", samples.wrong_bits),
    Fault("lost_samples", samples.lost),
    Fault("log_gap", samples.gap),
    Fault("voltage_current_skew", samples.shifted("pack_current", 0.1, 0.8)),
    Fault("channels_out_of_step", samples.shifted("speed", 0.6, 4.0), name="speed and motor speed"),
    Fault("channels_out_of_step", samples.shifted("gnss_speed", 2.2, 6.0), name="satellite speed"),
    Fault("clock_drift", samples.clock_drift, routes=("mixed, 10 Hz", "town, flat", "town, hills", "noisy", "hot")),
    Fault("log_cut", samples.cut, name="end"),
    Fault("log_cut", samples.late_start, name="beginning"),
    Fault("temperature_unit", road.fahrenheit, routes=(*STANDARD[:5], "hot")),
    Fault("power_unit", road.power_unit),
    Fault("elevation_unit", road.elevation_feet),
    Fault("speed_unit", road.speed_unit),
    Fault("speed_scale", road.speed_scale),
    Fault("gear_ratio_inconsistent", road.wrong_gear),
    Fault("gear_ratio_changes", road.gear_shifts, routes=("mixed, 10 Hz", "town, flat", "town, hills", "noisy")),
    Fault("wheel_slip", road.wheel_spin),
    Fault("speed_dropout", road.speed_dropout),
    Fault("wheels_off_ground", road.jack_stand, name="satellites"),
    Fault("wheels_off_ground", road.jack_stand_without_satellites, name="energy"),
    Fault("gnss_spike", road.gnss_spike),
    Fault("position_frozen", road.frozen_position),
    Fault("elevation_jump", road.elevation_jump),
    Fault("barometer_step", road.barometer_step),
    Fault("loop_not_closed", road.open_loop),
    Fault("distance_mismatch", road.odometer_off),
    Fault("soc_jump", pack.soc_jump, name="during"),
    Fault("soc_jump", pack.soc_reset_at_start, name="at start"),
    Fault("soc_stuck", pack.soc_stuck, routes=_FALLING),
    Fault("soc_circular", pack.soc_circular),
    Fault("soc_coarse", pack.soc_coarse, routes=_FALLING),
    Fault("soc_rises_while_discharging", pack.soc_rises, routes=_FALLING),
    Fault("efficiency_above_one", vehicle.too_efficient),
    Fault("acceleration_energy", vehicle.too_efficient_without_torque, routes=("town, flat",), name="current"),
    Fault("implied_efficiency", vehicle.poor_efficiency),
    Fault("acceleration_energy", vehicle.miles_for_kilometres, routes=("few channels", "town, flat", "mixed, 10 Hz")),
    Fault("far_from_plan", vehicle.tenth_of_speed, routes=("few channels", "town, flat", "highway", "mixed, 10 Hz")),
    Fault("stuck_bit", vehicle.stuck_bit, routes=("few channels", "town, flat", "town, hills", "mixed, 10 Hz")),
    Fault("load_nobody_logged", vehicle.minutes_of_heat, routes=("town, flat", "highway", "mixed, 10 Hz", "noisy")),
    Fault("energy_from_nowhere", vehicle.half_of_current, routes=("town, flat", "highway", "mixed, 10 Hz", "noisy")),
    Fault("friction_braking_unlogged", vehicle.unlogged_friction, routes=("regen limited to 15 kW", "no regen")),
    Fault("unlogged_load", vehicle.switched_heater, routes=("mixed, 10 Hz", "town, flat", "town, hills", "hot")),
    Fault("charging_in_drive", vehicle.charging_mixed_in, routes=_STOPPING),
    Fault("parked_in_drive", vehicle.parked, routes=_STOPPING),
    Fault("several_sessions", vehicle.two_sessions),
    Fault("current_with_contactor_open", vehicle.contactor_inverted),
    Fault("contactor_opened_under_load", vehicle.opened_under_load),
    Fault("temperature_open_or_short", vehicle.open_sensor),
    Fault("temperature_jump", vehicle.temperature_step),
    Fault(
        "temperature_stuck",
        vehicle.temperature_stuck,
        routes=_FALLING,
    ),
    Fault("temperatures_swapped", vehicle.temperatures_swapped),
    Fault("ambient_in_sun", vehicle.sunny_sensor),
    Fault("temperature_slow", vehicle.slow_temperature),
    Fault("cell_min_above_max", vehicle.cells_crossed),
    Fault("cell_spread", vehicle.weak_cell),
    Fault("cell_index_flicker", vehicle.flickering_cell),
    Fault("wind_seen", vehicle.windy, routes=("highway", "long highway", "heavy, fast", "mixed, 10 Hz")),
    Fault("isolation_low", vehicle.isolation_drop),
    Fault("isolation_monitor_off", vehicle.isolation_off),
    Fault("derate_active", vehicle.derated, name="torque", routes=_STOPPING),
    Fault("derate_active", vehicle.at_bms_limit, name="BMS limit", routes=_STOPPING),
    Fault("load_not_drawn", vehicle.load_not_drawn, routes=_STOPPING[:4]),
    Fault("notes_missing", vehicle.no_notes),
    Fault("clock_not_set", vehicle.clock_not_set),
    Fault("power_only", vehicle.power_alone),
)
