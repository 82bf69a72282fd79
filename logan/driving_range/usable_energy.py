"""Usable energy of the pack: by cell temperature, by load, with its uncertainty."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from logan.analysis import DriveAnalysis
from logan.heat.network import priors_of
from logan.instruments.drive_evidence import LOAD_SIGMA_RATIO, UNKNOWNS, InstrumentEvidence, Sensor
from logan.metrics.pack import LEAST_SPAN_RATIO, REST_STATE_SIGMA_RATIO, STATE_SIGMA_RATIO
from logan.model.breakdown import ConsumptionBreakdown
from logan.model.cabin_load import nominal_open_circuit_voltage_v
from logan.model.fit_result import FitResult
from logan.model.parameters import Conditions
from logan.physics.battery import (
    REFERENCE_TEMPERATURE_DEGC,
    pack_current_a,
    resistance_at_ohm,
    state_of_charge_at_floor,
)
from logan.results import Estimate, result
from logan.settings import BuildSettings, Target
from logan.units import FloatArray

REFERENCE_DISCHARGE_TIME_S: Final = 3.0 * 3600.0
"""Moderate load, at which usable energy is stated: empty in three hours (common practice)."""

_LEAST_SHARE_RATIO: Final = 0.2
_HEATED_STEPS: Final = 100


@result("pack-usable-energy/1")
class UsableEnergy:
    """What the pack gives between the ends of its window.

    Parameters
    ----------
    energy_wh, sigma_wh : float
        At the terminals, 25 degC and moderate load, and one standard uncertainty. [Wh]
    loss_per_k, loss_sigma_per_k : float
        Share lost per kelvin of the cells below 25 degC, and its standard uncertainty. [1/K]
    resistance_ohm, open_circuit_voltage_v, activation_j_per_mol : float
        Pack, for the effect of load. [ohm, V, J/mol]
    source, loss_source : str
        Where the energy and the loss per kelvin come from.
    floor_v : float or None
        Lowest voltage of the pack under load; None where no floor is given. [V]
    window : tuple of float
        Ends of the usable window. [ratio]
    state_points, voltage_points_v : tuple of float
        Open-circuit voltage of the pack against state of charge; empty where not given. [ratio, V]
    heat_j_per_k, leak_w_per_k, leak_j_per_m_k : float
        What warms the cells by a kelvin, and what the air takes, still and by speed; zero heat keeps them as they
        began. [J/K, W/K, J/(m K)]
    follows : tuple of float
        How its logarithm goes with each log parameter, by the sensors that read both; empty where not at all.
    """

    energy_wh: float
    sigma_wh: float
    loss_per_k: float
    loss_sigma_per_k: float
    resistance_ohm: float
    open_circuit_voltage_v: float
    activation_j_per_mol: float
    source: str
    loss_source: str = ""
    floor_v: float | None = None
    window: tuple[float, float] = (0.05, 0.95)
    state_points: tuple[float, ...] = ()
    voltage_points_v: tuple[float, ...] = ()
    heat_j_per_k: float = 0.0
    leak_w_per_k: float = 0.0
    leak_j_per_m_k: float = 0.0
    follows: tuple[float, ...] = ()

    @property
    def estimate(self) -> Estimate:
        """Usable energy at 25 degC and moderate load."""
        return Estimate(self.energy_wh, "Wh", self.sigma_wh, self.source)

    def deviation(self, shared: FloatArray, own: FloatArray) -> FloatArray:
        """Standard normal deviations of the energy that go with the vehicle's unknowns as they should.

        Parameters
        ----------
        shared : ndarray, shape (n, p)
            Deviations of the fit's shared vector. [any]
        own : ndarray, shape (n,)
            Standard normal deviations of what does not go with them.
        """
        if not self.follows or not self.log_sigma:
            return own
        going = shared @ np.array(self.follows)
        rest = np.sqrt(max(self.log_sigma**2 - float(np.var(going)), 0.0))
        return np.asarray((going + rest * own) / self.log_sigma)

    @property
    def log_sigma(self) -> float:
        """Relative standard uncertainty, of the logarithm. [ratio]"""
        return float(np.sqrt(np.log1p((self.sigma_wh / self.energy_wh) ** 2)))

    def temperature_share(self, cell_temperature_degc: float, loss_per_k: float | FloatArray) -> FloatArray:
        """Share of the energy that is left in the cold, shape of ``loss_per_k``. [ratio]"""
        cold_k = max(0.0, REFERENCE_TEMPERATURE_DEGC - cell_temperature_degc)
        return np.maximum(1.0 - np.asarray(loss_per_k, dtype=np.float64) * cold_k, _LEAST_SHARE_RATIO)

    def load_share(self, breakdown: ConsumptionBreakdown, conditions: Conditions) -> float:
        """Energy at the terminals under a scenario's load over that at moderate load. [ratio]

        Both at the scenario's cell temperature, since the loss per kelvin covers the temperature.
        """
        heat, total = float(breakdown.pack_resistance_wh_per_km[0]), float(breakdown.total_wh_per_km[0])
        return self.share_under_load(total, heat, conditions.cell_temperature_degc)

    def share_under_load(self, taken: float, heat: float, cell_temperature_degc: float) -> float:
        """The same from energy at the terminals and what the pack's resistance took, in one unit. [ratio]"""
        resistance_ohm = float(resistance_at_ohm(self.resistance_ohm, cell_temperature_degc, self.activation_j_per_mol))
        reference_w = self.energy_wh * 3600.0 / REFERENCE_DISCHARGE_TIME_S
        reference_a = float(pack_current_a(np.array([reference_w]), self.open_circuit_voltage_v, resistance_ohm)[0])
        if taken <= 0 or not np.isfinite(reference_a):
            return 1.0
        reference_heat_w = resistance_ohm * reference_a**2
        return (taken / (taken + heat)) * (reference_w + reference_heat_w) / reference_w

    def floor_share(self, power_w: float, cell_temperature_degc: float) -> float:
        """Share of the window that is left above the voltage floor under a steady power: cold cells end early."""
        if self.floor_v is None or not self.state_points or power_w <= 0.0:
            return 1.0
        ohm = float(resistance_at_ohm(self.resistance_ohm, cell_temperature_degc, self.activation_j_per_mol))
        end = state_of_charge_at_floor(power_w, self.floor_v, ohm, self.state_points, self.voltage_points_v)
        low, high = self.window
        return float(np.clip((high - max(end, low)) / (high - low), 0.05, 1.0))

    def warmed_degc(self, power_w: float, conditions: Conditions, speed_m_per_s: float) -> float:
        """Temperature of the cells where a steady run ends, by the heat of their own resistance; Method: heat (8).

        The run ends with the window, or earlier where the terminals come down to their floor.
        """
        degc, ambient_degc = conditions.cell_temperature_degc, conditions.ambient_temperature_degc
        if self.floor_v is None or self.heat_j_per_k <= 0.0 or power_w <= 0.0:
            return degc
        leak_w_per_k = self.leak_w_per_k + self.leak_j_per_m_k * speed_m_per_s
        step_s = self.energy_wh * 3600.0 / power_w / _HEATED_STEPS
        for step in range(_HEATED_STEPS):
            if self.floor_share(power_w, degc) <= step / _HEATED_STEPS:
                break
            ohm = float(resistance_at_ohm(self.resistance_ohm, degc, self.activation_j_per_mol))
            ampere = float(np.nan_to_num(pack_current_a(np.array([power_w]), self.open_circuit_voltage_v, ohm)[0]))
            degc += step_s * (ohm * ampere**2 - leak_w_per_k * (degc - ambient_degc)) / self.heat_j_per_k
        return degc

    def sample(
        self,
        breakdown: ConsumptionBreakdown,
        conditions: Conditions,
        deviation: FloatArray,
        loss_deviation: FloatArray,
        mean_speed_m_per_s: float = 0.0,
    ) -> FloatArray:
        """Usable energy under a scenario's load and temperature for each sample.

        Parameters
        ----------
        breakdown : ConsumptionBreakdown
            Of the scenario at the median parameters, shape (1,).
        conditions : Conditions
            Cell temperature.
        deviation, loss_deviation : ndarray, shape (n,)
            Standard normal deviations of the energy and of the loss per kelvin.
        mean_speed_m_per_s : float
            Of the scenario, for the power under which the voltage floor is reached. [m/s]

        Returns
        -------
        ndarray, shape (n,)
            Usable energy at the terminals. [Wh]
        """
        loss = np.maximum(self.loss_per_k + self.loss_sigma_per_k * loss_deviation, 0.0)
        share = self.temperature_share(conditions.cell_temperature_degc, loss) * self.load_share(breakdown, conditions)
        power_w = float(breakdown.total_wh_per_km[0]) * mean_speed_m_per_s * 3.6
        above_floor = self.floor_share(power_w, self.warmed_degc(power_w, conditions, mean_speed_m_per_s))
        # A floor that is not reached takes nothing from what a light load gives more.
        share = np.minimum(share, above_floor) if above_floor < 1.0 else share
        return np.asarray(self.energy_wh * np.exp(self.log_sigma * deviation) * share)


