"""Fit of the network to drives, part by part, with its priors and its Laplace covariance (method/heat.md, 4)."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from logan.heat.losses import learned_losses
from logan.heat.network import PARAMETERS, HeatLoad, Parameters, Prior, losses_of, march, priors_of
from logan.heat.series import BLOCK_S, SOURCES, HeatSeries
from logan.numerics import long_run_factor
from logan.physics.machine import MachineLosses
from logan.results import Refusal
from logan.settings import BuildSettings
from logan.units import FloatArray
from logan.units.sentences import measure

LEAST_RISE_K: Final = {
    "motor": 15.0, "rotor": 10.0, "inverter": 6.0, "coolant": 1.0, "cells": 0.0, "oil": 6.0
}  # fmt: skip
"""A part that rose less teaches nothing; the cells are known from weight and resistance. [K]"""

MOST_RESIDUAL_K: Final = {"motor": 1.5, "rotor": 2.0, "inverter": 1.5, "coolant": 2.0, "cells": 1.0, "oil": 2.0}
"""RMS above which the network does not describe the part. [K]"""

COLD_SPREAD_K: Final = 8.0
"""Parts that start this close to each other stood cold: their sensors are levelled. [K]"""

CELLS_LEVEL_K: Final = 1.5
"""Cells further from the other parts at a cold start still hold yesterday's weather. [K]"""

TORQUE_SIGMA, ROAD_SIGMA, BALANCE_SIGMA = 0.05, 0.04, 0.015
"""What a logged torque is good to, one from road load (payload, wind), and the balance of pack power with the shaft's
(gain of the pack's sensors): the load's scale is their weighted mean. [ratio]"""

POWER_SIGMA: Final = 0.03
"""Where torque is from pack power: half of what it is off wheel force is the vehicle's, half the day's. [ratio]"""

LEAST_SIGMA_K: Final = 0.4
ALIKE_LAGS: Final = 60
LEAST_ALIKE: Final = 15.0
"""Neighbouring residuals are alike over a minute at least: what the network does not describe is slow."""

MOST_DRIVES: Final = 12
_STEP: Final = 1e-3
_ITERATIONS: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartFit:
    """One part of the network after the drives.

    Parameters
    ----------
    log_mean, log_covariance : ndarray, shape (m,), (m, m)
        Of its parameters' logarithms, in the order of ``PARAMETERS``.
    residual_k, rise_k : float
        RMS that is left, and the highest rise over the outside air that was seen. [K]
    offset_k : float
        What the sensor reads too much, from cold starts. [K]
    refusal : Refusal or None
        Why no forecast of it may be given; its parameters are the priors then.
    """

    log_mean: FloatArray
    log_covariance: FloatArray
    residual_k: float = 0.0
    rise_k: float = 0.0
    offset_k: float = 0.0
    refusal: Refusal | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeatModel:
    """What the drives taught of a drivetrain's heat.

    Parameters
    ----------
    parts : mapping of str to PartFit
        Motor, inverter, coolant, cells, oil.
    scale : float
        Load as logged over torque from wheel force. [unit of the load per N m]
    scale_sigma_ratio : float
        One relative standard uncertainty of it: the drives' own load is no better known. [ratio]
    load_source : str
        One of ``SOURCES``.
    total_ratio : float
        Gear that was driven. [ratio]
    mean_copper_nm2 : float
        Hardest two minutes of torque squared seen.
    has_coolant : bool
        Whether coolant was logged.
    drive_count : int
        Drives that it rests on.
    notes : tuple of str
        In plain words.
    electrical : MachineLosses or None
        Losses as pack power, torque and shaft speed tell them, where all are logged.
    left_out_k : mapping of str to tuple of float
        By part: what the others forecast of each drive's peak, less what it was. [K]
    """

    parts: Mapping[str, PartFit]
    scale: float
    scale_sigma_ratio: float
    load_source: str
    total_ratio: float
    mean_copper_nm2: float
    has_coolant: bool
    drive_count: int
    notes: tuple[str, ...] = ()
    electrical: MachineLosses | None = None
    left_out_k: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    @property
    def median(self) -> Parameters:
        """Median of every parameter, each of shape (1,)."""
        return {
            name: np.array([value])
            for part, names in PARAMETERS.items()
            for name, value in zip(names, np.exp(self.parts[part].log_mean).tolist(), strict=True)
        }

    @property
    def losses(self) -> MachineLosses:
        """Losses of motor, inverter and gear: as measured electrically, else at the network's medians."""
        return losses_of(self.median) if self.electrical is None else self.electrical

    def sample(self, count: int, rng: np.random.Generator) -> Parameters:
        """Draw parameters; each of shape (count,)."""
        drawn: dict[str, FloatArray] = {}
        for part, names in PARAMETERS.items():
            fit = self.parts[part]
            logs = rng.multivariate_normal(fit.log_mean, fit.log_covariance, count, method="eigh")
            drawn |= dict(zip(names, np.exp(logs).T, strict=True))
        return drawn


