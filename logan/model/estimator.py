"""Refines the plan's parameters with drives and measurements.

Maximum a posteriori with Student-t errors, the plan as prior, and each drive's own wind,
auxiliary load and level around the shared parameters; the covariance is the inverse
curvature, widened where the drives scatter more than the error model says.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np

from logan.drive.wheel_work import rotating_mass_of
from logan.model.cabin_load import taught_cabin
from logan.model.drive_fit import drive_fits, hull_of, trip_energy
from logan.model.drive_likelihood import WIND_KNOWN_SHARE, wind_share
from logan.model.fit_result import DRAG_MODEL_SIGMA_RATIO, DriveInformation, FitResult, LearnedConditions
from logan.model.hierarchy import Solution
from logan.model.measurement import Measurement, measurement_quadratic
from logan.model.parameters import PARAMETER_NAMES, ParameterDistribution
from logan.model.regen_limit import solve_with_regen_limit
from logan.model.segments_table import DriveSegments
from logan.model.shaft import split_losses
from logan.model.unknowns import (
    FULL_REGEN_RATIO,
    LOG_COUNT,
    SHARED_UNITS,
    TAUGHT_NAMES,
    At,
    Own,
    SharedPrior,
    inverse_of_free,
    physical,
    shared_prior,
)
from logan.results import Estimate
from logan.settings import AuxiliarySettings, BuildSettings
from logan.units import FloatArray

FEWEST_DRIVES_FOR_SANDWICH: Final = 5
_SIZE: Final = len(PARAMETER_NAMES)
_LEARNED_LITTLE: Final = 0.7
CONTRADICTED_SIGMAS: Final = 4.0
"""What is measured soundly lies farther from a fit that knows it once in 16,000 times."""

PAYLOAD_SIGMA_KG: Final = 40.0
"""Spread of a load that nobody noted: a passenger aboard, or luggage, in some drives (common practice). [kg]"""


def fit(
    prior: ParameterDistribution,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
) -> FitResult:
    """Posterior of the parameters, given the plan, the drives and what was measured besides.

    Parameters
    ----------
    prior : ParameterDistribution
        The plan.
    drives : sequence of DriveSegments
        Drives that carry a refusal are listed in the result and take no part.
    measurements : sequence of Measurement
        Weighbridge, coastdowns, steady pairs, standstill power.
    build : BuildSettings
        For what is not fitted.

    Returns
    -------
    FitResult
        Equal to the plan, and says so, when nothing took part.
    """
    widened = shared_prior(prior, build)
    usable = [drive for drive in drives if not drive.refusal]
    solution = solve_with_regen_limit(widened, usable, measurements, build)
    return fit_result_of(solution, widened, prior, drives, measurements, build)


def fit_result_of(
    solution: Solution,
    widened: SharedPrior,
    prior: ParameterDistribution,
    drives: Sequence[DriveSegments],
    measurements: Sequence[Measurement],
    build: BuildSettings,
    *,
    scale_ratio: float = 1.0,
) -> FitResult:
    """Put a solution into the terms of the plan, what drives decide ``scale_ratio`` times as wide, with what it means.

    Method: fit (17).
    """
    # The solver may have put a learned limit into the drives: the solution's own stand in for those given.
    solved = iter(solution.states)
    drives = [drive if drive.refusal else next(solved).drive for drive in drives]
    information = drive_informations(solution)
    by_plan, by_drives = covariance_parts(solution.information, widened, information)
    covariance = by_plan + scale_ratio**2 * by_drives
    posterior = _posterior(solution.shared, covariance, prior, bool(information), len(measurements))
    fits = drive_fits(solution, drives, build, covariance, prior, scale_ratio)
    day_sigma = _day_sigma_ratio(solution, rotating_mass_of(build))
    noted = _noted_sigmas(solution, day_sigma, rotating_mass_of(build))
    is_dominated = _is_prior_dominated(len(information), posterior, prior)
    limit = _scaled(solution.regen_limit, scale_ratio)
    learned_besides = learned_conditions(solution.shared, covariance, limit)
    full = _full_words(learned_besides.values["full_regen_ratio"])
    found = FitResult(
        posterior=posterior,
        prior=prior,
        between_drive_sigma_ratio=scale_ratio * day_sigma,
        level_sigma_ratio=scale_ratio * solution.scales.level_sigma_ratio,
        wind_sigma_m_per_s=scale_ratio * _wind_sigma_m_per_s(solution),
        shaft=split_losses(solution, rotating_mass_of(build)),
        noted_sigma_ratio={name: scale_ratio * sigma for name, sigma in noted.items()},
        auxiliary_sigma_ratio=scale_ratio * solution.scales.auxiliary_sigma_ratio,
        drives=fits,
        measurements=tuple(measurements),
        information=information,
        learned=replace(learned_besides, **_cabin(drives, build.auxiliary, scale_ratio)),
        noise=solution.scales,
        hull=hull_of([drive for drive in drives if not drive.refusal]),
        segment_count=sum(drive.segment_count for drive in fits),
        is_prior_dominated=is_dominated,
        converged=solution.converged,
        message=solution.message,
    )
    words = plain_words(found)
    odd = tuple(_contradicted(solution, measurements, build))
    more = (*_limit_words(solution.regen_limit), *full, *_data_warnings(drives))
    return replace(found, statements=words, contradicted=odd, warnings=(*odd, *words, *more))


def with_drag_model_term(result: FitResult) -> FitResult:
    """Return a fit whose drag area carries what no number of drives can tell of it. Method: fit (18)."""
    if not result.drive_count:
        return result
    covariance = result.posterior.log_covariance.copy()
    covariance[At.DRAG, At.DRAG] += DRAG_MODEL_SIGMA_RATIO**2
    posterior = replace(result.posterior, log_covariance=covariance)
    return replace(result, posterior=posterior, drag_model_sigma_ratio=DRAG_MODEL_SIGMA_RATIO)


def covariance_parts(
    information: FloatArray, widened: SharedPrior, drives: Sequence[DriveInformation]
) -> tuple[FloatArray, FloatArray]:
    """Covariance of the shared vector in two parts: what errors of plan and measurements do to it, and what drives' do.

    The drives' part is as large as their own scatter says: that of their gradients at the solution (cluster sandwich),
    taken as one factor over the directions that the drives decide; it never narrows. Method: fit (16a).

    Returns
    -------
    by_plan, by_drives : ndarray, shape (p, p)
        [ratio]
    """
    covariance = inverse_of_free(information, widened.is_free)
    told = sum((drive.information for drive in drives), np.zeros_like(covariance))
    by_drives = covariance @ told @ covariance
    by_plan, scatter_ratio, count = covariance - by_drives, 1.0, len(drives)
    if count >= FEWEST_DRIVES_FOR_SANDWICH:
        gradients = np.array([drive.gradient for drive in drives])
        scatter = float(np.einsum("dp,pq,dq->", gradients, covariance, gradients))
        decided = max(float(np.trace(covariance @ told)), 1e-9)
        scatter_ratio = float(np.clip(scatter / decided * count / (count - 1.0), 1.0, 4.0))
    return by_plan, scatter_ratio * by_drives


def drive_informations(solution: Solution) -> tuple[DriveInformation, ...]:
    """Each drive's information at the solution, its own unknowns integrated out."""
    return tuple(
        DriveInformation(
            drive_id=state.drive.drive_id,
            reference=solution.shared,
            gradient=each.marginal_gradient,
            information=each.marginal_information,
        )
        for state, each in zip(solution.states, solution.likelihoods, strict=True)
    )