def usable_energy_of(build: BuildSettings, fit: FitResult | None = None) -> UsableEnergy:
    """Usable energy that a build assumes, or what its drives and sensors make of it.

    Parameters
    ----------
    build : BuildSettings
        The build.
    fit : FitResult, optional
        With its sensors' errors, the usable energy among them.

    Returns
    -------
    UsableEnergy
        For predictions.
    """
    pack, heat = build.pack, priors_of(build)
    energy_wh, sigma_wh, source = pack.usable_energy_wh.value, pack.usable_energy_wh.sigma, pack.usable_energy_wh.source
    follows: tuple[float, ...] = ()
    if fit is not None and fit.sensors is not None:
        found = fit.sensors.instruments.of(Sensor.USABLE)
        energy_wh *= float(np.exp(found.value))
        sigma_wh = energy_wh * float(np.sqrt(np.expm1(found.spread**2)))
        source = found.source
        with_usable = fit.sensors.cross_covariance[:, UNKNOWNS.index(Sensor.USABLE)]
        follows = tuple((_pseudo_inverse(fit.shared_covariance) @ with_usable).tolist())
    return UsableEnergy(
        energy_wh=energy_wh,
        sigma_wh=sigma_wh,
        loss_per_k=pack.usable_loss_per_k.value,
        loss_sigma_per_k=pack.usable_loss_per_k.sigma,
        resistance_ohm=pack.resistance_ohm.value,
        open_circuit_voltage_v=nominal_open_circuit_voltage_v(build),
        activation_j_per_mol=pack.resistance_activation_j_per_mol,
        source=source,
        loss_source=pack.usable_loss_per_k.source,
        floor_v=None if pack.cell_voltage_floor_v is None else pack.cells_in_series * pack.cell_voltage_floor_v,
        window=(pack.usable_low_ratio, pack.usable_high_ratio),
        state_points=pack.state_of_charge_points,
        voltage_points_v=tuple(pack.cells_in_series * volts for volts in pack.open_circuit_voltage_points_v),
        heat_j_per_k=heat["c_b"].median,
        leak_w_per_k=heat["e0"].median,
        leak_j_per_m_k=heat["e1"].median,
        follows=follows,
    )


