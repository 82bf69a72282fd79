"""Regeneration in the eight definitions in use, stop by stop, and what limits it."""

from collections.abc import Callable, Mapping
from typing import ClassVar, Final

import numpy as np

from logan.drive.braking import Braking, Generator, Held, brakings, friction_by_pressure, is_known_apart
from logan.drive.drive import CELL_TEMPERATURES, Channel, Drive, is_charging_at, pack_power
from logan.drive.logged_loads import auxiliary_load
from logan.drive.wheel_work import WheelWork, wheel_work
from logan.metrics.energy import EnergySummary
from logan.metrics.error_budget import unchecked_sigma_ratio
from logan.metrics.metric import Metric
from logan.results import Estimate, Figure, Refusal, all_refused, result
from logan.settings import BuildSettings
from logan.units import JOULES_PER_WATT_HOUR
from logan.units.sentences import measure
from logan.wording import basis_words

DEFINITIONS: Final = (
    (1, "share regenerated", "energy into the pack over energy out of it"),
    (2, "contribution", "energy into the pack over net energy"),
    (3, "recovery of braking energy", "energy into the pack over braking work at the wheels"),
    (
        4,
        "recovery over stops",
        "energy into the pack over kinetic and height energy of full stops, less rolling and air",
    ),
    (5, "drivetrain regen efficiency", "energy from the motor over braking work, friction brakes unused"),
    (6, "round trip", "drive efficiency times regen efficiency: what regen is worth at the wheels"),
    (7, "change of consumption", "consumption with regen off less that with regen on, same loop"),
    (8, "capped share", "braking work lost while a regen limit was reached, over all braking work"),
)
"""The eight definitions in use; a bare "regen percentage" means nothing."""

PRINTED: Final = 1
NO_SPEED: Final = Refusal("no speed is logged", "Map speed or gnss_speed")
STOPPED_M_PER_S: Final = 2.0
STOP_FROM_M_PER_S: Final = 8.0


@result("regen-figure/1")
class RegenFigure:
    """Regeneration by one named definition.

    Parameters
    ----------
    number : int
        1 to 8.
    name, meaning : str
        What it is called, and what is divided by what.
    value : Figure
        The figure, or why it is not given.
    """

    number: int
    name: str
    meaning: str
    value: Figure


@result("regen-stop/1")
class RegenStop:
    """One braking from a speed down to a lower one.

    Parameters
    ----------
    start_s, end_s : float
        When. [s]
    start_speed_m_per_s, end_speed_m_per_s : float
        From which speed to which.
    kinetic_wh : float
        Kinetic energy given up. [Wh]
    braking_wh : float or None
        Of it and of the height given up, what rolling and air did not take: braking work at the wheels. [Wh]
    recovered_wh : float
        Put into the pack. [Wh]
    friction_wh, capped_wh : float or None
        Braking work that the motor did not take; of it, while a regen limit was reached. [Wh]
    recovery_ratio : float or None
        Recovered over braking work.
    state_of_charge_ratio, cell_temperature_degc : float or None
        At the start.
    limited_by : str
        Channel of the limit that was reached; empty where none was seen.
    """

    start_s: float
    end_s: float
    start_speed_m_per_s: float
    end_speed_m_per_s: float
    kinetic_wh: float
    braking_wh: float | None
    recovered_wh: float
    friction_wh: float | None
    capped_wh: float | None
    recovery_ratio: float | None
    state_of_charge_ratio: float | None
    cell_temperature_degc: float | None
    limited_by: str


@result("regen-bin/1")
class RegenBin:
    """Recovery of braking energy in one band of a quantity."""

    low: float
    high: float
    stop_count: int
    braking_wh: float
    recovered_wh: float
    recovery_ratio: float


@result("regen-summary/1")
class RegenSummary:
    """Regeneration over one drive.

    Parameters
    ----------
    figures : tuple of RegenFigure
        All eight definitions, in order.
    printed : int
        Number of the one that is printed where only one is.
    stops : tuple of RegenStop
        Every braking found.
    friction_wh, capped_wh : Figure
        Lost to friction brakes in all; of it, while a regen limit was reached. [Wh]
    by_state_of_charge, by_cell_temperature : tuple of RegenBin
        Recovery against state of charge [ratio] and cell temperature [degC].
    basis : str
        Where the vehicle that braking work rests on comes from: the plan, or the fit of so many drives.
    """

    derived: ClassVar[tuple[str, ...]] = ("basis_told",)

    figures: tuple[RegenFigure, ...]
    printed: int
    stops: tuple[RegenStop, ...]
    friction_wh: Figure
    capped_wh: Figure
    by_state_of_charge: tuple[RegenBin, ...]
    by_cell_temperature: tuple[RegenBin, ...]
    basis: str = "plan"

    @property
    def basis_told(self) -> str:
        """The basis as it stands beside figures, with what to do where it is the plan."""
        return basis_words(self.basis)


