"""Does the pack's energy fit the work done: not too little, not too much, and braking accounted for?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, spans_of, when
from logan.results import DataFlag, Severity

_HIGHEST_EFFICIENCY: Final = 0.97
_LOWEST_EFFICIENCY: Final = 0.6
_MORE_THAN_PACK: Final = 1.25
"""Charging on the way may put some back that is counted as regenerated."""


def shaft_efficiency(survey: DriveSurvey) -> tuple[float, float] | None:
    """Return mechanical over electrical energy while driving, and the electrical energy [Wh]; None where not logged."""
    if not survey.has("motor_torque", "motor_speed") or not survey.is_drive:
        return None
    mechanical, base_w = survey.shaft_power_w, survey.unlogged_base_w[0]
    electrical = survey.power_w - survey.logged_load_w - base_w
    driving = np.isfinite(mechanical) & np.isfinite(electrical) & (np.nan_to_num(mechanical) > 3000.0)
    if driving.sum() * survey.period_s < 20.0:
        return None
    taken_w = float(np.sum(electrical[driving]))
    if taken_w <= 0.0:
        return None
    return float(np.sum(mechanical[driving])) / taken_w, taken_w * survey.period_s / 3600.0


@detector("efficiency_above_one", Severity.RED, refuses=("efficiency", "fit"))
def _find_above_one(survey: DriveSurvey) -> Iterator[DataFlag]:
    shaft = shaft_efficiency(survey)
    if shaft is None or shaft[0] <= 1.02:
        return
    ratio = shaft[0]
    evidence = f"torque times motor speed is {100 * ratio:.0f} % of the electrical energy ({shaft[1]:.0f} Wh)"
    planned = survey.build.powertrain.drive_efficiency.value
    yield DataFlag(
        channels=("pack_current", "pack_voltage", "motor_torque"),
        title="More work comes out than energy goes in",
        evidence=evidence,
        remedy="Check scale of current, voltage and torque, the vehicle's weight and the gearing; a clamp meter "
        "settles the current",
        effect_wh_per_km=survey.net_times(ratio / planned - 1.0),
    )


@detector("implied_efficiency", Severity.AMBER)
def _find_odd_efficiency(survey: DriveSurvey) -> Iterator[DataFlag]:
    shaft = shaft_efficiency(survey)
    if shaft is None or shaft[0] > 1.02 or _LOWEST_EFFICIENCY <= shaft[0] <= _HIGHEST_EFFICIENCY:
        return
    ratio = shaft[0]
    words = "too good" if ratio > _HIGHEST_EFFICIENCY else "poor"
    planned = survey.build.powertrain.drive_efficiency.value
    yield DataFlag(
        channels=("pack_current", "motor_torque"),
        title=f"The drivetrain seems {words}",
        evidence=f"torque times motor speed over electrical power is {100 * ratio:.0f} % while driving; "
        f"{100 * _LOWEST_EFFICIENCY:.0f} to {100 * _HIGHEST_EFFICIENCY:.0f} % is usual",
        remedy="Check the scale of current and torque; look for an unlogged load, dragging brakes or a missing "
        "payload note",
        effect_wh_per_km=survey.net_times(ratio / planned - 1.0),
    )


@detector("friction_braking_unlogged", Severity.AMBER, effect_wh_per_km=0.0)
def _find_friction(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Braking work that does not come back, in a drive that logs no brake."""
    if survey.has("brake_switch") or survey.has("brake_pressure") or not survey.is_drive:
        return
    needed = survey.wheel_power_w
    drawn = survey.smooth(survey.power_w) - survey.logged_load_w - survey.unlogged_base_w[0]
    braking = np.isfinite(needed) & np.isfinite(drawn) & (np.nan_to_num(needed) < -3000.0)
    if braking.sum() * survey.period_s < 5.0:
        return
    wanted = survey.build.powertrain.regen_efficiency.value * -needed[braking]
    missing_wh = float(np.sum(np.maximum(wanted + np.minimum(drawn[braking], 0.0), 0.0))) * survey.period_s / 3600.0
    wanted_wh = float(np.sum(wanted)) * survey.period_s / 3600.0
    if missing_wh < max(0.25 * wanted_wh, 10.0):
        return
    spans = spans_of(survey.time_s, braking, min_samples=2)
    yield DataFlag(
        channels=("speed",),
        title="Friction brakes were used and are in no channel",
        evidence=f"braking would give back {wanted_wh:.0f} Wh, {missing_wh:.0f} Wh of it never arrive; {when(spans)}",
        remedy="Log the brake light switch or the brake pressure: without it the fit takes lost braking energy "
        "for road load",
        spans=spans,
    )


@detector("energy_above_pack", Severity.RED, refuses=("net_energy", "consumption", "regen", "fit"))
def _find_above_pack(survey: DriveSurvey) -> Iterator[DataFlag]:
    pack = survey.build.pack
    cells = pack.cells_in_series * pack.cells_in_parallel
    held_wh = cells * pack.cell_capacity_ah.value * pack.cell_nominal_voltage_v
    if survey.net_wh <= _MORE_THAN_PACK * held_wh:
        return
    times = 1000 ** max(round(np.log10(survey.net_wh / held_wh) / 3.0), 1)
    yield DataFlag(
        channels=("pack_current", "pack_voltage"),
        title="More energy was used than the pack holds",
        evidence=f"{survey.net_wh / 1000:,.1f} kWh net in {survey.time_s[-1] / 60:,.0f} min; the pack of the plan "
        f"holds {held_wh / 1000:.1f} kWh when new",
        remedy=f"Likely the times are {times:,} times too long (ms taken for s?): import again with --columns time=ms "
        "(or us); else check the scale of current and voltage, and the pack in build.toml",
    )
