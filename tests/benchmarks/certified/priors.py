"""Fit the plan's priors to the certified vehicles; run: python -m tests.benchmarks.certified.priors.

Each vehicle has its own efficiency, regen and auxiliary power, lognormal about a population's median; the two
consumptions at the wall are linear in their logarithms nearly enough (the median is not linearised). The population
is found by maximum likelihood of a Student-t with two dimensions, under the weak priors named below.
``logan/model/priors.py`` holds what this prints, and ``tests/benchmarks/certified/test`` holds the two together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtri

from logan.drive_cycles.cycles import load_cycle
from logan.physics.road_load import speed_power_integral
from logan.units import METRES_PER_SECOND_PER_MPH, NEWTONS_PER_POUND_FORCE
from tests.certified_vehicles import CertifiedVehicle, certified_vehicles

CHARGING: Final = 0.88
COOL: Final = 4
"""Place of the cooler tires in the vector of the population."""
ROTATING_KG: Final = 75.0
"""What wheels of 4 kg m2 and a rotor of 0.05 kg m2 at 9:1 add, as in a build that leaves them out."""
FADE_M_PER_S: Final = 2.5
TRUNCATION: Final = 1.15
"""Widens regen, since samples of it end short of one: what is cut off above would be missing in the interval."""
MEDIAN_HP: Final = 400.0
FREEDOM: Final = 4.0
SLIP_CHI_SQUARE: Final = 13.8
"""99.9 % point of two degrees of freedom: a line farther off is flagged and not fitted."""
PRIORS: Final = {  # mean and standard deviation of each, in logarithms where it is one
    "efficiency": (np.log(0.89), 1.0),
    "regen": (np.log(0.80), 0.04),
    "regen_by": (0.0, 0.3),
    "auxiliary": (np.log(300.0), 0.5),
    "cool": (0.10, 0.10),
    "efficiency_spread": (np.log(0.05), 0.7),
    "regen_spread": (np.log(0.12), 0.4),
    "auxiliary_spread": (np.log(0.5), 0.4),
    "schedule_spread": (np.log(0.015), 0.5),
}
_COVARIATES: Final[dict[str, Callable[[CertifiedVehicle], float]]] = {
    "": lambda vehicle: 0.0,
    "power": lambda vehicle: float(np.log(vehicle.rated_hp / MEDIAN_HP)),
    "wheels": lambda vehicle: float(vehicle.driven_wheels == "all"),
}
MILE_M: Final = 1609.344


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Work:
    """Wheel work of n vehicles on UDDS and HWFET per mile: of A and B, of C, of speed changes, step by step."""

    soft_j: tuple[np.ndarray, np.ndarray]
    hard_j: tuple[np.ndarray, np.ndarray]
    fade: tuple[np.ndarray, np.ndarray]
    miles: tuple[float, float]
    hours_per_mi: tuple[float, float]


def work_of(vehicles: Sequence[CertifiedVehicle]) -> Work:
    """Wheel work of each step by what does it, shape (n, k)."""
    parts: list[tuple[np.ndarray, np.ndarray, np.ndarray, float, float]] = []
    for name in ("udds", "hwfet"):
        cycle = load_cycle(name)
        before, after, step_s = cycle.speed_m_per_s[:-1], cycle.speed_m_per_s[1:], np.diff(cycle.time_s)
        powers = [speed_power_integral(before, after, step_s, power) for power in (1, 2, 3)]
        load = np.array([(v.a_lbf, v.b_lbf_per_mph, v.c_lbf_per_mph2) for v in vehicles])
        load = load * NEWTONS_PER_POUND_FORCE / METRES_PER_SECOND_PER_MPH ** np.arange(3)
        mass = np.array([v.test_weight_lb * 0.45359237 + ROTATING_KG for v in vehicles])
        soft = np.outer(load[:, 0], powers[0]) + np.outer(load[:, 1], powers[1])
        hard = np.outer(load[:, 2], powers[2]) + np.outer(mass, 0.5 * (after**2 - before**2))
        fade = np.clip(0.5 * (before + after) / FADE_M_PER_S, 0.0, 1.0)
        miles = float(powers[0].sum()) / MILE_M
        parts.append((soft, hard, fade, miles, float(step_s.sum()) / 3600.0 / miles))
    soft_j, hard_j, fade, miles, hours = zip(*parts, strict=True)
    return Work(soft_j=soft_j, hard_j=hard_j, fade=fade, miles=miles, hours_per_mi=hours)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """Vehicles with their work and certified consumption."""

    vehicles: tuple[CertifiedVehicle, ...]
    work: Work
    log_wall: np.ndarray
    regen_by: np.ndarray

    @classmethod
    def of(cls, vehicles: Sequence[CertifiedVehicle], by: str = "wheels") -> Sample:
        """Work of these vehicles; ``by`` power or wheels lets regen depend on them."""
        return cls(
            vehicles=tuple(vehicles),
            work=work_of(vehicles),
            log_wall=np.log([v.wall_wh_per_mi for v in vehicles]),
            regen_by=np.array([_COVARIATES[by](vehicle) for vehicle in vehicles]),
        )

    def predicted(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Logarithm of the consumption at the wall, (n, 2), and its derivatives by the three logs, (n, 2, 3)."""
        efficiency, regen, auxiliary = np.exp(p[0]), np.exp(p[1] + p[2] * self.regen_by), np.exp(p[3])
        values, slopes = [], []
        for index in (0, 1):
            cool = 1.0 + (p[4] if index == 0 else 0.0)
            wheel = cool * self.work.soft_j[index] + self.work.hard_j[index]
            per_mi = 1.0 / 3600.0 / self.work.miles[index]
            drive = np.maximum(wheel, 0.0).sum(axis=1) * per_mi / efficiency
            back = (np.maximum(-wheel, 0.0) @ self.work.fade[index]) * per_mi * regen
            stand = np.full(drive.shape, auxiliary * self.work.hours_per_mi[index])
            total = np.maximum(drive - back + stand, 1.0)  # a wild step of the solver must stay finite
            values.append(np.log(total / CHARGING))
            slopes.append(np.stack([-drive, -back, stand], axis=1) / total[:, None])
        return np.stack(values, axis=1), np.stack(slopes, axis=1)

    def spread(self, p: np.ndarray, slopes: np.ndarray) -> np.ndarray:
        """Covariance of both consumptions between vehicles, (n, 2, 2)."""
        own = slopes * np.exp(p[5:8])
        return np.asarray(own @ own.transpose(0, 2, 1) + np.exp(2.0 * p[8]) * np.eye(2))

    def chi_square(self, p: np.ndarray) -> np.ndarray:
        """Squared distance of each vehicle from the population, (n,)."""
        values, slopes = self.predicted(p)
        off = self.log_wall - values
        return np.einsum("ni,nij,nj->n", off, np.linalg.inv(self.spread(p, slopes)), off)


