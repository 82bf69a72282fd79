"""One fault trips several detectors: name the cause, and count what follows from it as a note."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from logan.results import DataFlag, Severity

_PLAN: Final = "acceleration_energy far_from_plan"
_ENERGY: Final = (
    "current_zero_offset current_gain efficiency_above_one implied_efficiency load_not_drawn unlogged_load "
    f"load_nobody_logged energy_from_nowhere averaged_current soc_rises_while_discharging {_PLAN}"
)
_ANY_CHANNEL: Final[Mapping[str, str]] = {
    "current_unsigned_wrap": f"{_ENERGY} energy_above_pack current_sign_unresolved impossible_power impossible_value "
    "single_sample_spike not_available_code decoded_wrongly soc_stuck",
    "decoded_wrongly": f"{_PLAN} efficiency_above_one implied_efficiency position_frozen",
    "stuck_bit": f"{_ENERGY} decoded_wrongly single_sample_spike",
    "load_nobody_logged": f"{_PLAN} unlogged_load implied_efficiency current_zero_offset",
    "unlogged_load": _PLAN,
    "acceleration_energy": "efficiency_above_one implied_efficiency",
    "far_from_plan": "implied_efficiency efficiency_above_one unlogged_load",
    "current_sign_reversed": f"{_ENERGY} current_offset_drift",
    "current_sign_unresolved": _ENERGY,
    "current_magnitude_only": _ENERGY,
    "voltage_scale": f"{_ENERGY} impossible_power impossible_value voltage_cells_mismatch voltage_charge_mismatch "
    "power_unit",
    "wheels_off_ground": f"{_ENERGY} distance_mismatch gear_ratio_changes wheel_slip",
    "speed_unit": f"{_PLAN} distance_mismatch efficiency_above_one implied_efficiency impossible_acceleration "
    "impossible_value",
    "speed_scale": "distance_mismatch",
    "charging_in_drive": "unlogged_load load_nobody_logged energy_from_nowhere current_gain soc_stuck "
    "soc_rises_while_discharging",
    "several_sessions": "log_gap soc_jump",
    "contactor_opened_under_load": "power_without_current channel_frozen efficiency_above_one",
    "current_with_contactor_open": "current_zero_offset",
    "current_saturated": "channel_frozen implied_efficiency",
    "current_zero_offset": "implied_efficiency",
    "derate_active": "implied_efficiency",
    "clock_drift": "channels_out_of_step wheel_slip",
    "channels_out_of_step": "gear_ratio_changes wheel_slip",
    "elevation_unit": "loop_not_closed elevation_jump",
    "soc_rises_while_discharging": "current_gain",
    "soc_stuck": "current_gain",
    "wheel_slip": "impossible_acceleration",
    "speed_dropout": "impossible_acceleration wheel_slip",
    "position_frozen": "gnss_spike",
    "gnss_spike": "distance_mismatch",
    "gear_ratio_changes": "single_sample_spike",
}
"""Cause, and what it trips wherever that shows."""

_SAME_CHANNEL: Final[Mapping[str, str]] = {
    "decoded_wrongly": "impossible_value single_sample_spike not_available_code impossible_acceleration speed_dropout "
    "distance_mismatch gear_ratio_changes speed_unit impossible_power voltage_cells_mismatch "
    "voltage_charge_mismatch voltage_scale",
    "not_available_code": "impossible_value temperature_jump soc_jump single_sample_spike",
    "single_sample_spike": "impossible_value temperature_jump soc_jump impossible_acceleration",
    "temperature_open_or_short": "temperature_stuck temperatures_swapped temperature_jump impossible_value",
    "temperature_stuck": "temperatures_swapped",
    "temperature_unit": "ambient_in_sun",
    "impossible_value": f"{_PLAN} speed_unit distance_mismatch impossible_acceleration efficiency_above_one",
}
"""Cause, and what it trips on the same channel."""


def name_causes(flags: Iterable[DataFlag]) -> tuple[DataFlag, ...]:
    """Turn findings that follow from another finding into notes that name it.

    Nothing is dropped, and what a finding refuses stays refused; only its severity falls, and
    its effect goes, which would be counted twice.

    Parameters
    ----------
    flags : iterable of DataFlag
        All findings on one drive.

    Returns
    -------
    tuple of DataFlag
        The same findings in the same order.
    """
    found = tuple(flags)
    # A finding that follows from another one explains nothing by itself any more.
    followers = {id(flag) for flag in found if _cause_of(flag, found) is not None}
    causes = tuple(flag for flag in found if id(flag) not in followers)
    return tuple(_marked(flag, _cause_of(flag, causes) or _cause_of(flag, found)) for flag in found)


def _cause_of(flag: DataFlag, found: tuple[DataFlag, ...]) -> DataFlag | None:
    for cause in found:
        if cause is flag or cause.code == flag.code:
            continue
        if flag.code in _ANY_CHANNEL.get(cause.code, "").split():
            return cause
        if flag.code in _SAME_CHANNEL.get(cause.code, "").split() and set(flag.channels) & set(cause.channels):
            return cause
    return None


def _marked(flag: DataFlag, cause: DataFlag | None) -> DataFlag:
    if cause is None:
        return flag
    return replace(
        flag,
        severity=Severity.NOTE,
        evidence=f"{flag.evidence}; probably follows from: {cause.title[0].lower()}{cause.title[1:]}",
        effect_wh_per_km=None,
    )