def regen_summary(
    drive: Drive, build: BuildSettings, energy: EnergySummary, *, refusals: Mapping[str, Refusal] | None = None
) -> RegenSummary:
    """Regeneration of a drive in all eight definitions, with its stops. Method: measured (8).

    Parameters
    ----------
    drive, build : Drive, BuildSettings
        The drive, and the mass, road load and efficiencies that braking work rests on.
    energy : EnergySummary
        Of the same drive.
    refusals : mapping of str to Refusal, optional
        Uses that the drive is not admitted to: ``regen``; ``distance`` for what rests on the speed.

    Returns
    -------
    RegenSummary
        Figures, stops, losses and bands.
    """
    power = pack_power(drive)
    refusal = (refusals or {}).get("regen") or (energy.net_wh if isinstance(energy.net_wh, Refusal) else None)
    if refusal is not None or power is None:
        return _all_refused(refusal or Refusal("no pack power is logged", "Map pack_voltage and pack_current"), build)
    work = wheel_work(drive, build)
    found: tuple[Braking, ...] = ()
    missing: Refusal | None = (refusals or {}).get("distance", NO_SPEED)
    if work is not None:
        auxiliary = auxiliary_load(drive, build, power)
        all_found = brakings(drive, build, work, power, auxiliary)
        middles = np.array([0.5 * (one.start_s + one.end_s) for one in all_found])
        plugged = is_charging_at(drive, middles) if middles.size else np.zeros(0, dtype=bool)
        found = tuple(one for one, charging in zip(all_found, plugged, strict=True) if not charging)
        missing = None if found else Refusal("no braking was found", "Brake from speed a few times")
    state, cells = drive.get("state_of_charge"), drive.first_of(*CELL_TEMPERATURES)
    stops = tuple(_stop(one, state, cells) for one in found)
    has_height = work is not None and work.height_sigma_m is not None
    no_limit = _no_limit(drive, build)
    gain_ratio = float(
        np.hypot(build.instruments.power_gain_sigma_ratio, unchecked_sigma_ratio(drive, build, "current"))
    )
    return RegenSummary(
        figures=tuple(
            RegenFigure(number=number, name=name, meaning=meaning, value=value)
            for (number, name, meaning), value in zip(
                DEFINITIONS,
                _values(energy, found, build, missing, no_limit, has_height=has_height, gain_ratio=gain_ratio),
                strict=True,
            )
        ),
        printed=PRINTED,
        stops=stops,
        friction_wh=_friction(drive, build, work, found, missing),
        capped_wh=_capped(build, found, no_limit or missing),
        by_state_of_charge=_bands(stops, lambda stop: stop.state_of_charge_ratio, 0.1),
        by_cell_temperature=_bands(stops, lambda stop: stop.cell_temperature_degc, 5.0),
        basis=build.basis,
    )


def _all_refused(refusal: Refusal, build: BuildSettings) -> RegenSummary:
    figures = tuple(RegenFigure(number=n, name=name, meaning=text, value=refusal) for n, name, text in DEFINITIONS)
    return all_refused(RegenSummary, refusal, figures=figures, printed=PRINTED, basis=build.basis)


def _values(
    energy: EnergySummary,
    found: tuple[Braking, ...],
    build: BuildSettings,
    missing: Refusal | None,
    no_limit: Refusal | None,
    *,
    has_height: bool,
    gain_ratio: float,
) -> tuple[Figure, ...]:
    stops = tuple(
        one for one in found if one.end_speed_m_per_s < STOPPED_M_PER_S and one.start_speed_m_per_s > STOP_FROM_M_PER_S
    )
    free = tuple(one for one in found if one.brake_pressed is False and one.braking_j > 18_000.0)
    no_stops, no_free = missing, missing
    if missing is None and not stops:
        no_stops = Refusal(f"no full stop from more than {measure(8, 'm/s')} was found", "Brake to a stop")
    if missing is None and all(one.brake_pressed is None for one in found):
        no_free = Refusal("the brake pedal is not logged", "Log the brake switch or brake pressure")
    elif missing is None and not free:
        no_free = Refusal("no braking without the brake pedal was found", "Slow down on regen alone a few times")
    elif missing is None and sum(one.into_motor_j for one in free) <= 0.0:
        nothing = "nothing came back in braking without the brake pedal"
        no_free = Refusal(nothing, "Check current and speed side by side")
    efficiency = _ratio(build, free, lambda one: one.into_motor_j, no_free, has_height=has_height)
    return (
        _shares(energy, gain_ratio, net=False),
        _shares(energy, gain_ratio, net=True),
        _ratio(build, found, lambda one: one.into_pack_j, missing, has_height=has_height),
        _ratio(build, stops, lambda one: one.into_pack_j, no_stops, has_height=has_height),
        efficiency,
        _round_trip(build, efficiency),
        Refusal(
            "it needs the same loop driven with regen off",
            "Drive one loop twice, once with regen off, and run: logan compare A B",
        ),
        _capped_share(build, found, no_limit or missing),
    )


