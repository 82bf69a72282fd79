"""Cells and isolation: readings that contradict themselves, or that a builder must hear of."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from logan.numerics import true_runs
from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey, middle_of, spans_of
from logan.results import DataFlag, Severity
from logan.units import FloatArray

AMBER_OHM_PER_V: Final = 500.0
RED_OHM_PER_V: Final = 100.0
"""Isolation per volt of working voltage (UN R100, 5.1.3)."""

_ALIKE_V: Final = 0.015
"""Cells nearer to each other than this take turns by the noise of the measurement alone (common practice). [V]"""


@detector("cell_min_above_max", Severity.RED, effect_wh_per_km=0.0)
def _find_crossed(survey: DriveSurvey) -> Iterator[DataFlag]:
    for low_name, high_name, tolerance in (
        ("cell_voltage_min", "cell_voltage_max", 0.002),
        ("cell_temperature_min", "cell_temperature_max", 0.5),
    ):
        lowest, highest = survey.finite(low_name), survey.drive.get(high_name)
        if lowest is None or highest is None:
            continue
        above = lowest[1] - highest.at(lowest[0], max_gap_s=10.0)
        crossed = np.nan_to_num(above) > tolerance
        # Two slow channels sampled apart cross for moments; swapped ones stay crossed.
        if crossed.mean() < 0.3 and true_runs(crossed)[1].max(initial=0) < 10:
            continue
        yield DataFlag(
            channels=(low_name, high_name),
            evidence=f"for {100 * crossed.mean():.0f} % of the samples, by up to {float(np.max(above[crossed])):.3f}",
            spans=spans_of(lowest[0], crossed),
        )


@detector("cell_spread", effect_wh_per_km=0.0)
def _find_spread(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A cell far from the others: 20 mV at rest, 100 mV under load (common practice)."""
    lowest, highest = survey.finite("cell_voltage_min"), survey.drive.get("cell_voltage_max")
    if lowest is None or highest is None:
        return
    time_s = lowest[0]
    spread_v = highest.at(time_s, max_gap_s=10.0) - lowest[1]
    current = survey.drive["pack_current"].at(time_s, max_gap_s=5.0) if survey.has("pack_current") else 0.0 * time_s
    known = np.isfinite(spread_v) & np.isfinite(current)
    if known.sum() < 10:
        return
    at_rest, loaded = known & (np.abs(np.nan_to_num(current)) < 10.0), known & (np.abs(np.nan_to_num(current)) > 40.0)
    rest_v = float(np.median(spread_v[at_rest])) if at_rest.sum() > 5 else 0.0
    load_v = float(np.quantile(spread_v[loaded], 0.9)) if loaded.sum() > 5 else 0.0
    if rest_v < 0.02 and load_v < 0.1:
        return
    yield DataFlag(
        severity=Severity.RED if rest_v > 0.1 or load_v > 0.3 else Severity.AMBER,
        channels=("cell_voltage_min", "cell_voltage_max"),
        evidence=f"highest and lowest cell are {1000 * rest_v:.0f} mV apart at rest and {1000 * load_v:.0f} mV under "
        "load (20 and 100 mV are common practice)",
    )


