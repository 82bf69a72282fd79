"""Which drive or measurement would shrink the target prediction's interval most."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from logan.model.fit_result import FitResult
from logan.model.measurement import Measurement, MeasurementKind
from logan.model.measurement_likelihood import expected_measurement
from logan.model.parameters import PARAMETER_NAMES
from logan.model.plan import plan_of, rotating_mass_of
from logan.model.unknowns import COPPER_LOSS, SHARED_COUNT, TEMPERATURE
from logan.settings import BuildSettings
from logan.units import FloatArray

_SIZE: Final = len(PARAMETER_NAMES)
_MPH: Final = 0.44704
_WEIGHED_SIGMA_RATIO: Final = 0.005
_COASTDOWN_SIGMA_RATIO: Final = 0.015
_STEADY_SIGMA_RATIO: Final = 0.01
_STANDSTILL_SIGMA_W: Final = 15.0
"""What each test gives when done with care (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateTest:
    """One thing that could be done next.

    Parameters
    ----------
    name : str
        What to do, in plain words.
    sigma_before_ratio, sigma_after_ratio : float
        Relative standard uncertainty of the target prediction now, and expected afterwards.
    how : str
        How to do it well.
    """

    derived: ClassVar[tuple[str, ...]] = ("gain_ratio",)

    name: str
    sigma_before_ratio: float
    sigma_after_ratio: float
    how: str

    @property
    def gain_ratio(self) -> float:
        """Share of the interval's width that it would take away."""
        return 1.0 - self.sigma_after_ratio / self.sigma_before_ratio if self.sigma_before_ratio > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTests:
    """Candidates, best first."""

    schema: ClassVar[str] = "next-tests/1"

    candidates: tuple[CandidateTest, ...]


@dataclass(frozen=True, slots=True)
class _Planned:
    name: str
    how: str
    rows: FloatArray


def rank_next_tests(result: FitResult, target_sensitivity: FloatArray, build: BuildSettings) -> NextTests:
    """Rank candidate tests by how far they would shrink the target prediction's interval.

    Parameters
    ----------
    result : FitResult
        The fit so far.
    target_sensitivity : ndarray, shape (6,)
        Change of the log consumption of the target scenario per log parameter. [ratio]
    build : BuildSettings
        The build.

    Returns
    -------
    NextTests
        Best first. The expectation is linear: it takes the parameters to be near their present values.
    """
    covariance = result.posterior.log_covariance
    before = float(np.sqrt(target_sensitivity @ covariance @ target_sensitivity))
    candidates = []
    for planned in _candidates(result, build):
        after = covariance_after(covariance, planned.rows)
        sigma = float(np.sqrt(np.maximum(target_sensitivity @ after @ target_sensitivity, 0.0)))
        candidates.append(
            CandidateTest(name=planned.name, sigma_before_ratio=before, sigma_after_ratio=sigma, how=planned.how)
        )
    return NextTests(candidates=tuple(sorted(candidates, key=lambda candidate: candidate.sigma_after_ratio)))


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
    shared = np.zeros(SHARED_COUNT)
    shared[:_SIZE] = result.posterior.log_mean
    shared[TEMPERATURE] = np.log(result.learned.rolling_temperature_coefficient_per_k.value)
    shared[COPPER_LOSS] = result.learned.copper_loss_w_per_n2.value
    rotating_kg, mass_kg = rotating_mass_of(build), float(result.posterior.median[0])

    def row(kind: MeasurementKind, sigma_ratio: float, mph: float = 0.0) -> FloatArray:
        measured = Measurement(kind=kind, value=1.0, sigma=1.0, source="candidate", speed_m_per_s=mph * _MPH)
        expected, gradient = expected_measurement(measured, shared, rotating_kg)
        return np.asarray(gradient[:_SIZE] / (expected * sigma_ratio))

    coasting = MeasurementKind.ROAD_LOAD_PER_MASS
    drive_sigma = max(result.between_drive_sigma_ratio, 0.01)
    standstill = plan_of(build).auxiliary_power_w
    candidates = [
        _Planned(
            "weigh it on a weighbridge",
            f"full fluids, driver aboard, ± {_WEIGHED_SIGMA_RATIO * mass_kg:.0f} kg; both axles",
            np.array([row(MeasurementKind.MASS, _WEIGHED_SIGMA_RATIO)]),
        ),
        _Planned(
            "four coastdown pairs, 70 to 15 mph",
            "closed or empty level road, both ways, wind under 2 m/s, tyres warm, inverter torque zero",
            np.array([row(coasting, _COASTDOWN_SIGMA_RATIO, 60.0), row(coasting, 2 * _COASTDOWN_SIGMA_RATIO, 20.0)]),
        ),
        _Planned(
            "30 min at a steady 65 mph, there and back",
            "same stretch both ways, no braking, cabin climate off, a calm day",
            np.array([row(MeasurementKind.STEADY_POWER, float(np.hypot(_STEADY_SIGMA_RATIO, drive_sigma)), 65.0)]),
        ),
        _Planned(
            "steady 35, 50 and 65 mph, there and back",
            "3 min or 2 miles each, same stretch both ways, no braking",
            np.array([row(MeasurementKind.STEADY_POWER, 2 * _STEADY_SIGMA_RATIO, mph) for mph in (35.0, 50.0, 65.0)]),
        ),
        _Planned(
            "ten minutes at standstill, everything else off",
            "key on, contactors closed, heater and air conditioning off",
            np.array([row(MeasurementKind.AUXILIARY_POWER, _STANDSTILL_SIGMA_W / max(standstill, 50.0))]),
        ),
    ]
    again = _another_drive(result)
    return [*candidates, again] if again is not None else candidates


def _another_drive(result: FitResult) -> _Planned | None:
    """One more drive like the mean of those so far."""
    if not result.information:
        return None
    mean = sum((drive.information for drive in result.information), np.zeros((SHARED_COUNT, SHARED_COUNT)))
    size, vectors = np.linalg.eigh(mean[:_SIZE, :_SIZE] / len(result.information))
    rows = np.sqrt(np.clip(size, 0.0, None))[:, None] * vectors.T
    return _Planned("one more drive like those so far", "another day, other wind; repeats tell the spread", rows)
