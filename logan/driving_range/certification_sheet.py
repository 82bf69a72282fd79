"""UDDS and HWFET as a certification would find them: at the pack, at the wall, MPGe and range; plan method, 4.

What a buyer compares. Coefficients of a coastdown are simulated by the dynamometer as they are, so they carry no
doubt here; on the road they do, and every scenario takes them as raised.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logan.driving_range.prediction import EFFICIENCY_COLUMNS, MOST_EFFICIENCY_RATIO
from logan.driving_range.usable_energy import UsableEnergy
from logan.model.certified import COOL_TIRE_FACTOR, SCHEDULE_LOG_SIGMA, charging_log_sigma, charging_samples
from logan.model.forward import consumption_wh_per_km
from logan.model.parameters import Conditions
from logan.model.priors import prior_of
from logan.model.schedule import Schedule
from logan.physics.certification import (
    LABEL_ADJUSTMENT_RATIO,
    combined_consumption,
    miles_per_gallon_equivalent,
    multi_cycle_result,
)
from logan.results import Quantiles, result
from logan.settings import BuildSettings
from logan.units import US_ROAD_LOAD_PRESSURE_PA, US_ROAD_LOAD_TEMPERATURE_DEGC, FloatArray
from logan.units.quantities import parse_quantity
from logan.units.sentences import measure

SCHEDULES: Final = ("udds", "hwfet")
"""Urban and highway schedule, by the name of their cycle."""

_SAMPLES: Final = 4_000
_URBAN_RUNS: Final = 4
_HIGHWAY_RUNS: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleFigures:
    """One schedule, or both combined.

    Parameters
    ----------
    name : str
        "udds", "hwfet" or "combined".
    pack, wall : Quantiles
        Net consumption at the pack terminals and at the wall. [Wh/km]
    mpge : Quantiles
        Miles per gallon equivalent at the wall. [mi/gal]
    range_m : Quantiles
        Unadjusted. [m]
    """

    name: str
    pack: Quantiles
    wall: Quantiles
    mpge: Quantiles
    range_m: Quantiles


@result("certification-sheet/1")
class CertificationSheet:
    """The schedules of a certification, with the intervals that vehicles left out of the priors bear out.

    Parameters
    ----------
    schedules : tuple of ScheduleFigures
        UDDS, HWFET, and both combined 55/45.
    label_range_m : Quantiles
        Combined range times the label's default adjustment. [m]
    recharge_ratio : Quantiles
        Energy from the wall over energy from the pack. [ratio]
    known : tuple of str
        Schedules whose consumption at the wall was given; the others are learned from it.
    """

    schedules: tuple[ScheduleFigures, ...]
    label_range_m: Quantiles
    recharge_ratio: Quantiles
    known: tuple[str, ...]

    def schedule(self, name: str) -> ScheduleFigures:
        """Return one schedule by name; raises KeyError where there is none."""
        return {figures.name: figures for figures in self.schedules}[name]


def certification_sheet(
    build: BuildSettings,
    schedules: Mapping[str, Schedule],
    *,
    usable: UsableEnergy,
    rng: np.random.Generator,
    known_wall_wh_per_km: Mapping[str, float] | None = None,
    samples: int = _SAMPLES,
) -> CertificationSheet:
    """Predict what a certification would find for a build by its plan. Method: plan (3), (9).

    Parameters
    ----------
    build : BuildSettings
        The build; its weight is the test weight.
    schedules : mapping of str to Schedule
        The two of ``SCHEDULES``.
    usable : UsableEnergy
        What the pack gives.
    rng : numpy.random.Generator
        Source of the samples.
    known_wall_wh_per_km : mapping of str to float, optional
        Schedules whose consumption at the wall was measured; the other is learned from them. [Wh/km]
    samples : int
        Number of samples.

    Returns
    -------
    CertificationSheet
        At 20 degC and 98.21 kPa, heater and air conditioning off, cells at 25 degC.
    """
    tested = _on_the_dynamometer(build)
    parameters = prior_of(tested).sample(samples, rng)
    parameters[:, EFFICIENCY_COLUMNS] = np.minimum(parameters[:, EFFICIENCY_COLUMNS], MOST_EFFICIENCY_RATIO)
    chain = (build.pack.charging_efficiency, build.powertrain.drive_efficiency)
    noise = rng.standard_normal((4, samples))
    charging = charging_samples(*chain, parameters[:, EFFICIENCY_COLUMNS[0]]) * np.exp(
        charging_log_sigma(*chain) * noise[0]
    )
    charging = np.minimum(charging, MOST_EFFICIENCY_RATIO)
    logs = [np.log(charging)]
    for index, name in enumerate(SCHEDULES):
        taken = consumption_wh_per_km(schedules[name], _conditions(name), parameters, tested)
        logs.append(np.log(taken / charging) + SCHEDULE_LOG_SIGMA * noise[1 + index])
    known = {name: value for name, value in (known_wall_wh_per_km or {}).items() if name in SCHEDULES}
    learned = np.exp(_learned(np.stack(logs), {1 + SCHEDULES.index(name): value for name, value in known.items()}))
    usable_wh = usable.energy_wh * np.exp(usable.log_sigma * noise[3])
    return _sheet(learned[0], learned[1:], schedules, usable_wh, tuple(known))


def _learned(logs: FloatArray, known: Mapping[int, float]) -> FloatArray:
    """Move samples to what is known: each row by its regression on the known one. Method: plan (14)."""
    for row, value in known.items():
        spread = np.cov(logs)
        gain = spread[:, row] / spread[row, row]
        logs = logs + gain[:, None] * (np.log(value) - logs[row])
    return logs


def _sheet(
    charging: FloatArray,
    wall: FloatArray,
    schedules: Mapping[str, Schedule],
    usable_wh: FloatArray,
    known: tuple[str, ...],
) -> CertificationSheet:
    pack = wall * charging
    miles = [float(schedules[name].step_distance_m.sum()) for name in SCHEDULES]
    energies = [taken / 1000.0 * distance for taken, distance in zip(pack, miles, strict=True)]
    found = multi_cycle_result(
        usable_energy_wh=usable_wh,
        recharge_energy_wh=usable_wh / charging,
        urban_energies_wh=[energies[0]] * _URBAN_RUNS,
        urban_distances_m=[miles[0]] * _URBAN_RUNS,
        highway_energies_wh=[energies[1]] * _HIGHWAY_RUNS,
        highway_distances_m=[miles[1]] * _HIGHWAY_RUNS,
    )
    combined = (found.urban_wh_per_m, found.highway_wh_per_m), (found.urban_ac_wh_per_m, found.highway_ac_wh_per_m)
    rows = (
        ("udds", found.urban_wh_per_m, found.urban_ac_wh_per_m, found.urban_range_m),
        ("hwfet", found.highway_wh_per_m, found.highway_ac_wh_per_m, found.highway_range_m),
        ("combined", *(combined_consumption(*pair) for pair in combined), found.combined_range_m),
    )
    return CertificationSheet(
        schedules=tuple(
            ScheduleFigures(
                name=name,
                pack=Quantiles.of_samples(1000.0 * at_pack, "Wh/km"),
                wall=Quantiles.of_samples(1000.0 * at_wall, "Wh/km"),
                mpge=Quantiles.of_samples(miles_per_gallon_equivalent(at_wall), "mi/gal"),
                range_m=Quantiles.of_samples(reach, "m"),
            )
            for name, at_pack, at_wall, reach in rows
        ),
        label_range_m=Quantiles.of_samples(LABEL_ADJUSTMENT_RATIO * found.combined_range_m, "m"),
        recharge_ratio=Quantiles.of_samples(found.recharge_ratio, "ratio"),
        known=known,
    )


def _conditions(name: str) -> Conditions:
    return Conditions(
        ambient_temperature_degc=US_ROAD_LOAD_TEMPERATURE_DEGC,
        pressure_pa=US_ROAD_LOAD_PRESSURE_PA,
        rolling_factor=COOL_TIRE_FACTOR if name == "udds" else 1.0,
        cabin_climate=False,
        pack_temperature_degc=25.0,
    )


def _on_the_dynamometer(build: BuildSettings) -> BuildSettings:
    """Take coefficients as exact and unraised; anything else as on the road."""
    if "coefficients A, B, C" not in build.vehicle.drag_area_m2.source:
        return build
    vehicle = build.vehicle
    names = ("drag_area_m2", "rolling_coefficient", "linear_road_load_n_s_per_m")
    exact = {name: replace(getattr(vehicle, name), sigma=0.0, source="set on the dynamometer") for name in names}
    return replace(build, vehicle=replace(vehicle, **exact))


def read_known(text: str) -> tuple[str, float]:
    """Read ``udds=350 Wh/mi`` or ``hwfet=117 MPGe`` as a schedule and its consumption at the wall [Wh/km].

    Raises
    ------
    ValueError
        In words for the user.
    """
    name, _, value = (part.strip() for part in text.partition("="))
    example = "udds=350 Wh/mi or hwfet=117 MPGe, at the wall"
    if name.lower() not in SCHEDULES:
        raise ValueError(f"cannot read '{text}'; write {example}")
    is_mpge = value.lower().endswith("mpge")
    if is_mpge:
        # Wh/m from MPGe is the same division as MPGe from Wh/m.
        mpge = parse_quantity(value[: -len("mpge")], "", "117").value
        taken = 1000.0 * float(miles_per_gallon_equivalent(mpge)) if mpge > 0 else 0.0
    else:
        taken = parse_quantity(value, "Wh/km", "350 Wh/mi").value
    if not 20.0 <= taken <= 2_000.0:
        raise ValueError(f"'{text}' is {measure(taken, 'Wh/km')}, expected 20 to 2000; write {example}")
    return name.lower(), taken
