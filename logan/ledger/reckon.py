"""Reckoning a drive's ledger, and the residual that does not close."""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from logan.drive.braking import Braking, brakings, friction_by_pressure
from logan.drive.drive import UNKNOWN_HEIGHT_SIGMA_M, Drive, PackPower, is_charging_at, pack_power
from logan.drive.logged_loads import AuxiliaryLoad, auxiliary_load
from logan.drive.wheel_work import WheelWork, wheel_work
from logan.ledger.ledger import EnergyLedger, LedgerEntry, LedgerSteps, all_rows
from logan.numerics import cumulative, integrate
from logan.physics.battery import resistance_at_ohm
from logan.physics.powertrain import force_loss_w
from logan.results import Estimate, Figure, Refusal, all_refused
from logan.settings import AnalysisSettings, BuildSettings
from logan.units import JOULES_PER_WATT_HOUR, STANDARD_GRAVITY_M_PER_S2, FloatArray
from logan.wording import basis_words, percent

FORCE_STEP_S = 2.0


def energy_ledger(
    drive: Drive,
    build: BuildSettings,
    settings: AnalysisSettings | None = None,
    *,
    refusals: Mapping[str, Refusal] | None = None,
) -> EnergyLedger:
    """Where the energy of a drive went. Method: measured (5), (7).

    Pack energy is measured; wheel work comes from speed, height and the build's road
    load; drivetrain losses from its efficiencies. What does not add up is the residual.

    Parameters
    ----------
    drive : Drive
        The drive.
    build : BuildSettings
        Planned or fitted parameters.
    settings : AnalysisSettings, optional
        Least coverage.
    refusals : mapping of str to Refusal, optional
        Metrics that a data flag forbids: ``net_energy``.

    Returns
    -------
    EnergyLedger
        Entries, residual, rows and notes.
    """
    power, refusal = pack_power(drive), (refusals or {}).get("net_energy")
    if power is None or refusal is not None:
        missing = Refusal("no pack power is logged", "Map pack_voltage and pack_current, or pack_power")
        return _refused(refusal or missing)
    account = _Account(drive, build, power, wheel_work(drive, build))
    least = (settings or AnalysisSettings()).min_coverage_ratio
    if account.coverage_ratio < least:
        known = percent(account.coverage_ratio)
        reason = f"power is known for {known} of the driving time; {percent(least)} is the least"
        return _refused(Refusal(reason, "Log voltage and current all the way"))
    entries, residual, notes = account.entries()
    steps = account.steps()
    return EnergyLedger(
        entries=entries,
        residual_wh=residual,
        residual_ratio=residual.value * JOULES_PER_WATT_HOUR / account.out_j
        if isinstance(residual, Estimate) and account.out_j > 0.0
        else None,
        notes=notes,
        **({} if steps is None else all_rows(steps, drive)),
    )


def _refused(refusal: Refusal) -> EnergyLedger:
    return all_refused(EnergyLedger, refusal, notes=(refusal.reason,))


class _Spent(NamedTuple):
    """One place where energy went, how much, and its standard uncertainty. [J]"""

    name: str
    joules: float
    sigma_j: float
    basis: str = "modeled"
    coverage_ratio: float | None = None

    @property
    def entry(self) -> LedgerEntry:
        """As the ledger shows it."""
        wh, sigma_wh = self.joules / JOULES_PER_WATT_HOUR, abs(self.sigma_j) / JOULES_PER_WATT_HOUR
        return LedgerEntry(
            name=self.name, energy_wh=Estimate(wh, "Wh", sigma_wh, self.basis, self.coverage_ratio), basis=self.basis
        )