def fit_heat(series: Sequence[HeatSeries], build: BuildSettings, *, total_ratio: float) -> HeatModel:
    """Fit motor, inverter, coolant, cells and oil one after the other.

    Parameters
    ----------
    series : sequence of HeatSeries
        Drives in the same gear; the hottest are taken where there are many.
    build : BuildSettings
        For the priors.
    total_ratio : float
        The gear driven. [ratio]

    Returns
    -------
    HeatModel
        Each part fitted or refused.
    """
    best = min((one.load_source for one in series), key=SOURCES.index)
    kept = sorted((one for one in series if one.load_source == best), key=_heat_seen, reverse=True)[:MOST_DRIVES]
    pulled = sum(one.torque_sum for one in kept)
    scale = sum(one.load_sum for one in kept) / pulled if pulled > 0.0 else 1.0
    priors = priors_of(build)
    sigma = ROAD_SIGMA
    learned = learned_losses(kept, build)
    if best == "motor torque":
        scale, sigma = _torque_scale(scale, None if learned is None else learned[1])
    elif best == "pack power":
        scale, sigma = float(np.sqrt(scale)), POWER_SIGMA
    load, observed, offsets = _stacked(kept, scale)
    activation = build.pack.resistance_activation_j_per_mol
    load = replace(load, activation_j_per_mol=activation)
    has_coolant = "coolant" in observed
    values: dict[str, FloatArray] = {name: np.array([prior.median]) for name, prior in priors.items()}
    parts: dict[str, PartFit] = {}
    for part, names in PARAMETERS.items():
        blank = _from_priors(names, priors)
        refusal = _refusal(part, observed, load.ambient_degc, has_coolant)
        fitted = blank if refusal else _fit_part(part, load, observed, values, priors, has_coolant)
        rise_k = float(np.nanmax(observed[part] - load.ambient_degc[:, :, 0])) if part in observed else 0.0
        if refusal is None and fitted.residual_k > MOST_RESIDUAL_K[part]:
            text = f"the network leaves {measure(fitted.residual_k, 'K', '.1f')}: a thermostat, a fan, another load"
            refusal = Refusal(text, "Log what switches it, such as pump and fan")
            fitted = blank
        parts[part] = replace(fitted, rise_k=rise_k, offset_k=offsets.get(part, 0.0), refusal=refusal)
        values |= {name: np.array([value]) for name, value in zip(names, np.exp(fitted.log_mean), strict=True)}
    window = max(1, int(120.0 / BLOCK_S))
    return HeatModel(
        parts=parts,
        scale=scale,
        scale_sigma_ratio=sigma,
        load_source=best,
        total_ratio=total_ratio,
        mean_copper_nm2=max(_hardest(one.square, window) for one in kept) / scale**2,
        has_coolant=has_coolant,
        drive_count=len(kept),
        electrical=None if learned is None else learned[0],
        notes=()
        if has_coolant
        else (f"no coolant is logged: the motor may read up to {measure(25, 'K')} high, and the inverter is refused",),
    )


def judged(model: HeatModel, series: Sequence[HeatSeries], build: BuildSettings) -> HeatModel:
    """The model with its judgement: each drive is forecast by the others, its own coolant unknown to them.

    Parameters
    ----------
    model : HeatModel
        Of all drives.
    series : sequence of HeatSeries
        The same drives.
    build : BuildSettings
        For the priors.

    Returns
    -------
    HeatModel
        With ``left_out_k``, which is empty for a single drive.
    """
    errors: dict[str, list[float]] = {}
    same = [one for one in series if one.load_source == model.load_source][:MOST_DRIVES]
    for one in same if len(same) > 1 else ():
        others = fit_heat([other for other in same if other is not one], build, total_ratio=model.total_ratio)
        load, observed, _ = _stacked([one], others.scale)
        load = replace(load, coolant_degc=None)
        start = {part: _first_values(observed.get(part), load.ambient_degc) for part in PARAMETERS}
        found = march(others.median, load, start, has_coolant=others.has_coolant)
        for part, value in observed.items():
            if others.parts[part].refusal is None and np.isfinite(value).any():
                errors.setdefault(part, []).append(float(np.max(found.of(part)) - np.nanmax(value)))
    return replace(model, left_out_k={part: tuple(found) for part, found in errors.items()})