@detector("cell_index_flicker", Severity.AMBER, effect_wh_per_km=0.0)
def _find_flicker(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Which cell is lowest or highest changes all the time: a loose sense wire, or cells that are all alike."""
    for name in ("cell_number_min", "cell_number_max"):
        samples = survey.finite(name)
        if samples is None or samples[1].size < 100:
            continue
        changes = np.diff(samples[1]) != 0.0
        spread_v = _usual_spread_v(survey, samples[0])
        if changes.mean() < 0.2 or spread_v is None or spread_v < _ALIKE_V:
            continue
        numbers, counts = np.unique(samples[1], return_counts=True)
        commonest = ", ".join(f"{number:.0f}" for number in numbers[np.argsort(-counts)][:3])
        yield DataFlag(
            channels=(name,),
            title=f"The {'lowest' if name.endswith('min') else 'highest'} cell is another one from sample to sample",
            evidence=f"{100 * changes.mean():.0f} % of the samples name another cell than the one before (most often "
            f"{commonest}), while highest and lowest are {1000 * spread_v:.0f} mV apart",
            spans=spans_of(samples[0][1:], changes),
        )


def _usual_spread_v(survey: DriveSurvey, time_s: FloatArray) -> float | None:
    """Median distance of highest and lowest cell; None where they are not logged. [V]"""
    lowest, highest = survey.drive.get("cell_voltage_min"), survey.drive.get("cell_voltage_max")
    if lowest is None or highest is None:
        return None
    return middle_of(highest.at(time_s, max_gap_s=10.0) - lowest.at(time_s, max_gap_s=10.0))


@detector("isolation_low", effect_wh_per_km=0.0, needs="isolation_resistance")
def _find_isolation(survey: DriveSurvey) -> Iterator[DataFlag]:
    time_s, ohm = survey.samples("isolation_resistance")
    level_v = middle_of(survey.voltage_v)
    if not 10.0 < level_v < 1500.0:
        level_v = survey.build.pack.cells_in_series * survey.build.pack.cell_nominal_voltage_v
    known = ohm > 0.0
    per_volt = ohm / level_v
    low = known & (per_volt < AMBER_OHM_PER_V) & (ohm != _disabled_code(ohm))
    if low.sum() < 3 or low.mean() > 1.0:
        return
    worst = float(np.min(per_volt[low]))
    yield DataFlag(
        severity=Severity.RED if worst < RED_OHM_PER_V else Severity.AMBER,
        channels=("isolation_resistance",),
        evidence=f"down to {worst:.0f} ohm per volt ({worst * level_v / 1000:.0f} kohm at {level_v:.0f} V); UN R100 "
        f"asks for 100 on the DC side and 500 where DC and AC are joined",
        spans=spans_of(time_s, low),
    )


def _disabled_code(ohm: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """A constant reading is a switched-off monitor's, not a resistance."""
    return float(ohm[0]) if np.ptp(ohm) == 0.0 and ohm.size > 20 and _is_code(float(ohm[0])) else float("nan")


def _is_code(ohm: float) -> bool:
    return any(
        abs(ohm - code * scale) < 1e-6 * max(ohm, 1.0)
        for code in (0, 255, 65_534, 65_535)
        for scale in (1.0, 100.0, 1000.0, 10_000.0)
    )


@detector("isolation_monitor_off", Severity.AMBER, effect_wh_per_km=0.0, needs="isolation_resistance")
def _find_monitor_off(survey: DriveSurvey) -> Iterator[DataFlag]:
    samples = survey.samples("isolation_resistance")
    if samples[1].size < 20:
        return
    at_code = np.array([_is_code(value) for value in np.unique(samples[1])])
    values = np.unique(samples[1])[at_code]
    off = np.isin(samples[1], values) if values.size else np.zeros(samples[1].shape, dtype=bool)
    if off.mean() < 0.5:
        return
    yield DataFlag(
        channels=("isolation_resistance",),
        evidence=f"{100 * off.mean():.0f} % of the samples read {float(values[0]):g} ohm, a code rather than a "
        f"resistance",
        spans=spans_of(samples[0], off),
    )


def cell_voltage_range_v(survey: DriveSurvey) -> tuple[float, float]:
    """Lowest and highest voltage that a cell of this pack can have on a drive. [V]"""
    points = survey.build.pack.open_circuit_voltage_points_v
    if points:
        return 0.8 * min(points), 1.04 * max(points)
    nominal_v = survey.build.pack.cell_nominal_voltage_v
    return 0.68 * nominal_v, 1.18 * nominal_v


@detector(
    "voltage_scale",
    Severity.RED,
    refuses=("net_energy", "consumption", "regen", "resistance", "usable_energy", "efficiency", "fit"),
    needs="pack_voltage",
)
def _find_scale(survey: DriveSurvey) -> Iterator[DataFlag]:
    samples = survey.samples("pack_voltage")
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
    yield DataFlag(
        channels=("pack_voltage",),
        evidence=f"{level_v:.1f} V, where {count} cells in series give {low_v:.0f} to {high_v:.0f} V: {words}",
        effect_wh_per_km=survey.net_times(1.0 / factor - 1.0) if np.isfinite(factor) else None,
    )


@detector("voltage_cells_mismatch", needs="pack_voltage cell_voltage_min cell_voltage_max")
def _find_cells_mismatch(survey: DriveSurvey) -> Iterator[DataFlag]:
    """The mean cell must lie between the lowest and the highest one."""
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
    low_v, high_v = cell_voltage_range_v(survey)
    yield DataFlag(
        severity=Severity.AMBER if low_v <= level_v <= high_v else Severity.RED,
        channels=("pack_voltage", "cell_voltage_min", "cell_voltage_max"),
        evidence=f"pack voltage over {survey.build.pack.cells_in_series} cells is {level_v:.3f} V, the cells read "
        f"{float(np.median(lowest[usable])):.3f} to {float(np.median(highest[usable])):.3f} V",
        effect_wh_per_km=survey.net_times(1.0 / ratio - 1.0),
    )


@detector("voltage_charge_mismatch", Severity.AMBER)
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
    yield DataFlag(
        channels=("pack_voltage", "state_of_charge"),
        evidence=f"at rest the pack has {ratio:.3f} times the voltage of {pack.cells_in_series} cells at the SOC "
        f"shown ({100 * float(np.median(soc[quiet])):.0f} %)",
        spans=spans_of(survey.time_s, quiet, min_samples=3),
    )