def _pseudo_inverse(covariance: FloatArray) -> FloatArray:
    """Of a covariance whose parts have units of their own, zero for what is exact."""
    sigma = np.sqrt(np.diag(covariance))
    scale = np.divide(1.0, sigma, out=np.zeros_like(sigma), where=sigma > 0.0)
    return np.asarray(np.outer(scale, scale) * np.linalg.pinv(np.outer(scale, scale) * covariance, hermitian=True))


GAUGE_SIGMA_RATIO: Final = 0.015
"""Error of the state-of-charge gauge that all drives share, so that many drives do not average it away."""

CHARGER_EFFICIENCY: Final = (0.90, 0.03)
"""Pack energy over wall energy of an on-board charger (common practice: 0.85 to 0.95)."""

_LEAST_PART_RATIO: Final = 0.02
"""Less than this a short drive's gauge says nothing, and two readings are one (common practice)."""

_SENSOR_PARTS: Final = ("gain", "offset")
"""Parts of a drive's own budget that stand here as unknowns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugedDrive:
    """A drive or charge whose state of charge and counted energy are laid side by side.

    Parameters
    ----------
    analysis : DriveAnalysis
        Of the drive.
    cell_temperature_degc : float or None
        Mean of the drive; None where not logged. [degC]
    source : str
        How the drive is called.
    """

    analysis: DriveAnalysis
    cell_temperature_degc: float | None
    source: str


def usable_evidence(drives: Sequence[GaugedDrive], build: BuildSettings) -> tuple[InstrumentEvidence, ...]:
    """What drives and charges say on usable energy and on the sensors together.

    Parameters
    ----------
    drives : sequence of GaugedDrive
        In the order in which they were driven.
    build : BuildSettings
        The planned energy, its loss in the cold, and the pack's resistance.

    Returns
    -------
    tuple of InstrumentEvidence
        One for each drive that emptied enough of the pack, and one for all shorter drives joined, charged between or
        not. Nothing where the state of charge only repeats the counted current, or was refused.
    """
    planned, found = usable_energy_of(build), []
    counted = [one for one in drives if _net_wh(one) > 0.0 and one.analysis.pack.usable.start_ratio is not None]
    own = [one for one in counted if isinstance(one.analysis.pack.usable.window_energy_wh, Estimate)]
    found = [_from_gauge([one], 2, planned, build) for one in own if not one.analysis.pack.usable.is_circular]
    short = [one for one in counted if one not in own and _span(one) >= _LEAST_PART_RATIO]
    if sum(map(_span, short)) >= LEAST_SPAN_RATIO and not any(one.analysis.pack.usable.is_circular for one in counted):
        ends = 2 * (1 + sum(not _goes_on(one, other) for one, other in pairwise(short)))
        found.append(_from_gauge(short, ends, planned, build))
    return (*found, *(row for one in drives for row in _from_charges(one.analysis, one.source)))


def _net_wh(one: GaugedDrive) -> float:
    net = one.analysis.energy.net_wh
    return net.value if isinstance(net, Estimate) and one.analysis.energy.charging_s == 0.0 else 0.0


def _span(one: GaugedDrive) -> float:
    usable = one.analysis.pack.usable
    return (usable.start_ratio or 0.0) - (usable.end_ratio or 0.0)


def _goes_on(one: GaugedDrive, other: GaugedDrive) -> bool:
    """True where nothing was charged between: the gauge's reading there is one, and cancels."""
    end, start = one.analysis.pack.usable.end_ratio, other.analysis.pack.usable.start_ratio
    return end is not None and start is not None and abs(end - start) < _LEAST_PART_RATIO


