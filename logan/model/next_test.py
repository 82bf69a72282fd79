"""Which drive or measurement would narrow the target's interval most, per hour of work."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np

from logan.drive.wheel_work import rotating_mass_of
from logan.instruments.drive_evidence import UNKNOWNS, Sensor
from logan.instruments.posterior import known_instruments
from logan.metrics.cautions import CAUTION_HIGH_VOLTAGE, CAUTION_ROAD_TEST
from logan.model.cabin_load import nominal_open_circuit_voltage_v
from logan.model.drive_likelihood import WIND_KNOWN_SHARE
from logan.model.fit_result import FitResult
from logan.model.measurement import Measurement, MeasurementKind, expected_measurement
from logan.model.parameters import PARAMETER_NAMES
from logan.model.plan import plan_of
from logan.model.sensor_errors import mistaken_unknowns
from logan.model.unknowns import SHARED_COUNT, At
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


def rank_next_tests(
    result: FitResult,
    target_sensitivity: FloatArray,
    build: BuildSettings,
    *,
    range_m: float = 1.0,
    combined_sigma_m: float | None = None,
    wind_log_sigma: float = 0.0,
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
    wind_log_sigma : float
        How far a day's wind alone moves the target scenario's consumption. [ratio]

    Returns
    -------
    NextTests
        Best first. The expectation is linear: it takes the parameters to be near their present values.
    """
    covariance = _joint_covariance(result, build)
    gradient = np.concatenate([-target_sensitivity, np.zeros(len(UNKNOWNS))])
    gradient[SHARED_COUNT + UNKNOWNS.index(Sensor.USABLE)] = 1.0
    before = float(np.sqrt(gradient @ covariance @ gradient))
    rest = 0.0 if combined_sigma_m is None else max((combined_sigma_m / range_m) ** 2 - before**2, 0.0)
    width = 2.0 * _TEN_TO_NINETY * range_m
    candidates = []

    def add(
        name: str, how: str, hours: float, rows: FloatArray, caution: str = "", noted: str = "", known: float = 0.0
    ) -> None:
        after = covariance_after(covariance, rows)
        sigma = float(np.sqrt(np.maximum(gradient @ after @ gradient, 0.0)))
        left = np.sqrt(max(rest - known, 0.0) + sigma**2)
        found = CandidateTest(
            name=name, how=how, hours=hours, caution=caution, noted=noted,
            sigma_before_ratio=before, sigma_after_ratio=sigma, gain_m=width * float(np.sqrt(rest + before**2) - left),
        )  # fmt: skip
        candidates.append(found)

    _vehicle_tests(result, build, add)
    _sensor_tests(build, add)
    road = float(target_sensitivity[[At.DRAG, At.ROLLING]].sum())
    for noted, left in result.noted_sigma_ratio.items() if combined_sigma_m is not None else ():
        known = road**2 * (result.between_drive_sigma_ratio**2 - left**2)
        if noted == "wind":
            known = wind_log_sigma**2 * (1.0 - WIND_KNOWN_SHARE**2)
        add(*_NOTED[noted], np.zeros((0, gradient.size)), noted=noted, known=known)
    ranked = tuple(sorted(candidates, key=lambda candidate: -candidate.gain_m_per_h))
    return NextTests(candidates=ranked, width_m=width * float(np.sqrt(rest + before**2)))


def _joint_covariance(result: FitResult, build: BuildSettings) -> FloatArray:
    """Of the shared vector and the sensors' errors together, shape (p + 6, p + 6)."""
    joint = np.zeros((SHARED_COUNT + len(UNKNOWNS),) * 2)
    # No test narrows what the model cannot know.
    told = result.posterior.log_covariance - result.drag_model_sigma_ratio**2 * np.diag(np.arange(_SIZE) == At.DRAG)
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


