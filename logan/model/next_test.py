"""Which drive or measurement would narrow the target's interval most, per hour of work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from logan.instruments.drive_evidence import CURRENT_GAIN, CURRENT_ZERO, SPEED_GAIN, UNKNOWNS, USABLE, VOLTAGE_GAIN
from logan.instruments.posterior import known_instruments
from logan.metrics.cautions import CAUTION_HIGH_VOLTAGE, CAUTION_ROAD_TEST
from logan.model.cabin_load import nominal_open_circuit_voltage_v
from logan.model.fit_result import FitResult
from logan.model.measurement import Measurement, MeasurementKind, expected_measurement
from logan.model.parameters import PARAMETER_NAMES
from logan.model.plan import plan_of, rotating_mass_of
from logan.model.sensor_errors import mistaken_unknowns
from logan.model.unknowns import DRAG, ROLLING, SHARED_COUNT
from logan.results import result
from logan.settings import BuildSettings
from logan.units import FloatArray
from logan.units.sentences import measure

_SIZE: Final = len(PARAMETER_NAMES)
_TEN_TO_NINETY: Final = 1.2816
_RUN_HOURS: Final = 4.0
_MPH: Final = 0.44704
_WEIGHED_SIGMA_RATIO: Final = 0.005
_COASTDOWN_SIGMA_RATIO: Final = 0.015
_STEADY_SIGMA_RATIO: Final = 0.01
_STANDSTILL_SIGMA_W: Final = 15.0
"""What each test gives when done with care (common practice)."""

_NOTED: Final = {
    "wind": ("each day's wind noted", "an hourly station table, or speed and direction, with every drive", 0.5),
    "payload": ("each day's payload noted", "passengers and luggage, with every drive; none is a note too", 0.25),
}
"""Name, how, and hours of work (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateTest:
    """One thing that could be done next.

    Parameters
    ----------
    name : str
        What to do, in plain words.
    sigma_before_ratio, sigma_after_ratio : float
        Relative standard uncertainty of the target's range now, and expected afterwards; day-to-day spread not counted.
    how : str
        How to do it well.
    hours : float
        Work that it takes (common practice). [h]
    gain_m : float
        By how much the target's 10 to 90 % interval would narrow. [m]
    caution : str
        What must be kept in mind while doing it; empty where nothing is driven or touched.
    noted : str
        What of a day it tells, "wind" or "payload": the range of that day narrows; empty for what tells of the vehicle.
    """

    derived: ClassVar[tuple[str, ...]] = ("gain_ratio", "gain_m_per_h")

    name: str
    sigma_before_ratio: float
    sigma_after_ratio: float
    how: str
    hours: float = 1.0
    gain_m: float = 0.0
    caution: str = ""
    noted: str = ""

    @property
    def gain_ratio(self) -> float:
        """Share of the interval's width that it would take away, day-to-day spread not counted."""
        return 1.0 - self.sigma_after_ratio / self.sigma_before_ratio if self.sigma_before_ratio > 0 else 0.0

    @property
    def gain_m_per_h(self) -> float:
        """What an hour of work buys. [m/h]"""
        return self.gain_m / self.hours


@result("next-tests/1")
class NextTests:
    """Candidates, best first.

    Parameters
    ----------
    candidates : tuple of CandidateTest
        By metres of the interval per hour of work.
    width_m : float
        The target's 10 to 90 % interval now. [m]
    """

    candidates: tuple[CandidateTest, ...]
    width_m: float = 0.0


@dataclass(frozen=True, slots=True)
class _Planned:
    name: str
    how: str
    hours: float
    rows: FloatArray
    """Derivatives by the shared vector and the sensors' errors over the test's own uncertainty, shape (k, p + 6)."""
    caution: str = ""


def rank_next_tests(
    result: FitResult,
    target_sensitivity: FloatArray,
    build: BuildSettings,
    *,
    range_m: float = 1.0,
    combined_sigma_m: float | None = None,
) -> NextTests:
    """Rank candidate tests by how far each would narrow the target's interval per hour of work.

    Parameters
    ----------
    result : FitResult
        The fit so far.
    target_sensitivity : ndarray, shape (p,)
        Change of the log consumption of the target scenario per unknown of the fit's shared vector. [any]
    build : BuildSettings
        The build.
    range_m : float
        The target scenario's range. [m]
    combined_sigma_m : float, optional
        Its combined standard uncertainty, with what no test narrows; only what tests narrow where left out. [m]

    Returns
    -------
    NextTests
        Best first. The expectation is linear: it takes the parameters to be near their present values.
    """
    covariance = _joint_covariance(result, build)
    gradient = np.concatenate([-target_sensitivity, np.zeros(len(UNKNOWNS))])
    gradient[SHARED_COUNT + UNKNOWNS.index(USABLE)] = 1.0
    before = float(np.sqrt(gradient @ covariance @ gradient))
    rest = 0.0 if combined_sigma_m is None else max((combined_sigma_m / range_m) ** 2 - before**2, 0.0)
    width = 2.0 * _TEN_TO_NINETY * range_m
    is_of_a_day = combined_sigma_m is not None
    candidates = _notes(result, target_sensitivity, rest + before**2, width) if is_of_a_day else []
    for planned in _candidates(result, build):
        after = covariance_after(covariance, planned.rows)
        sigma = float(np.sqrt(np.maximum(gradient @ after @ gradient, 0.0)))
        gain_m = width * float(np.sqrt(rest + before**2) - np.sqrt(rest + sigma**2))
        candidates.append(
            CandidateTest(
                name=planned.name,
                sigma_before_ratio=before,
                sigma_after_ratio=sigma,
                how=planned.how,
                hours=planned.hours,
                gain_m=gain_m,
                caution=planned.caution,
            )
        )
    ranked = tuple(sorted(candidates, key=lambda candidate: -candidate.gain_m_per_h))
    return NextTests(candidates=ranked, width_m=width * float(np.sqrt(rest + before**2)))


def _notes(result: FitResult, target_sensitivity: FloatArray, whole: float, width: float) -> list[CandidateTest]:
    """What noting a day's wind or payload takes off the interval of that day's range."""
    road = float(target_sensitivity[[DRAG, ROLLING]].sum())
    candidates = []
    for noted, left in result.noted_sigma_ratio.items():
        known = road**2 * (result.between_drive_sigma_ratio**2 - left**2)
        name, how, hours = _NOTED[noted]
        after = max(whole - known, 0.0) ** 0.5
        candidates.append(
            CandidateTest(
                name=name,
                sigma_before_ratio=whole**0.5,
                sigma_after_ratio=after,
                how=how,
                hours=hours,
                gain_m=width * (whole**0.5 - after),
                noted=noted,
            )
        )
    return candidates


def _joint_covariance(result: FitResult, build: BuildSettings) -> FloatArray:
    """Of the shared vector and the sensors' errors together, shape (p + 6, p + 6)."""
    joint = np.zeros((SHARED_COUNT + len(UNKNOWNS),) * 2)
    # No test narrows what the model cannot know.
    told = result.posterior.log_covariance - result.drag_model_sigma_ratio**2 * np.diag(np.arange(_SIZE) == DRAG)
    joint[:SHARED_COUNT, :SHARED_COUNT] = result.learned.covariance_with(told)
    if result.sensors is None:
        joint[SHARED_COUNT:, SHARED_COUNT:] = known_instruments(build).covariance
    else:
        joint[SHARED_COUNT:, SHARED_COUNT:] = result.sensors.instruments.covariance
        joint[:SHARED_COUNT, SHARED_COUNT:] = result.sensors.cross_covariance
        joint[SHARED_COUNT:, :SHARED_COUNT] = result.sensors.cross_covariance.T
    return joint


def covariance_after(covariance: FloatArray, rows: FloatArray) -> FloatArray:
    """Covariance once observations with unit error have been added.

    Parameters
    ----------
    covariance : ndarray, shape (p, p)
        Before. [ratio]
    rows : ndarray, shape (k, p)
        Derivatives of each observation over its standard uncertainty. [ratio]

    Returns
    -------
    ndarray, shape (p, p)
        After; defined for parameters that are taken as exact too. [ratio]
    """
    spread = covariance @ rows.T
    return np.asarray(covariance - spread @ np.linalg.solve(rows @ spread + np.eye(rows.shape[0]), spread.T))


def _candidates(result: FitResult, build: BuildSettings) -> list[_Planned]:
    shared = np.concatenate([result.posterior.log_mean, result.learned.shared])
    rotating_kg, mass_kg = rotating_mass_of(build), float(result.posterior.median[0])

    mistaken = mistaken_unknowns(build, shared)

    def row(kind: MeasurementKind, sigma_ratio: float, mph: float = 0.0) -> FloatArray:
        measured = Measurement(kind=kind, value=1.0, sigma=1.0, source="candidate", speed_m_per_s=mph * _MPH)
        expected, gradient = expected_measurement(measured, shared, rotating_kg)
        seen = gradient / (expected * sigma_ratio)
        # What the vehicle's own sensors read is read with their errors.
        is_logged = kind in (MeasurementKind.STEADY_POWER, MeasurementKind.AUXILIARY_POWER)
        return np.concatenate([seen, -seen @ mistaken if is_logged else np.zeros(len(UNKNOWNS))])

    coasting = MeasurementKind.ROAD_LOAD_PER_MASS
    drive_sigma = max(result.between_drive_sigma_ratio, 0.01)
    standstill = plan_of(build).auxiliary_power_w
    candidates = [
        _Planned(
            "weigh it on a truck scale",
            f"full fluids, driver aboard, ± {measure(_WEIGHED_SIGMA_RATIO * mass_kg, 'kg')}; both axles",
            0.75,
            np.array([row(MeasurementKind.MASS, _WEIGHED_SIGMA_RATIO)]),
        ),
        _Planned(
            f"four coastdown pairs, 70 to {measure(15, 'mph')}",
            f"closed or empty level road, both ways, wind under {measure(2, 'm/s')}, tires warm, inverter torque zero",
            2.0,
            np.array([row(coasting, _COASTDOWN_SIGMA_RATIO, 60.0), row(coasting, 2 * _COASTDOWN_SIGMA_RATIO, 20.0)]),
            CAUTION_ROAD_TEST,
        ),
        _Planned(
            f"30 min at a steady {measure(65, 'mph')}, there and back",
            "same stretch both ways, no braking, cabin climate off, a calm day",
            1.0,
            np.array([row(MeasurementKind.STEADY_POWER, float(np.hypot(_STEADY_SIGMA_RATIO, drive_sigma)), 65.0)]),
            CAUTION_ROAD_TEST,
        ),
        _Planned(
            f"steady {measure(35, 'mph')}, {measure(50, 'mph')} and {measure(65, 'mph')}, there and back",
            "3 min or 2 miles each, same stretch both ways, no braking",
            1.0,
            np.array([row(MeasurementKind.STEADY_POWER, 2 * _STEADY_SIGMA_RATIO, mph) for mph in (35.0, 50.0, 65.0)]),
            CAUTION_ROAD_TEST,
        ),
        _Planned(
            "ten minutes at standstill, everything else off",
            "key on, contactors closed, heater and air conditioning off",
            0.25,
            np.array([row(MeasurementKind.AUXILIARY_POWER, _STANDSTILL_SIGMA_W / max(standstill, 50.0))]),
        ),
    ]
    again = _another_drive(result, mistaken)
    return [*candidates, *_sensor_candidates(build), *([again] if again is not None else [])]


def _sensor_candidates(build: BuildSettings) -> list[_Planned]:
    """Tests of the sensors and of the usable energy."""

    def row(sigma: float, **weights: float) -> FloatArray:
        found = np.zeros((1, SHARED_COUNT + len(UNKNOWNS)))
        for name, weight in weights.items():
            found[0, SHARED_COUNT + UNKNOWNS.index(name)] = weight / sigma
        return found

    both = {CURRENT_GAIN: 1.0, VOLTAGE_GAIN: 1.0}
    zero = nominal_open_circuit_voltage_v(build) * _RUN_HOURS / build.pack.usable_energy_wh.value
    return [
        _Planned(
            "clamp meter on the pack cable",
            "a DC clamp of 1 % or better at four steady currents, the log beside it",
            0.5,
            row(0.01, **{CURRENT_GAIN: 1.0}),
            CAUTION_HIGH_VOLTAGE,
        ),
        _Planned(
            "multimeter at the pack",
            "a true reading beside the log, by someone trained for the voltage",
            0.25,
            row(0.003, **{VOLTAGE_GAIN: 1.0}),
            CAUTION_HIGH_VOLTAGE,
        ),
        _Planned(
            "wall meter over a charge",
            "with the charger's efficiency from its datasheet (± 1 %)",
            0.25,
            row(0.014, **both),
        ),
        _Planned(
            "GPS speed in the log",
            "log GPS speed on one drive of ten miles under open sky, or pass mile markers",
            0.25,
            row(0.0025, **{SPEED_GAIN: 1.0}),
        ),
        _Planned(
            "two minutes with the contactors open",
            "key on, contactors open, logging: what the current shows is its zero",
            0.1,
            row(0.1, **{CURRENT_ZERO: 1.0}),
        ),
        _Planned(
            "a run from full to empty",
            "full charge to the window's low end, at moderate load in mild weather, with help at hand",
            4.0,
            row(0.01, **both, **{USABLE: 1.0, CURRENT_ZERO: zero}),
            CAUTION_ROAD_TEST.replace("20 % of charge in reserve", "help within reach"),
        ),
    ]


def _another_drive(result: FitResult, mistaken: FloatArray) -> _Planned | None:
    """One more drive like the mean of those so far, read by the same sensors."""
    if not result.information:
        return None
    mean = sum((drive.information for drive in result.information), np.zeros((SHARED_COUNT, SHARED_COUNT)))
    size, vectors = np.linalg.eigh(mean / len(result.information))
    rows = np.sqrt(np.clip(size, 0.0, None))[:, None] * vectors.T
    joint = np.hstack([rows, -rows @ mistaken])
    return _Planned("one more drive like those so far", "another day, other wind; repeats tell the spread", 1.0, joint)