def _posterior(
    shared: FloatArray, covariance: FloatArray, prior: ParameterDistribution, has_drives: bool, measurement_count: int
) -> ParameterDistribution:
    if not has_drives and not measurement_count:
        return prior
    sources = tuple("fit" for _ in PARAMETER_NAMES)
    return ParameterDistribution(log_mean=shared[:_SIZE], log_covariance=covariance[:_SIZE, :_SIZE], sources=sources)


def _cabin(drives: Sequence[DriveSegments], auxiliary: AuxiliarySettings, scale_ratio: float) -> dict[str, Any]:
    """What drives teach of the cabin's power, that logged whatever their weather asks for."""
    logged = [
        (drive.ambient_temperature_degc, float(drive.trip_cabin_j.sum()) / drive.duration_s, drive.duration_s)
        for drive in drives
        if not drive.refusal and drive.cabin_logged and drive.unlogged_cabin_log_sigma == 0.0 and drive.duration_s > 0.0
    ]
    heating, cooling = taught_cabin(logged, auxiliary)
    return {"heating_w_per_k": _scaled(heating, scale_ratio), "cooling_w_per_k": _scaled(cooling, scale_ratio)}


def _scaled(found: Estimate | None, ratio: float) -> Estimate | None:
    return found if found is None or found.sigma is None else replace(found, sigma=found.sigma * ratio)