def _shares(energy: EnergySummary, gain_ratio: float, *, net: bool) -> Figure:
    gross, regen, whole = energy.gross_wh, energy.regenerated_wh, energy.net_wh
    if isinstance(gross, Refusal) or isinstance(regen, Refusal) or isinstance(whole, Refusal):
        return next(figure for figure in (regen, gross, whole) if isinstance(figure, Refusal))
    base = whole.value if net else gross.value
    if base <= 0.0 or (net and base < 0.05 * gross.value):
        return Refusal("the drive took no net energy: it went downhill", "Use another definition")
    value = regen.value / base
    # Gain cancels in a ratio; what is left is sampling and offset.
    left = np.sqrt(max(regen.spread**2 - (gain_ratio * regen.value) ** 2, 0.0))
    slope = 1.0 if not net else gross.value / base
    return Estimate(value, "ratio", float(slope * left / base), "measured", regen.coverage_ratio)


_NO_WORK: Final = Refusal("the braking work comes out below zero", "Check weight, road load and height")


def _ratio(
    build: BuildSettings,
    found: tuple[Braking, ...],
    part: Callable[[Braking], float],
    refusal: Refusal | None,
    *,
    has_height: bool,
) -> Figure:
    """Sum of a part over the braking work of the same brakings."""
    if refusal is not None:
        return refusal
    braking_j = sum(one.braking_j for one in found)
    if braking_j <= 0.0:
        return _NO_WORK
    value = sum(part(one) for one in found) / braking_j
    sigma = value * _sigma_j(build, found) / braking_j
    if value - 2.0 * sigma > 1.0:
        reason = f"{value:.2f} came back of what the wheels gave up, which cannot be"
        return Refusal(reason, "Check weight, road load, height and the gain of the current sensor")
    source = "measured over modeled" if has_height else "measured over modeled, road taken as level"
    return Estimate(value, "ratio", sigma, source)


def _road_ratio(build: BuildSettings) -> float:
    """Standard uncertainty of rolling and air together, as a share of them: they seldom err alike."""
    vehicle = build.vehicle
    rolling, air = (one.sigma / one.value for one in (vehicle.rolling_coefficient, vehicle.drag_area_m2))
    return 0.5 * float(np.hypot(rolling, air))


def _sigma_j(build: BuildSettings, found: tuple[Braking, ...]) -> float:
    """One standard uncertainty of the braking work of several brakings together. [J] Method: measured (9)."""
    # Mass and road load err alike in every braking, so their parts add up in full.
    kinetic_j = 0.03 * sum(one.kinetic_j for one in found)
    resisted_j = _road_ratio(build) * sum(one.resisted_j for one in found)
    single_j = float(np.sqrt(sum(one.sigma_j**2 for one in found)))
    return float(np.sqrt(kinetic_j**2 + resisted_j**2 + single_j**2))


def _round_trip(build: BuildSettings, efficiency: Figure) -> Figure:
    forward, planned = build.powertrain.drive_efficiency, build.powertrain.regen_efficiency
    back, sigma, source = planned.value, planned.sigma, "both efficiencies of the build"
    if isinstance(efficiency, Estimate):
        back, sigma, source = efficiency.value, efficiency.spread, "drive efficiency of the build, regen measured"
    spread = float(np.hypot(forward.sigma * back, forward.value * sigma))
    return Estimate(forward.value * back, "ratio", spread, source)


def _capped(build: BuildSettings, found: tuple[Braking, ...], refusal: Refusal | None) -> Figure:
    """End-point balance over the stretches at the limit; a small remainder, whose sigma is that of its large terms.

    Method: measured (12).
    """
    if refusal is not None:
        return refusal
    limited, generator = Held.sum_of(one.limited for one in found), Generator.of(build)
    vehicle = build.vehicle
    mass = vehicle.mass_kg.sigma / vehicle.mass_kg.value
    shared = (generator.sigma_j(limited), mass * limited.kinetic_j, _road_ratio(build) * limited.resisted_j)
    sigma_j = float(np.sqrt(limited.noise_j2 + sum(part**2 for part in shared)))
    value_j = max(limited.braking_j - generator.taken_j(limited), 0.0)
    return Estimate(
        value_j / JOULES_PER_WATT_HOUR, "Wh", sigma_j / JOULES_PER_WATT_HOUR, "balance at the limit, at the wheels"
    )


