"""Does the pack voltage fit the cells that the pack is made of?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from logan.flags import DataFlag, Severity
from logan.quality.detector import detector
from logan.quality.runs import spans_of, when
from logan.quality.survey import DriveSurvey


def cell_voltage_range_v(survey: DriveSurvey) -> tuple[float, float]:
    """Lowest and highest voltage that a cell of this pack can have on a drive. [V]"""
    points = survey.build.pack.open_circuit_voltage_points_v
    if points:
        return 0.8 * min(points), 1.04 * max(points)
    nominal_v = survey.build.pack.cell_nominal_voltage_v
    return 0.68 * nominal_v, 1.18 * nominal_v


@detector("voltage_scale")
def _find_scale(survey: DriveSurvey) -> Iterator[DataFlag]:
    samples = survey.finite("pack_voltage")
    if samples is None:
        return
    positive = samples[1][samples[1] > 0]
    if positive.size < 0.5 * samples[1].size:
        return
    level_v, count = float(np.median(positive)), survey.build.pack.cells_in_series
    low_v, high_v = (count * limit for limit in cell_voltage_range_v(survey))
    if low_v <= level_v <= high_v:
        return
    factors = {
        10.0: "ten times too high",
        0.1: "ten times too low",
        100.0: "a hundred times too high",
        0.01: "a hundred times too low",
        1000.0: "in millivolts",
        0.001: "in kilovolts",
        1.0 / count: "that of one cell",
        2.0: "twice too high",
        0.5: "half: one of two strings, or half of the pack",
    }
    fitting = [(factor, words) for factor, words in factors.items() if low_v <= level_v / factor <= high_v]
    factor, words = fitting[0] if fitting else (np.nan, "not explained by a simple factor")
    net = survey.net_wh_per_km
    yield DataFlag(
        code="voltage_scale",
        severity=Severity.RED,
        channels=("pack_voltage",),
        title="Pack voltage does not fit the number of cells",
        evidence=f"{level_v:.1f} V, where {count} cells in series give {low_v:.0f} to {high_v:.0f} V: {words}",
        remedy="Set scale or unit of the pack voltage in the channel map, or cells_in_series in the build",
        effect_wh_per_km=net * (1.0 / factor - 1.0) if net is not None and np.isfinite(factor) else None,
        refuses=("net_energy", "consumption", "regen", "resistance", "usable_energy", "efficiency", "fit"),
    )


@detector("voltage_cells_mismatch")
def _find_cells_mismatch(survey: DriveSurvey) -> Iterator[DataFlag]:
    """The mean cell must lie between the lowest and the highest one."""
    if not survey.has("pack_voltage", "cell_voltage_min", "cell_voltage_max"):
        return
    lowest = survey.drive["cell_voltage_min"].value
    time_s = survey.drive["cell_voltage_min"].time_s
    highest = survey.drive["cell_voltage_max"].at(time_s, max_gap_s=10.0)
    mean = survey.drive["pack_voltage"].at(time_s) / survey.build.pack.cells_in_series
    quiet = survey.drive["pack_current"].at(time_s) if survey.has("pack_current") else np.zeros(time_s.shape)
    usable = np.isfinite(mean + highest + lowest) & (np.abs(np.nan_to_num(quiet, nan=1e9)) < 60.0)
    if usable.sum() < 10:
        return
    level_v = float(np.median(mean[usable]))
    above = float(np.median(mean[usable] - highest[usable]))
    below = float(np.median(lowest[usable] - mean[usable]))
    wrong_v = max(above, below)
    if wrong_v < 0.01 * level_v:
        return
    ratio = level_v / (level_v - above) if above > below else level_v / (level_v + below)
    net = survey.net_wh_per_km
    low_v, high_v = cell_voltage_range_v(survey)
    yield DataFlag(
        code="voltage_cells_mismatch",
        severity=Severity.AMBER if low_v <= level_v <= high_v else Severity.RED,
        channels=("pack_voltage", "cell_voltage_min", "cell_voltage_max"),
        title="Pack voltage and cell voltages disagree",
        evidence=f"pack voltage over {survey.build.pack.cells_in_series} cells is {level_v:.3f} V, the cells read "
        f"{float(np.median(lowest[usable])):.3f} to {float(np.median(highest[usable])):.3f} V",
        remedy="Measure the pack with a rated meter (CAT III, both poles) and correct the one that is off; "
        "check cells_in_series in the build",
        effect_wh_per_km=None if net is None else net * (1.0 / ratio - 1.0),
    )


@detector("voltage_charge_mismatch")
def _find_soc_mismatch(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Resting voltage against the open-circuit curve of the build."""
    pack = survey.build.pack
    if not survey.has("pack_voltage", "pack_current", "state_of_charge") or len(pack.state_of_charge_points) < 3:
        return
    soc = survey.on_grid("state_of_charge")
    resistance_ohm = pack.resistance_ohm.value
    source_v = survey.voltage_v + survey.current_a * resistance_ohm
    quiet = (
        survey.is_resting & np.isfinite(source_v) & np.isfinite(soc) & (np.abs(np.nan_to_num(survey.current_a)) < 30.0)
    )
    if quiet.sum() * survey.period_s < 5.0:
        return
    curve_v = np.interp(soc[quiet], pack.state_of_charge_points, pack.open_circuit_voltage_points_v)
    ratio = float(np.median(source_v[quiet] / (curve_v * pack.cells_in_series)))
    if abs(ratio - 1.0) < 0.05:
        return
    spans = spans_of(survey.time_s, quiet, min_samples=3)
    yield DataFlag(
        code="voltage_charge_mismatch",
        severity=Severity.AMBER,
        channels=("pack_voltage", "state_of_charge"),
        title="Resting voltage does not fit the state of charge",
        evidence=f"at rest the pack has {ratio:.3f} times the voltage of {pack.cells_in_series} cells at the state of "
        f"charge shown ({100 * float(np.median(soc[quiet])):.0f} %); {when(spans)}",
        remedy="Check whether a module is bypassed or the pack was changed, the open-circuit curve of the build, "
        "and the gauge",
        spans=spans,
    )