def fitted(sample: Sample) -> np.ndarray:
    """Population: logs of efficiency and regen, regen by power, log of auxiliary power, cooler tires, three spreads."""
    mean, sigma = (np.array([pair[index] for pair in PRIORS.values()]) for index in (0, 1))

    def cost(p: np.ndarray) -> float:
        values, slopes = sample.predicted(p)
        spread = sample.spread(p, slopes)
        off = sample.log_wall - values
        chi = np.einsum("ni,nij,nj->n", off, np.linalg.inv(spread), off)
        likely = 0.5 * np.log(np.linalg.det(spread)) + (FREEDOM + 2.0) / 2.0 * np.log1p(chi / (FREEDOM - 2.0))
        return float(likely.sum() + 0.5 * (((p - mean) / sigma) ** 2).sum())

    # Steps of like effect for every unknown; the flat prior of the efficiency is no measure of one.
    step = np.minimum(sigma, 0.1)
    found = minimize(lambda x: cost(mean + step * x), np.zeros(mean.size), method="BFGS")
    return np.asarray(mean + step * found.x)


def without_slips(
    vehicles: Sequence[CertifiedVehicle], by: str = "wheels"
) -> tuple[np.ndarray, tuple[CertifiedVehicle, ...]]:
    """The population and the vehicles flagged: fitted again without them until no other is flagged."""
    kept, slips = list(vehicles), []
    while True:
        sample = Sample.of(kept, by)
        p = fitted(sample)
        far = sample.chi_square(p) > SLIP_CHI_SQUARE
        if not far.any():
            return p, tuple(slips)
        slips += [vehicle for vehicle, is_far in zip(kept, far, strict=True) if is_far]
        kept = [vehicle for vehicle, is_far in zip(kept, far, strict=True) if not is_far]