class _Account:
    """Energies of one drive, charging left out; what is not covered is filled at the mean, as in the summary."""

    def __init__(self, drive: Drive, build: BuildSettings, power: PackPower, work: WheelWork | None) -> None:
        self.drive, self.build, self.power, self.work = drive, build, power, work
        charging = is_charging_at(drive, power.time_s)
        self.watts = np.where(charging, np.nan, power.power_w)
        whole = integrate(power.time_s, self.watts, max_gap_s=power.max_gap_s)
        plugged_s = float(np.sum(np.diff(power.time_s)[charging[:-1] & charging[1:]]))
        self.covered_s = whole.covered_s
        wanted_s = max(drive.duration_s - plugged_s, whole.covered_s, 1e-9)
        self.coverage_ratio = whole.covered_s / wanted_s
        self.fill = 1.0 / self.coverage_ratio if self.coverage_ratio > 0.0 else 0.0
        self.out_j, self.in_j = whole.positive * self.fill, -whole.negative * self.fill
        self.auxiliary: AuxiliaryLoad = auxiliary_load(drive, build, power)
        traction = self.watts - self.auxiliary.total_w
        flow = integrate(power.time_s, traction, max_gap_s=power.max_gap_s)
        self.forward_j, self.back_j = flow.positive * self.fill, -flow.negative * self.fill
        self.brakings: tuple[Braking, ...] = () if work is None else brakings(drive, build, work, power, self.auxiliary)
        self.is_fitted = build.basis != "plan"
        self.friction_j = self._friction_j()
        # The regen efficiency that drives teach has the friction in it: told apart, it is not counted twice.
        self.within_regen_j = self.friction_j[0] if self.is_fitted else 0.0

    def _friction_j(self) -> tuple[float, float]:
        """Work of friction brakes and its standard uncertainty. [J]"""
        told = None if self.work is None else friction_by_pressure(self.drive, self.build, self.work, self.brakings)
        if told is not None or self.is_fitted:
            return told or (0.0, 0.0)
        sigma = np.sqrt(sum(one.sigma_j**2 for one in self.brakings if one.friction_j > 0.0))
        return sum(one.friction_j for one in self.brakings), float(sigma)

    def _auxiliaries(self) -> Iterator[_Spent]:
        for name, watts in self.auxiliary.parts_w.items():
            masked = np.where(np.isfinite(self.watts), watts, np.nan)
            joules = integrate(self.power.time_s, masked, max_gap_s=self.power.max_gap_s).total * self.fill
            basis = self.auxiliary.basis[name]
            sigma_j = 0.02 * joules if basis == "measured" else self.auxiliary.sigma_w * self.covered_s
            yield _Spent(name, joules, sigma_j, basis)

    def _wheel_work(self, work: WheelWork) -> list[_Spent]:
        """Causes of wheel work. Method: measured (6)."""
        vehicle = self.build.vehicle
        mass_ratio = vehicle.mass_kg.sigma / vehicle.mass_kg.value
        rolling, air = float(work.rolling_j.sum()), float(work.air_j.sum())
        kinetic, hills = float(work.kinetic_j.sum()), float(work.hills_j.sum())
        rolling_ratio = np.hypot(vehicle.rolling_coefficient.sigma / vehicle.rolling_coefficient.value, mass_ratio)
        air_ratio = vehicle.drag_area_m2.sigma / vehicle.drag_area_m2.value
        basis = "level road assumed" if work.height_sigma_m is None else "modeled"
        height_m = work.height_sigma_m or UNKNOWN_HEIGHT_SIGMA_M
        height_j = work.mass_kg * STANDARD_GRAVITY_M_PER_S2 * height_m * np.sqrt(2.0)
        friction, friction_sigma = self.friction_j
        return [
            _Spent("rolling", rolling, float(rolling_ratio) * rolling),
            _Spent("air", air, air_ratio * air),
            _Spent("hills", hills, float(np.hypot(mass_ratio * hills, height_j)), basis),
            _Spent("kinetic", kinetic, mass_ratio * abs(kinetic)),
            _Spent("friction brakes", friction, friction_sigma),
        ]

    def entries(self) -> tuple[tuple[LedgerEntry, ...], Figure, tuple[str, ...]]:
        """All entries, the residual, and the notes."""
        gain, net_j = self.build.instruments.power_gain_sigma_ratio, self.out_j - self.in_j
        pack = [
            _Spent("pack out", self.out_j, gain * self.out_j, "measured"),
            _Spent("pack in", self.in_j, gain * self.in_j, "measured"),
        ]
        notes = (f"wheel work and losses by {basis_words(self.build.basis)}", *self.auxiliary.notes)
        if (loss := self._pack_resistance()) is not None:
            pack.append(loss)
            notes += ("pack resistance is lost before the terminals: it is not part of the closure",)
        auxiliaries = list(self._auxiliaries())
        left_j = net_j - sum(one.joules for one in auxiliaries)
        if self.work is None:
            rest = _Spent("drivetrain", left_j, gain * self.out_j, "remainder")
            refusal = Refusal("no speed is logged, so wheel work is not known", "Map speed or gnss_speed")
            return _entries(*pack, *auxiliaries, rest), refusal, (*notes, refusal.reason)
        spent = [*self._wheel_work(self.work), self._drivetrain(self.work)]
        left_j -= sum(one.joules for one in spent)
        sigmas_j = (gain * net_j, self.auxiliary.sigma_w * self.covered_s, *(one.sigma_j for one in spent))
        sigma_j = float(np.sqrt(np.sum(np.square(sigmas_j))))
        left = _Spent("residual", left_j, sigma_j, "remainder", self.coverage_ratio)
        return _entries(*pack, *spent, *auxiliaries, left), left.entry.energy_wh, (*notes, *self.work.notes)

    def _drivetrain(self, work: WheelWork) -> _Spent:
        """What the pack gave beyond the wheels, the wheels beyond the pack, and the driveline took."""
        train = self.build.powertrain
        drive, regen = train.drive_efficiency, train.regen_efficiency
        back = 1.0 / regen.value
        fixed = self._fixed_losses_j(work)
        loss = fixed + (1.0 - drive.value) * max(self.forward_j - fixed, 0.0) + (back - 1.0) * self.back_j
        loss += float(work.driveline_j.sum())
        sigma = np.hypot(drive.sigma * self.forward_j, regen.sigma * back**2 * self.back_j)
        return _Spent("drivetrain", loss - self.within_regen_j, float(sigma))

    def _fixed_losses_j(self, work: WheelWork) -> float:
        """Losses that go with time and with the square of wheel force, where drives taught them. [J]"""
        train = self.build.powertrain
        # Over steps of the fit's own length, hills over longer ones: noise of speed and height would stand squared.
        grid_s = np.arange(work.time_s[0], work.time_s[-1], FORCE_STEP_S)
        level = np.interp(grid_s, work.time_s[1:], np.cumsum(work.total_j - work.hills_j))
        work_j = np.diff(level + np.interp(grid_s, work.time_s, work.climbed_j))
        distance_m = np.diff(np.interp(grid_s, work.time_s[1:], np.cumsum(work.distance_m)))
        moving = distance_m > 0.3 * FORCE_STEP_S
        force_n = work_j[moving] / distance_m[moving]
        watts = force_loss_w(force_n, train.constant_loss_w.value, train.copper_loss_w_per_n2.value)
        return float(np.sum(watts)) * FORCE_STEP_S

    def _pack_resistance(self) -> _Spent | None:
        current = self.drive.get("pack_current")
        if current is None:
            return None
        cells = self.drive.get("pack_temperature") or self.drive.get("cell_temperature_min")
        pack = self.build.pack
        known = np.zeros(0) if cells is None else cells.value[np.isfinite(cells.value)]
        degc = float(known.mean()) if known.size else 25.0
        ohm = float(resistance_at_ohm(pack.resistance_ohm.value, degc, pack.resistance_activation_j_per_mol))
        charging = is_charging_at(self.drive, current.time_s)
        square = np.where(charging, np.nan, current.value**2)
        joules = ohm * integrate(current.time_s, square, max_gap_s=current.max_gap_s).total * self.fill
        ratio = pack.resistance_ohm.sigma / pack.resistance_ohm.value
        return _Spent("pack resistance", joules, ratio * joules)

    def steps(self) -> LedgerSteps | None:
        """Pack and auxiliary energy on the steps of the wheel work."""
        work = self.work
        if work is None:
            return None
        time_s, gap_s = self.power.time_s, self.power.max_gap_s
        watts = np.nan_to_num(self.watts)
        auxiliary = np.where(np.isfinite(self.watts), self.auxiliary.total_w, 0.0)

        def per_step(signal: FloatArray) -> FloatArray:
            running = cumulative(time_s, signal, max_gap_s=gap_s)
            return np.diff(np.interp(work.time_s, time_s, running))

        return LedgerSteps(
            work=work,
            step_s=np.diff(work.time_s),
            pack_out_j=per_step(np.maximum(watts, 0.0)),
            pack_in_j=per_step(np.maximum(-watts, 0.0)),
            auxiliary_j=per_step(auxiliary),
        )


def _entries(*spent: _Spent) -> tuple[LedgerEntry, ...]:
    return tuple(one.entry for one in spent)