def _from_gauge(
    drives: Sequence[GaugedDrive], ends: int, planned: UsableEnergy, build: BuildSettings
) -> InstrumentEvidence:
    """Energy of these drives at moderate load and 25 degC, over their span of state of charge, read at so many ends."""
    moderate_wh, cold, load, sensors, hours = 0.0, 0.0, 0.0, 0.0, 0.0
    for one in drives:
        cells_degc = 25.0 if one.cell_temperature_degc is None else one.cell_temperature_degc
        share, cold_sigma = _cold_share(planned, cells_degc)
        heat = one.analysis.ledger.entry("pack resistance")
        heat_wh = heat.energy_wh.value if heat is not None and isinstance(heat.energy_wh, Estimate) else None
        under = 1.0 if heat_wh is None else planned.share_under_load(_net_wh(one), heat_wh, cells_degc)
        own_wh = _net_wh(one) / share / under
        moderate_wh, hours = moderate_wh + own_wh, hours + one.analysis.energy.duration_s / 3600.0
        cold += cold_sigma * own_wh
        load += (LOAD_SIGMA_RATIO if heat_wh is None else abs(1.0 - under)) * own_wh
        parts = [part.sigma_wh for part in one.analysis.energy.budget if part.name not in _SENSOR_PARTS]
        sensors = float(np.hypot.reduce([sensors, *parts]))
    net_wh, span = sum(map(_net_wh, drives)), sum(map(_span, drives))
    rested = all(one.analysis.pack.usable.is_rested for one in drives)
    ends_sigma = np.sqrt(ends) * (REST_STATE_SIGMA_RATIO if rested else STATE_SIGMA_RATIO) / span
    window = build.pack.usable_high_ratio - build.pack.usable_low_ratio
    many = f"drives {drives[0].source.removeprefix('drive ')} to {drives[-1].source.removeprefix('drive ')} joined"
    return InstrumentEvidence(
        name="SOC against counted energy",
        source=drives[0].source if len(drives) == 1 else many,
        weights={
            Sensor.USABLE: 1.0,
            Sensor.CURRENT_GAIN: 1.0,
            Sensor.VOLTAGE_GAIN: 1.0,
            Sensor.CURRENT_ZERO: nominal_open_circuit_voltage_v(build) * hours / net_wh,
        },
        value=float(np.log(moderate_wh * window / span / planned.energy_wh)),
        sigma=float(np.hypot.reduce([sensors / net_wh, ends_sigma, cold / moderate_wh, load / moderate_wh])),
        shared_sigma=GAUGE_SIGMA_RATIO,
        shared_by="SOC gauge",
    )


def _cold_share(planned: UsableEnergy, cells_degc: float) -> tuple[float, float]:
    """Share of the energy that is left at a temperature, and its relative uncertainty. [ratio]"""
    share = float(planned.temperature_share(cells_degc, planned.loss_per_k))
    return share, planned.loss_sigma_per_k * max(0.0, 25.0 - cells_degc) / share


def _from_charges(analysis: DriveAnalysis, source: str) -> list[InstrumentEvidence]:
    """Pack energy that the log counted against what came out of the wall."""
    efficiency, sigma = CHARGER_EFFICIENCY
    return [
        InstrumentEvidence(
            name="energy charged against the wall's",
            source=source,
            weights={Sensor.CURRENT_GAIN: 1.0, Sensor.VOLTAGE_GAIN: 1.0},
            value=float(np.log(session.pack_wh.value / (session.wall_wh.value * efficiency))),
            sigma=0.01,
            shared_sigma=sigma / efficiency,
            shared_by="charger",
        )
        for session in analysis.pack.charging
        if isinstance(session.pack_wh, Estimate)
        and isinstance(session.wall_wh, Estimate)
        and session.pack_wh.value > 0
        and session.wall_wh.value > 0
    ]


def available_share_ratio(target: Target) -> float:
    """Share of usable energy that is left after reserve and ageing. [ratio]"""
    return (1.0 - target.reserve_ratio) * (1.0 - target.ageing_ratio)