def folds(count: int, parts: int = 10, seed: int = 1) -> np.ndarray:
    """Which fold each vehicle is left out with."""
    return np.random.default_rng(seed).permutation(np.arange(count) % parts)


@cache
def spread_scales() -> np.ndarray:
    """Factors on the spreads of efficiency, of regen and auxiliaries, and of the schedules, shape (4,).

    The tails are heavier than a normal's, and logan shows 90 % intervals: so 90 % of either consumption left out shall
    lie in its interval, and 90 % of each given the other.
    """
    off, slopes = (np.concatenate(parts) for parts in zip(*_left_out(), strict=True))
    p, _ = without_slips(certified_vehicles())

    def miss(scales: tuple[float, float, float]) -> float:
        own = np.exp(p[5:]) * np.array(scales)[[0, 1, 1, 2]]
        spread = np.einsum("nik,k,njk->nij", slopes, own[:3] ** 2, slopes) + own[3] ** 2 * np.eye(2)
        ratios = []
        for one, other in ((0, 1), (1, 0)):
            share = spread[:, 0, 1] / spread[:, other, other]
            ratios.append(off[:, one] / np.sqrt(spread[:, one, one]))
            rest = spread[:, one, one] - share * spread[:, 0, 1]
            ratios.append((off[:, one] - share * off[:, other]) / np.sqrt(rest))
        return float((np.log(np.quantile(np.abs(ratios), 0.90, axis=1) / ndtri(0.95)) ** 2).sum())

    steps = (np.arange(0.60, 1.01, 0.04), np.arange(0.60, 1.21, 0.05), np.arange(0.8, 1.61, 0.1))
    best = min(((e, r, t) for e in steps[0] for r in steps[1] for t in steps[2]), key=miss)
    efficiency, others, schedule = best
    return np.array([efficiency, TRUNCATION * others, others, schedule])


def _left_out(fold: np.ndarray | None = None, by: str = "wheels") -> list[tuple[np.ndarray, np.ndarray]]:
    """Errors in logarithms and derivatives of each fold, by a population that never saw it."""
    vehicles, found = certified_vehicles(), []
    fold = folds(len(vehicles)) if fold is None else fold
    for part in np.unique(fold):
        p, _ = without_slips([v for v, own in zip(vehicles, fold, strict=True) if own != part], by)
        outside = Sample.of([v for v, own in zip(vehicles, fold, strict=True) if own == part], by)
        values, slopes = outside.predicted(p)
        found.append((outside.log_wall - values, slopes))
    return found


def main() -> None:
    """Print the population, its spreads and what was flagged."""
    p, slips = without_slips(certified_vehicles())
    scales = spread_scales()
    own = np.exp(p[5:]) * scales
    print(f"efficiency {np.exp(p[0]):.3f}, spread {own[0]:.3f}; regen {np.exp(p[1]):.3f}, spread {own[1]:.3f}", end="")
    print(f", all wheels driven x {np.exp(p[2]):.3f}")
    print(f"auxiliary {np.exp(p[3]):.0f} W, spread {own[2]:.2f}; each schedule's own {own[3]:.4f}")
    print(f"A and B in UDDS x {1 + p[4]:.3f}; spreads scaled by {np.round(scales, 2)}")
    makers = np.array([vehicle.udds_test[1:4] for vehicle in certified_vehicles()])
    for by in _COVARIATES:
        for name, fold in (("tenths", folds(makers.size)), ("makers", makers)):
            off = 100.0 * np.abs(np.concatenate([part for part, _ in _left_out(fold, by)]))
            (udds, hwfet), (udds_90, hwfet_90) = np.median(off, axis=0), np.quantile(off, 0.9, axis=0)
            print(f"regen by {by or 'nothing':8s}, {name} left out: UDDS {udds:.1f}, 90 % {udds_90:.1f};", end=" ")
            print(f"HWFET {hwfet:.1f}, 90 % {hwfet_90:.1f}")
    chi = Sample.of(slips).chi_square(p)
    for vehicle, far in zip(slips, chi, strict=True):
        print(f"flagged: {vehicle.udds_test} ({vehicle.rated_hp:g} hp, {vehicle.test_weight_lb:g} lb), chi2 {far:.0f}")


if __name__ == "__main__":
    main()