def _torque_scale(against_road: float, to_true: float | None) -> tuple[float, float]:
    """Torque as logged over the true one, and its log sigma: what it is held against, weighed by how well known.

    Method: heat (1).
    """
    told = [(0.0, TORQUE_SIGMA), (float(np.log(against_road)), ROAD_SIGMA)]
    if to_true is not None:
        told.append((-float(np.log(to_true)), BALANCE_SIGMA))
    weights = np.array([sigma**-2.0 for _, sigma in told])
    return float(np.exp(np.average([log for log, _ in told], weights=weights))), float(weights.sum() ** -0.5)


def _heat_seen(series: HeatSeries) -> float:
    motor = series.temperatures.get("motor")
    return float(np.nanmax(motor - series.ambient_degc)) if motor is not None else 0.0


def _hardest(value: FloatArray, window: int) -> float:
    running = np.convolve(value, np.ones(window) / window, mode="valid") if value.size >= window else value
    return float(running.max())


def _stacked(series: Sequence[HeatSeries], scale: float) -> tuple[HeatLoad, dict[str, FloatArray], dict[str, float]]:
    """Drives side by side, the shorter ones padded; sensors levelled at cold starts."""
    count = max(one.square.size for one in series)

    def padded(name: str) -> FloatArray:
        columns = [np.pad(getattr(one, name), (0, count - one.square.size), mode="edge") for one in series]
        return np.stack(columns, axis=1)[:, :, np.newaxis]

    offsets = _offsets(series)
    observed = {}
    for part in sorted({part for one in series for part in one.temperatures}):
        observed[part] = np.full((count, len(series)), np.nan)
        for d, one in enumerate(series):
            if part in one.temperatures:
                observed[part][: one.square.size, d] = one.temperatures[part] - offsets.get(part, 0.0)
    coolant = observed.get("coolant")
    load = HeatLoad(
        square=padded("square") / scale**2,
        magnitude=padded("magnitude") / scale,
        shaft_rad_per_s=padded("shaft_rad_per_s"),
        shaft_square=padded("shaft_square"),
        road_m_per_s=padded("road_m_per_s"),
        current_a2=padded("current_a2"),
        ambient_degc=padded("ambient_degc") - offsets.get("ambient", 0.0),
        step_s=BLOCK_S,
        coolant_degc=None if coolant is None else _bridged(coolant)[:, :, np.newaxis],
    )
    return load, observed, offsets


def _offsets(series: Sequence[HeatSeries]) -> dict[str, float]:
    """What each sensor reads beyond the parts' when all are cold; mean over cold starts. [K]

    The outside sensor has no vote: sun and bay warm it.
    """
    found: dict[str, list[float]] = {}
    for one in series:
        start = {part: float(value[np.isfinite(value)][0]) for part, value in one.temperatures.items()}
        if len(start) < 2 or np.ptp(list(start.values())) > COLD_SPREAD_K:
            continue
        level = float(np.median(list(start.values())))
        start["ambient"] = float(one.ambient_degc[0])
        for part, value in start.items():
            if part != "cells" or abs(value - level) < CELLS_LEVEL_K:
                found.setdefault(part, []).append(value - level)
    return {part: float(np.mean(values)) for part, values in found.items()}


def _bridged(columns: FloatArray) -> FloatArray:
    """Gaps and ends of each drive bridged; a drive without any takes the mean of the others."""
    at, filled = np.arange(columns.shape[0]), columns.copy()
    for d in range(columns.shape[1]):
        known = np.isfinite(columns[:, d])
        filled[:, d] = np.interp(at, at[known], columns[known, d]) if known.any() else np.nanmean(columns)
    return filled