def _capped_share(build: BuildSettings, found: tuple[Braking, ...], refusal: Refusal | None) -> Figure:
    capped, braking_wh = _capped(build, found, refusal), sum(one.braking_j for one in found) / JOULES_PER_WATT_HOUR
    if isinstance(capped, Refusal):
        return capped
    if braking_wh <= 0.0:
        return _NO_WORK
    share, ratio = capped.value / braking_wh, _sigma_j(build, found) / JOULES_PER_WATT_HOUR / braking_wh
    sigma = float(np.hypot(capped.spread / braking_wh, share * ratio))
    return Estimate(share, "ratio", sigma, capped.source)


def _friction(
    drive: Drive, build: BuildSettings, work: WheelWork | None, found: tuple[Braking, ...], missing: Refusal | None
) -> Figure:
    """What friction brakes took: by their pressure; else only where regen's efficiency was measured apart.

    Method: measured (10), (11).
    """
    if missing is not None or work is None:
        return missing or NO_SPEED
    told = friction_by_pressure(drive, build, work, found)
    if told is not None:
        value, sigma = (joules / JOULES_PER_WATT_HOUR for joules in told)
        return Estimate(value, "Wh", sigma, "by brake pressure, at the wheels")
    if is_known_apart(build):
        value = sum(one.friction_j for one in found) / JOULES_PER_WATT_HOUR
        # Where the pedal is not logged, every braking may hide some friction.
        touched = tuple(one for one in found if one.friction_j > 0.0 or one.brake_pressed is None)
        return Estimate(value, "Wh", _sigma_j(build, touched) / JOULES_PER_WATT_HOUR, "modeled, at the wheels")
    generator = Generator.of(build)
    rest_j = np.array([one.braking_j - generator.taken_j(one) for one in found])
    most_wh = (float(np.maximum(rest_j, 0.0).sum()) + 1.645 * _sigma_j(build, found)) / JOULES_PER_WATT_HOUR
    reason = f"friction can't be told from regen efficiency without brake pressure; at most {most_wh:.0f} Wh"
    return Refusal(reason, "Log the brake pressure")


def _no_limit(drive: Drive, build: BuildSettings) -> Refusal | None:
    limits = ("charge_current_limit", "charge_power_limit", "regen_torque_limit")
    if any(name in drive for name in limits) or build.powertrain.regen_power_limit_w is not None:
        return None
    return Refusal("no regen limit is logged or given", "Log charge_current_limit, or give regen_power_limit")


def _stop(one: Braking, state: Channel | None, cells: Channel | None) -> RegenStop:
    wh = 1.0 / JOULES_PER_WATT_HOUR

    def value(channel: Channel | None) -> float | None:
        return None if channel is None else channel.value_at(one.start_s, max_gap_s=60.0)

    braking_j = one.braking_j
    return RegenStop(
        start_s=one.start_s,
        end_s=one.end_s,
        start_speed_m_per_s=one.start_speed_m_per_s,
        end_speed_m_per_s=one.end_speed_m_per_s,
        **{f"{name}_wh": getattr(one, f"{name}_j") * wh for name in ("kinetic", "friction", "capped")},
        braking_wh=braking_j * wh if braking_j > 0.0 else None,
        recovered_wh=one.into_pack_j * wh,
        recovery_ratio=one.into_pack_j / braking_j if braking_j > 2.0 * one.sigma_j else None,
        state_of_charge_ratio=value(state),
        cell_temperature_degc=value(cells),
        limited_by=one.limited_by,
    )


def _bands(
    stops: tuple[RegenStop, ...], quantity: Callable[[RegenStop], float | None], width: float
) -> tuple[RegenBin, ...]:
    groups: dict[int, list[RegenStop]] = {}
    for stop in stops:
        value = quantity(stop)
        if value is not None and stop.braking_wh is not None:
            groups.setdefault(int(np.floor(value / width)), []).append(stop)
    return tuple(
        RegenBin(
            low=index * width,
            high=(index + 1) * width,
            stop_count=len(group),
            braking_wh=braking,
            recovered_wh=(recovered := sum(stop.recovered_wh for stop in group)),
            recovery_ratio=recovered / braking,
        )
        for index, group in sorted(groups.items())
        if (braking := sum(stop.braking_wh or 0.0 for stop in group)) > 0.0
    )


_LISTED: Final = {1: "share", 3: "recovery", 4: "stop_recovery", 8: "capped"}
METRIC: Final = Metric(
    "regen",
    RegenSummary,
    lambda asked: regen_summary(asked.drive, asked.build, asked.results["energy"], refusals=asked.refusals),
    lambda found: {
        "friction_brakes_wh": found.friction_wh,
        **{f"regen_{_LISTED[one.number]}_ratio": one.value for one in found.figures if one.number in _LISTED},
    },
    {"friction_brakes": "consumption", "regen_share": "regen", "regen_": "consumption"},
)