def learned_conditions(shared: FloatArray, covariance: FloatArray, limit: Estimate | None = None) -> LearnedConditions:
    """Put what the shared vector, shape (p,), holds besides the six parameters into its units."""
    values, sigma = physical(shared), np.sqrt(np.diag(covariance))
    sigma[:LOG_COUNT] *= values[:LOG_COUNT]
    # The joint normal, in the units of each: how the others go with the parameters, and what is left of them.
    units = np.where(np.arange(values.size) < LOG_COUNT, values, 1.0)[_SIZE:]
    with_parameters = units[:, None] * covariance[_SIZE:, :_SIZE]
    follows = with_parameters @ np.linalg.pinv(covariance[:_SIZE, :_SIZE], hermitian=True)
    rest = np.outer(units, units) * covariance[_SIZE:, _SIZE:] - follows @ with_parameters.T

    return LearnedConditions(
        values={
            name: Estimate(float(values[index]), SHARED_UNITS[index], float(sigma[index]), "fit")
            for index, name in enumerate(TAUGHT_NAMES, _SIZE)
        },
        regen_power_limit=limit,
        follows=follows,
        rest_covariance=rest,
    )


def _is_prior_dominated(drive_count: int, posterior: ParameterDistribution, prior: ParameterDistribution) -> bool:
    """True with fewer than two drives, or while consumption at highway speed is hardly surer than planned."""
    if drive_count < 2:
        return True
    direction = np.zeros(_SIZE)
    # Highway consumption goes roughly with two thirds drag, one third weight, and against efficiency.
    direction[[At.DRAG, At.MASS, At.MASS + 2, At.MASS + 3]] = 0.65, 0.3, 0.3, -0.95
    after = direction @ posterior.log_covariance @ direction
    before = direction @ prior.log_covariance @ direction
    return bool(before > 0 and np.sqrt(after / before) > _LEARNED_LITTLE)


def _day_sigma_ratio(solution: Solution, rotating_mass_kg: float) -> float:
    """How far one day's road load strays: its level, and what an unknown wind does to drives such as these. [ratio]"""
    by_wind = []
    for state in solution.states:
        energy = trip_energy(solution.shared, state.drive, rotating_mass_kg)
        wind_m_per_s = solution.scales.wind_sigma_m_per_s * wind_share(state.drive)
        effect_j = energy.by_own[[Own.WIND_FIRST, Own.WIND_SECOND]] * wind_m_per_s
        by_wind.append(float(effect_j @ effect_j) / max(float(energy.by_own[Own.LEVEL]), 1.0) ** 2)
    return float(np.sqrt(solution.scales.level_sigma_ratio**2 + (np.mean(by_wind) if by_wind else 0.0)))


def _wind_sigma_m_per_s(solution: Solution) -> float:
    """Wind along a straight road, as well as drives such as these note it. [m/s]"""
    share = [WIND_KNOWN_SHARE if state.drive.wind_known else 1.0 for state in solution.states] or [1.0]
    return solution.scales.wind_sigma_m_per_s * float(np.sqrt(np.mean(np.square(share))))


def _noted_sigmas(solution: Solution, day_sigma_ratio: float, rotating_mass_kg: float) -> dict[str, float]:
    """How far a day's road load would stray with its wind, or its payload, known; of what drives lack. [ratio]"""
    level = min(solution.scales.level_sigma_ratio, day_sigma_ratio)
    left = {}
    if not all(state.drive.wind_known for state in solution.states):
        left["wind"] = float(np.hypot(level, WIND_KNOWN_SHARE * np.sqrt(day_sigma_ratio**2 - level**2)))
    if unknown := [state.drive for state in solution.states if not state.drive.payload_known]:
        moved = [trip_energy(solution.shared, drive, rotating_mass_kg) for drive in unknown]
        per_mass = sum(one.by_shared[At.MASS] for one in moved) / max(sum(one.by_own[Own.LEVEL] for one in moved), 1.0)
        payload = min(max(per_mass, 0.0) * PAYLOAD_SIGMA_KG / float(np.exp(solution.shared[At.MASS])), level)
        left["payload"] = float(np.sqrt(day_sigma_ratio**2 - payload**2))
    return left


def _limit_words(limit: Estimate | None) -> tuple[str, ...]:
    if limit is None:
        return ()
    power_kw = limit.value / 1000.0
    return (f"regen returned no more than {power_kw:.1f} kW; harder braking went into friction, and will again",)


def _full_words(lost: Estimate) -> tuple[str, ...]:
    """What the drives say of regen into a full pack; nothing where none was full enough to tell."""
    sigma = lost.spread
    if sigma > NOT_LEARNED_RATIO * FULL_REGEN_RATIO[1]:
        return ()
    return (f"a full pack took {100 * lost.value:.0f} ± {100 * sigma:.0f} % less regen than one at 90 % SOC or below",)


def _contradicted(solution: Solution, measurements: Sequence[Measurement], build: BuildSettings) -> Iterator[str]:
    """Measurements that the fit could not follow, in words."""
    for measurement in measurements:
        apart = measurement_quadratic(measurement, solution.shared, rotating_mass_of(build)).value
        if (sigmas := float(np.sqrt(2.0 * apart))) > CONTRADICTED_SIGMAS:
            name = measurement.kind.value.replace("_", " ").replace("mass", "weight")
            yield (
                f"the measured {name} ({measurement.source}) lies {sigmas:,.0f} of its own ± from the fit: it, its ±, "
                "or what contradicts it is wrong, and the range with it"
            )