def _refusal(
    part: str, observed: Mapping[str, FloatArray], ambient_degc: FloatArray, has_coolant: bool
) -> Refusal | None:
    if part not in observed:
        return Refusal(f"no temperature of the {part} is logged", "Log it")
    if part == "inverter" and not has_coolant:
        return Refusal("without the coolant the inverter's rise cannot be told from the coolant's", "Log the coolant")
    swing_k = float(np.nanmax(np.nanmax(observed[part], axis=0) - np.nanmin(observed[part], axis=0)))
    if swing_k < LEAST_RISE_K[part]:
        return Refusal(
            f"it moved by {measure(swing_k, 'K')} only, of {measure(LEAST_RISE_K[part], 'K', 'g')} needed",
            "Load it harder",
        )
    return None


def _from_priors(names: Sequence[str], priors: Mapping[str, Prior]) -> PartFit:
    sigma = np.array([priors[name].log_sigma for name in names])
    return PartFit(log_mean=np.log([priors[name].median for name in names]), log_covariance=np.diag(sigma**2))


def _fit_part(
    part: str,
    load: HeatLoad,
    observed: Mapping[str, FloatArray],
    values: Mapping[str, FloatArray],
    priors: Mapping[str, Prior],
    has_coolant: bool,
) -> PartFit:
    """Damped Gauss-Newton in the logarithms; the second pass weighs by how far neighbouring residuals are alike."""
    names = PARAMETERS[part]
    start = {name: _first_values(observed.get(name), load.ambient_degc) for name in PARAMETERS}
    needed = frozenset({part, "motor"} if part == "rotor" else {part})
    if part == "coolant":
        load, needed = replace(load, coolant_degc=None), frozenset({"motor", "inverter", "coolant"})
    prior = _from_priors(names, priors)
    sigma = np.sqrt(np.diag(prior.log_covariance))
    known = np.isfinite(observed[part])
    target = observed[part][known]

    def predicted(logs: FloatArray) -> FloatArray:
        columns = dict(values) | dict(zip(names, np.exp(logs), strict=True))
        return march(columns, load, start, has_coolant=has_coolant, parts=needed).of(part)[known]

    logs, scale_k = prior.log_mean.copy(), 4.0
    covariance = prior.log_covariance
    residual = np.zeros(0)
    for _ in range(2):
        logs, covariance, residual = _solved(predicted, target, logs, prior.log_mean, sigma, scale_k)
        alike = long_run_factor(residual, lags=ALIKE_LAGS)
        scale_k = max(float(np.sqrt(np.mean(residual**2))), LEAST_SIGMA_K) * float(np.sqrt(max(alike, LEAST_ALIKE)))
    return PartFit(log_mean=logs, log_covariance=covariance, residual_k=float(np.sqrt(np.mean(residual**2))))


def _solved(
    predicted: Callable[[FloatArray], FloatArray],
    target: FloatArray,
    logs: FloatArray,
    centre: FloatArray,
    sigma: FloatArray,
    scale_k: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Most likely logarithms, their covariance, and what is left."""
    damping, cost, size = 1e-2, np.inf, logs.size
    at, left, slope = logs, np.zeros(0), np.zeros((0, size))
    for _ in range(_ITERATIONS):
        columns = predicted(logs[:, np.newaxis] + _STEP * np.column_stack([np.zeros(size), np.eye(size)]))
        residual = target - columns[:, 0]
        now = float(np.sum((residual / scale_k) ** 2) + np.sum(((logs - centre) / sigma) ** 2))
        if now < cost:
            is_settled = cost - now < 1e-3 * max(now, 1.0)
            at, left, slope = logs, residual, (columns[:, 1:] - columns[:, :1]) / _STEP
            cost, damping = now, 0.2 * damping
            if is_settled:
                break
        else:
            damping *= 10.0
        normal = slope.T @ slope / scale_k**2 + np.diag(sigma**-2.0)
        pull = slope.T @ left / scale_k**2 - (at - centre) / sigma**2
        logs = at + np.clip(np.linalg.solve(normal + damping * np.diag(np.diag(normal)), pull), -1.0, 1.0)
    normal = slope.T @ slope / scale_k**2 + np.diag(sigma**-2.0)
    return at, np.asarray(np.linalg.inv(normal)), left


def _first_values(observed: FloatArray | None, ambient_degc: FloatArray) -> FloatArray:
    """First known temperature of each drive; the outside air's where there is none. [degC]"""
    first = ambient_degc[0, :, 0].copy()
    if observed is not None:
        for d in range(first.size):
            known = np.flatnonzero(np.isfinite(observed[:, d]))
            first[d] = observed[known[0], d] if known.size else first[d]
    return first[:, np.newaxis]
