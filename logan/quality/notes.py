"""What the driver did not note, without which two drives are hard to compare."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from logan.quality.detector import detector
from logan.quality.survey import DriveSurvey
from logan.results import DataFlag, Severity
from logan.units import FloatArray
from logan.units.sentences import measure

_YEAR_2005_NS: Final = 1_104_537_600_000_000_000


@detector("notes_missing", Severity.NOTE)
def _find_missing(survey: DriveSurvey) -> Iterator[DataFlag]:
    noted = survey.drive.conditions
    missing = []
    if noted.payload_kg is None:
        missing.append("payload")
    if noted.tyre_pressure_pa is None and not survey.has("tyre_pressure"):
        missing.append("tire pressure")
    if noted.ambient_temperature_degc is None and not survey.has("ambient_temperature"):
        missing.append("outside temperature")
    if not missing or not survey.is_drive:
        return
    yield DataFlag(
        evidence=f"not noted: {', '.join(missing)}",
        remedy=f"Add them to the drive; {measure(100, 'kg')} or {measure(70, 'kPa')} move "
        "the consumption by some 2 to 4 % (common practice)",
    )


@detector("clock_not_set", Severity.NOTE, effect_wh_per_km=0.0)
def _find_unset_clock(survey: DriveSurvey) -> Iterator[DataFlag]:
    """A date before the first conversions with loggers: the clock was never set."""
    start_ns = survey.drive.start_ns
    if start_ns is None or start_ns >= _YEAR_2005_NS:
        return
    yield DataFlag(evidence=f"the drive is dated {start_ns / 1e9 / 86_400 / 365.25 + 1970:.0f}")


@detector("power_only", Severity.NOTE, effect_wh_per_km=0.0, needs="pack_power")
def _find_power_only(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Pack power without voltage and current: the energy is known, and nothing that needs the current."""
    if survey.has("pack_voltage", "pack_current"):
        return
    absent = [name for name in ("pack_voltage", "pack_current") if not survey.has(name)]
    cannot = "peak and RMS current, charge, and pack resistance"
    if absent == ["pack_voltage"]:
        cannot = "pack resistance"
    yield DataFlag(
        channels=("pack_power",),
        evidence=f"{' and '.join(absent)} not logged: {len(absent)} of 2; {cannot} cannot be given",
    )


_BLOCK_S: Final = 30.0
_FEWEST_BLOCKS: Final = 20
_LEAST_SPEED_M_PER_S: Final = 12.0
_LEAST_POWER_W: Final = 3000.0
_TURN_COSINE: Final = 0.9
"""Length of the mean heading vector below which a block counts as a bend."""
_LEAST_WIND_M_PER_S: Final = 3.0
_SIGNIFICANT: Final = 5.0
_AIR_DENSITY_KG_PER_M3: Final = 1.2


@dataclass(frozen=True, slots=True)
class _Block:
    """Half a minute of steady heading: force beyond the plan [N], speed [m/s], heading vector."""

    excess_n: float
    speed_m_per_s: float
    north: float
    east: float


@detector("wind_seen", Severity.NOTE)
def _find_wind(survey: DriveSurvey) -> Iterator[DataFlag]:
    """Force beyond the plan against speed times heading: its amplitude is the wind (common practice)."""
    if survey.drive.conditions.wind_m_per_s is not None or survey.has("headwind") or not survey.has("heading", "speed"):
        return
    blocks = _blocks(survey)
    if len(blocks) < _FEWEST_BLOCKS:
        return
    found = _amplitude(blocks)
    if found is None:
        return
    north, east, sigma = found
    drag = _AIR_DENSITY_KG_PER_M3 * survey.build.vehicle.drag_area_m2.value
    wind, sigma_wind = float(np.hypot(north, east)) / drag, sigma / drag
    if wind < _LEAST_WIND_M_PER_S or wind < _SIGNIFICANT * sigma_wind:
        return
    from_deg = float(np.degrees(np.arctan2(east, north))) % 360.0
    mean_n = float(np.mean([block.speed_m_per_s * (north * block.north + east * block.east) for block in blocks]))
    yield DataFlag(
        channels=("heading", "speed"),
        evidence=f"the force beyond the plan follows the heading as under {measure(wind, 'm/s')} "
        f"(±{measure(2 * sigma_wind, 'm/s')}) from {from_deg:.0f}°, over {len(blocks)} half minutes",
        effect_wh_per_km=-mean_n / 3.6 / survey.build.powertrain.drive_efficiency.value,
    )


def _blocks(survey: DriveSurvey) -> list[_Block]:
    length = max(round(_BLOCK_S / survey.period_s), 1)
    heading = np.radians(survey.on_grid("heading"))
    speed, needed = survey.speed_m_per_s, survey.wheel_power_w
    base_w, efficiency = survey.unlogged_base_w[0], survey.build.powertrain.drive_efficiency.value
    drawn = efficiency * (survey.power_w - survey.logged_load_w - base_w)
    blocks = []
    for start in range(0, speed.size - length + 1, length):
        part = slice(start, start + length)
        north, east = float(np.mean(np.cos(heading[part]))), float(np.mean(np.sin(heading[part])))
        level = float(np.mean(speed[part]))
        excess_n = (float(np.mean(drawn[part])) - float(np.mean(needed[part]))) / max(level, 1.0)
        steady = float(np.hypot(north, east)) > _TURN_COSINE and float(np.min(speed[part])) > _LEAST_SPEED_M_PER_S
        if np.isfinite(excess_n) and steady and float(np.min(survey.power_w[part])) > _LEAST_POWER_W:
            blocks.append(_Block(excess_n, level, north, east))
    return blocks


def _amplitude(blocks: list[_Block]) -> tuple[float, float, float] | None:
    """Coefficients of speed times heading, north and east, and their larger uncertainty; None without diversity."""
    excess = np.array([block.excess_n for block in blocks])
    speed = np.array([block.speed_m_per_s for block in blocks])
    columns: FloatArray = np.column_stack(
        (
            np.ones(speed.size),
            speed**2 - np.mean(speed**2),
            speed * np.array([block.north for block in blocks]),
            speed * np.array([block.east for block in blocks]),
        )
    )
    # A fit that a few gusts or lorries cannot bend: blocks far off are left out once.
    kept = np.ones(excess.size, dtype=bool)
    for _ in range(2):
        if kept.sum() < _FEWEST_BLOCKS:
            return None
        solution, *_ = np.linalg.lstsq(columns[kept], excess[kept], rcond=None)
        rest = excess - columns @ solution
        spread = 1.4826 * float(np.median(np.abs(rest[kept])))
        kept = np.abs(rest) <= 4.0 * max(spread, 1e-9)
    gram = columns[kept].T @ columns[kept]
    if kept.sum() < _FEWEST_BLOCKS or np.linalg.cond(gram) > 1e9:
        return None
    # Neighbouring blocks share height errors and traffic: half of them are counted.
    covariance = 2.0 * float(np.var(rest[kept])) * np.linalg.inv(gram)
    return float(solution[2]), float(solution[3]), float(np.sqrt(max(covariance[2, 2], covariance[3, 3])))