def _vehicle_tests(result: FitResult, build: BuildSettings, add: Callable[..., None]) -> None:
    """Tests of the vehicle itself, and one more drive."""
    shared = np.array(result.shared)
    rotating_kg, mistaken = rotating_mass_of(build), mistaken_unknowns(build, shared)

    def rows(kind: MeasurementKind, *tests: tuple[float, float]) -> FloatArray:
        found = []
        for sigma_ratio, mph in tests:
            measured = Measurement(kind=kind, value=1.0, sigma=1.0, source="candidate", speed_m_per_s=mph * _MPH)
            expected, gradient = expected_measurement(measured, shared, rotating_kg)
            seen = gradient / (expected * sigma_ratio)
            # What the vehicle's own sensors read is read with their errors.
            is_logged = kind in (MeasurementKind.STEADY_POWER, MeasurementKind.AUXILIARY_POWER)
            found.append(np.concatenate([seen, -seen @ mistaken if is_logged else np.zeros(len(UNKNOWNS))]))
        return np.array(found)

    coasting, steady, still = _COASTDOWN_SIGMA_RATIO, _STEADY_SIGMA_RATIO, plan_of(build).auxiliary_power_w
    day = float(np.hypot(steady, max(result.between_drive_sigma_ratio, 0.01)))
    scale = measure(_WEIGHED_SIGMA_RATIO * float(result.posterior.median[0]), "kg")
    add("weigh it on a truck scale", f"full fluids, driver aboard, ± {scale}; both axles", 0.75,
        rows(MeasurementKind.MASS, (_WEIGHED_SIGMA_RATIO, 0.0)))  # fmt: skip
    add(f"four coastdown pairs, 70 to {measure(15, 'mph')}", "closed or empty level road, both ways, wind under "
        f"{measure(2, 'm/s')}, tires warm, inverter torque zero", 2.0,
        rows(MeasurementKind.ROAD_LOAD_PER_MASS, (coasting, 60.0), (2 * coasting, 20.0)),
        CAUTION_ROAD_TEST)  # fmt: skip
    add(f"30 min at a steady {measure(65, 'mph')}, there and back",
        "same stretch both ways, no braking, cabin climate off, a calm day", 1.0,
        rows(MeasurementKind.STEADY_POWER, (day, 65.0)), CAUTION_ROAD_TEST)  # fmt: skip
    add(f"steady {measure(35, 'mph')}, {measure(50, 'mph')} and {measure(65, 'mph')}, there and back",
        "3 min or 2 miles each, same stretch both ways, no braking", 1.0,
        rows(MeasurementKind.STEADY_POWER, *((2 * steady, mph) for mph in (35.0, 50.0, 65.0))),
        CAUTION_ROAD_TEST)  # fmt: skip
    add("ten minutes at standstill, everything else off", "key on, contactors closed, heater and air conditioning off",
        0.25, rows(MeasurementKind.AUXILIARY_POWER, (_STANDSTILL_SIGMA_W / max(still, 50.0), 0.0)))  # fmt: skip
    if result.information:
        # Like the mean of those so far, read by the same sensors.
        mean = sum((drive.information for drive in result.information), np.zeros((SHARED_COUNT, SHARED_COUNT)))
        size, vectors = np.linalg.eigh(mean / len(result.information))
        told = np.sqrt(np.clip(size, 0.0, None))[:, None] * vectors.T
        add("one more drive like those so far", "another day, other wind; repeats tell the spread", 1.0,
            np.hstack([told, -told @ mistaken]))  # fmt: skip


def _sensor_tests(build: BuildSettings, add: Callable[..., None]) -> None:
    """Tests of the sensors and of the usable energy."""

    def row(sigma: float, weights: Mapping[str, float]) -> FloatArray:
        return np.array([[0.0] * SHARED_COUNT + [weights.get(name, 0.0) / sigma for name in UNKNOWNS]])

    both = {Sensor.CURRENT_GAIN: 1.0, Sensor.VOLTAGE_GAIN: 1.0}
    zero = nominal_open_circuit_voltage_v(build) * _RUN_HOURS / build.pack.usable_energy_wh.value
    add("clamp meter on the pack cable", "a DC clamp of 1 % or better at four steady currents, the log beside it", 0.5,
        row(0.01, {Sensor.CURRENT_GAIN: 1.0}), CAUTION_HIGH_VOLTAGE)  # fmt: skip
    add("multimeter at the pack", "a true reading beside the log, by someone trained for the voltage", 0.25,
        row(0.003, {Sensor.VOLTAGE_GAIN: 1.0}), CAUTION_HIGH_VOLTAGE)  # fmt: skip
    add("wall meter over a charge", "with the charger's efficiency from its datasheet (± 1 %)", 0.25, row(0.014, both))
    add("GPS speed in the log", "log GPS speed on one drive of ten miles under open sky, or pass mile markers", 0.25,
        row(0.0025, {Sensor.SPEED_GAIN: 1.0}))  # fmt: skip
    add("two minutes with the contactors open", "key on, contactors open, logging: what the current shows is its zero",
        0.1, row(0.1, {Sensor.CURRENT_ZERO: 1.0}))  # fmt: skip
    add("a run from full to empty", "full charge to the window's low end, at moderate load in mild weather, with help "
        "at hand", 4.0, row(0.01, both | {Sensor.USABLE: 1.0, Sensor.CURRENT_ZERO: zero}),
        CAUTION_ROAD_TEST.replace("20 % of charge in reserve", "help within reach"))  # fmt: skip