def _data_warnings(drives: Sequence[DriveSegments]) -> tuple[str, ...]:
    words = []
    for drive in drives:
        words += [f"drive {drive.drive_id}: {warning}" for warning in drive.warnings]
        if drive.coastdown is not None:
            pairs = f"{drive.coastdown.pair_count} coastdown pairs"
            words.append(f"drive {drive.drive_id}: its {pairs} took part as a measurement of road load per weight")
        if (factors := (drive.drag_factor, drive.rolling_factor)) != (1.0, 1.0):
            given = f"drag x {factors[0]:g} and rolling x {factors[1]:g}"
            words.append(f"drive {drive.drive_id} is taken with {given} as noted; its day-to-day factor tells the rest")
        if drive.refusal:
            words.append(f"drive {drive.drive_id} takes no part: {drive.refusal}")
    return tuple(words)


PLAIN_NAMES: Final = (
    "weight",
    "CdA",
    "Crr",
    "drive efficiency",
    "regen efficiency",
    "auxiliary power",
)
"""The parameters as a driver would say them, in ``PARAMETER_NAMES`` order."""

CONFOUNDED_CORRELATION: Final = 0.8
NOT_LEARNED_RATIO: Final = 0.9
WEIGHED_LOG_SIGMA: Final = 0.008
"""Mass known better than this was weighed: pack energy does not change when mass, drag area and drive efficiency rise
and regen efficiency falls by one factor."""


def confounded_pairs(
    posterior: ParameterDistribution, prior: ParameterDistribution
) -> tuple[tuple[str, str, float], ...]:
    """Pairs whose posterior errors go together by more than 0.8, strongest first.

    A pair of which neither was learned is left out: it is the plan's, not the data's.
    """
    sigma, learned = posterior.log_sigma, posterior.width_over(prior)
    pairs = []
    for one in range(sigma.size):
        for other in range(one):
            if sigma[one] <= 0 or sigma[other] <= 0 or min(learned[one], learned[other]) > NOT_LEARNED_RATIO:
                continue
            correlation = float(posterior.log_covariance[one, other] / (sigma[one] * sigma[other]))
            if abs(correlation) > CONFOUNDED_CORRELATION:
                pairs.append((PARAMETER_NAMES[other], PARAMETER_NAMES[one], correlation))
    return tuple(sorted(pairs, key=lambda pair: -abs(pair[2])))


DRIVES_CANNOT_KNOW: Final = (
    "no number of drives tells these: the current sensor's gain (clamp or wall meter does), the speed's without GPS "
    "(GPS does), tire rolling resistance against constant driveline drag, and CdA against the tires' rise with speed "
    "(driven wheels in the air at three steady speeds), the current's zero against auxiliaries (contactors open), "
    "friction against regen efficiency (brake pressure), wind against still air (the same road both ways)"
)


def plain_words(found: FitResult) -> tuple[str, ...]:
    """What was learned, and what the data cannot tell, in plain words."""
    posterior, prior, drive_count, words = found.posterior, found.prior, found.drive_count, []
    if drive_count == 0:
        words.append("mostly your plan: no drive took part, these are its values")
    elif found.is_prior_dominated:
        drives = "one drive" if drive_count == 1 else f"{drive_count} drives"
        words.append(f"mostly your plan: {drives} cannot tell the vehicle from that day; the plan still says most")
    for one, other, correlation in confounded_pairs(posterior, prior):
        first, second = PLAIN_NAMES[PARAMETER_NAMES.index(one)], PLAIN_NAMES[PARAMETER_NAMES.index(other)]
        words.append(
            f"the data can't tell {first} and {second} apart (correlation {correlation:+.2f}); "
            "their joint effect on consumption is better known than either"
        )
    known = zip(PLAIN_NAMES, found.learned_ratio, prior.log_sigma, strict=True)
    untouched = [name for name, ratio, before in known if before > 0 and ratio > NOT_LEARNED_RATIO]
    if untouched and drive_count:
        words.append(f"not learned from these drives: {', '.join(untouched)}")
    if drive_count and posterior.log_sigma[At.MASS] > WEIGHED_LOG_SIGMA:
        words.append(
            "the data can't tell weight, CdA and efficiencies apart along one direction: all up by a factor, "
            "regen efficiency down by it, changes no electric log; a truck scale settles it"
        )
    if drive_count:
        words.append(DRIVES_CANNOT_KNOW)
    return tuple(words)
