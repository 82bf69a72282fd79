"""Where the energy of a drive went, as rows that add up."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import ClassVar

import numpy as np

from logan.drive.drive import STANDSTILL_M_PER_S, Drive, height_along
from logan.drive.wheel_work import LEAST_STOP_S, WheelWork
from logan.numerics import spans_where
from logan.results import Figure, result
from logan.units import JOULES_PER_WATT_HOUR, BoolArray, FloatArray
from logan.units.sentences import measure


@result("ledger-entry/1")
class LedgerEntry:
    """One place where energy came from or went to.

    Parameters
    ----------
    name : str
        pack out, pack in, pack resistance, rolling, air, hills, kinetic, friction brakes,
        drivetrain, inverter standby, heater, air conditioning, DC-DC, other auxiliaries, residual.
    energy_wh : Figure
        Positive for energy spent; hills and kinetic are net and may be negative. [Wh]
    basis : str
        "measured", "modeled" or "remainder".
    """

    name: str
    energy_wh: Figure
    basis: str


@result("ledger-row/1")
class LedgerRow:
    """The ledger of one part of the drive: a segment, or a band of speed, grade or temperature.

    Parameters
    ----------
    label : str
        What part.
    low, high : float
        Start and end [s] of a segment or marked span; edges of a band in SI.
    distance_m, duration_s : float
        How far and how long.
    pack_out_wh, pack_in_wh : float
        Out of and into the pack. [Wh]
    rolling_wh, air_wh, hills_wh, kinetic_wh : float or None
        Wheel work by cause; None where the drive cannot tell. [Wh]
    auxiliary_wh : float or None
        Auxiliaries. [Wh]
    """

    derived: ClassVar[tuple[str, ...]] = ("net_wh", "net_wh_per_km")

    label: str
    low: float
    high: float
    distance_m: float
    duration_s: float
    pack_out_wh: float
    pack_in_wh: float
    rolling_wh: float | None
    air_wh: float | None
    hills_wh: float | None
    kinetic_wh: float | None
    auxiliary_wh: float | None

    @property
    def net_wh(self) -> float:
        """Net pack energy [Wh]."""
        return self.pack_out_wh - self.pack_in_wh

    @property
    def net_wh_per_km(self) -> float | None:
        """Net consumption [Wh/km]; None below 50 m."""
        return self.net_wh / (self.distance_m / 1000.0) if self.distance_m >= 50.0 else None


@result("energy-ledger/1")
class EnergyLedger:
    """Where the energy of one drive went, with the residual that does not close.

    Parameters
    ----------
    entries : tuple of LedgerEntry
        In order of flow.
    residual_wh : Figure
        Net pack energy less everything accounted for; shown, never hidden. [Wh]
    residual_ratio : float or None
        Residual over gross pack energy.
    segments, by_speed, by_grade, by_temperature, by_marker : tuple of LedgerRow
        Stop to stop; by speed [m/s], grade [ratio], ambient temperature [degC], and driver-marked span.
    notes : tuple of str
        What was assumed, and what was not logged.
    """

    entries: tuple[LedgerEntry, ...]
    residual_wh: Figure
    residual_ratio: float | None
    notes: tuple[str, ...]
    segments: tuple[LedgerRow, ...] = ()
    by_speed: tuple[LedgerRow, ...] = ()
    by_grade: tuple[LedgerRow, ...] = ()
    by_temperature: tuple[LedgerRow, ...] = ()
    by_marker: tuple[LedgerRow, ...] = ()

    def entry(self, name: str) -> LedgerEntry | None:
        """Return the entry of one name; None where there is none."""
        for entry in self.entries:
            if entry.name == name:
                return entry
        return None


SPEED_BAND_M_PER_S = 5.0
GRADE_EDGES_RATIO = (-0.5, -0.06, -0.04, -0.02, -0.005, 0.005, 0.02, 0.04, 0.06, 0.5)
TEMPERATURE_BAND_K = 5.0
GRADE_BASE_M = 200.0
"""Distance over which a grade is taken: satellite height is too coarse for less. [m]"""

LEAST_SEGMENT_M = 100.0
MARKER_SPAN_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LedgerSteps:
    """Everything a row adds up, step by step between speed samples. [m, s, J]

    Parameters
    ----------
    work : WheelWork
        Wheel work by cause.
    step_s, pack_out_j, pack_in_j, auxiliary_j : ndarray, shape (n - 1,)
        [s, J]
    """

    work: WheelWork
    step_s: FloatArray
    pack_out_j: FloatArray
    pack_in_j: FloatArray
    auxiliary_j: FloatArray

    def row(self, label: str, low: float, high: float, chosen: BoolArray) -> LedgerRow:
        """Add up the chosen steps."""

        def total_wh(values: FloatArray) -> float:
            return float(values[chosen].sum()) / JOULES_PER_WATT_HOUR

        work = self.work
        return LedgerRow(
            label=label,
            low=low,
            high=high,
            distance_m=float(work.distance_m[chosen].sum()),
            duration_s=float(self.step_s[chosen].sum()),
            pack_out_wh=total_wh(self.pack_out_j),
            pack_in_wh=total_wh(self.pack_in_j),
            rolling_wh=total_wh(work.rolling_j),
            air_wh=total_wh(work.air_j),
            hills_wh=None if work.height_sigma_m is None else total_wh(work.hills_j),
            kinetic_wh=total_wh(work.kinetic_j),
            auxiliary_wh=total_wh(self.auxiliary_j),
        )

    def between(self, label: str, start_s: float, end_s: float) -> LedgerRow:
        """Add up the steps whose middle lies between two times."""
        return self.row(label, start_s, end_s, (self.middle_s >= start_s) & (self.middle_s < end_s))

    @property
    def middle_s(self) -> FloatArray:
        """Middle of each step, shape (n - 1,). [s]"""
        return np.asarray(0.5 * (self.work.time_s[1:] + self.work.time_s[:-1]))


def segment_rows(steps: LedgerSteps) -> tuple[LedgerRow, ...]:
    """From one stop to the next; the standing time belongs to the segment before it."""
    work = steps.work
    stops = spans_where(work.time_s, work.speed_m_per_s < STANDSTILL_M_PER_S, min_duration_s=LEAST_STOP_S)
    edges_s = [float(work.time_s[0]), *(end_s for _, end_s in stops), float(work.time_s[-1])]
    rows: list[LedgerRow] = []
    start_s = edges_s[0]
    for end_s in edges_s[1:]:
        row = steps.between(f"segment {len(rows) + 1}", start_s, end_s)
        if row.distance_m >= LEAST_SEGMENT_M or (end_s == edges_s[-1] and not rows):
            rows.append(row)
            start_s = end_s
    return tuple(rows)


def speed_rows(steps: LedgerSteps) -> tuple[LedgerRow, ...]:
    """By road speed, standing apart."""
    speed = 0.5 * (steps.work.speed_m_per_s[1:] + steps.work.speed_m_per_s[:-1])
    standing = speed < STANDSTILL_M_PER_S
    rows = [steps.row("standing", 0.0, STANDSTILL_M_PER_S, standing)] if standing.any() else []
    return (*rows, *_banded(steps, np.where(standing, np.nan, speed), SPEED_BAND_M_PER_S, "m/s"))


def _banded(steps: LedgerSteps, value: FloatArray, width: float, unit: str) -> Iterator[LedgerRow]:
    """A row for each band of a quantity that occurs; NaN is in none."""
    for low in (np.unique(np.floor(value[np.isfinite(value)] / width)) * width).tolist():
        high = low + width
        yield steps.row(f"{low:.0f} to {measure(high, unit)}", low, high, (value >= low) & (value < high))


def grade_rows(steps: LedgerSteps, drive: Drive) -> tuple[LedgerRow, ...]:
    """By slope, taken over a base long enough for satellite height; empty where height is not known."""
    grade = _grade(steps, drive)
    if grade is None:
        return ()
    edges = GRADE_EDGES_RATIO
    rows = (
        steps.row(f"{100 * low:+.1f} to {100 * high:+.1f} %", low, high, (grade >= low) & (grade < high))
        for low, high in pairwise(edges)
    )
    return tuple(row for row in rows if row.distance_m > 0.0)


def _grade(steps: LedgerSteps, drive: Drive) -> FloatArray | None:
    logged = drive.get("grade")
    if logged is not None:
        return logged.at(steps.middle_s, max_gap_s=10.0)
    height = height_along(drive)
    if height is None:
        return None
    travelled = np.concatenate(([0.0], np.cumsum(steps.work.distance_m)))
    at_m = np.interp(steps.middle_s, steps.work.time_s, travelled)
    height_m = height.at(steps.work.time_s)
    known = np.isfinite(height_m)
    if int(known.sum()) < 2:
        return None
    ahead = np.interp(at_m + 0.5 * GRADE_BASE_M, travelled[known], height_m[known])
    behind = np.interp(at_m - 0.5 * GRADE_BASE_M, travelled[known], height_m[known])
    return np.asarray((ahead - behind) / GRADE_BASE_M)


def temperature_rows(steps: LedgerSteps, drive: Drive) -> tuple[LedgerRow, ...]:
    """By outside temperature; empty where it is not logged."""
    ambient = drive.get("ambient_temperature")
    if ambient is None:
        return ()
    return tuple(_banded(steps, ambient.at(steps.middle_s, max_gap_s=120.0), TEMPERATURE_BAND_K, "°C"))


def marker_rows(steps: LedgerSteps, drive: Drive) -> tuple[LedgerRow, ...]:
    """Spans the driver marked: while the marker holds a value, or from one press to the next."""
    marker = drive.get("marker")
    if marker is None or not np.isfinite(marker.value).any():
        return ()
    spans = _marked_spans(marker.time_s, np.nan_to_num(marker.value))
    rows = (steps.between(f"marked {number}", *span) for number, span in enumerate(spans, start=1))
    return tuple(row for row in rows if row.duration_s > 0.0)


def _marked_spans(time_s: FloatArray, value: FloatArray) -> Iterable[tuple[float, float]]:
    held = spans_where(time_s, value != 0.0)
    long = [(start_s, end_s) for start_s, end_s in held if end_s - start_s >= MARKER_SPAN_S]
    return long or pairwise(start_s for start_s, _ in held)


def all_rows(steps: LedgerSteps, drive: Drive) -> dict[str, tuple[LedgerRow, ...]]:
    """Rows of every kind, by the names of ``EnergyLedger``."""
    return {
        "segments": segment_rows(steps),
        "by_speed": speed_rows(steps),
        "by_grade": grade_rows(steps, drive),
        "by_temperature": temperature_rows(steps, drive),
        "by_marker": marker_rows(steps, drive),
    }
