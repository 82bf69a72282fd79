"""Usable energy as drives and charges show it: evidence on the pack and on the sensors that counted it, at once.

What a drive counts is E = U e^(gain of current and voltage), and the zero of the current adds its own share: so a
counted energy says something of the sum of usable energy and gain, and never of one of them alone. A range worked
out from it with the same sensor's consumption is therefore sure of the gain, and not of the zero.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from logan.analysis import DriveAnalysis
from logan.driving_range.usable_energy import UsableEnergy, usable_energy_of
from logan.instruments.evidence import CURRENT_GAIN, CURRENT_ZERO, USABLE, VOLTAGE_GAIN, InstrumentEvidence
from logan.instruments.readings import LOAD_SIGMA_RATIO
from logan.model.pack_heat import nominal_open_circuit_voltage_v
from logan.results import Estimate
from logan.settings import BuildSettings

GAUGE_SIGMA_RATIO: Final = 0.015
"""Error of the state-of-charge gauge that all drives share, so that many drives do not average it away."""

CHARGER_EFFICIENCY: Final = (0.90, 0.03)
"""Pack energy over wall energy of an on-board charger (common practice: 0.85 to 0.95)."""

_SENSOR_PARTS: Final = ("gain", "offset")
"""Parts of a drive's own budget that stand here as unknowns."""


def usable_evidence(
    analysis: DriveAnalysis, build: BuildSettings, cell_temperature_degc: float | None, source: str
) -> tuple[InstrumentEvidence, ...]:
    """What one drive or charge says on usable energy and on the sensors together.

    Parameters
    ----------
    analysis : DriveAnalysis
        Of the drive.
    build : BuildSettings
        The planned energy, and its loss in the cold.
    cell_temperature_degc : float or None
        Mean of the drive; None where not logged. [degC]
    source : str
        How the drive is called.

    Returns
    -------
    tuple of InstrumentEvidence
        Nothing where the state of charge only repeats the counted current, or was refused.
    """
    found = _from_gauge(analysis, build, cell_temperature_degc, source)
    return (*([] if found is None else [found]), *_from_charges(analysis, source))


def _from_gauge(
    analysis: DriveAnalysis, build: BuildSettings, cell_temperature_degc: float | None, source: str
) -> InstrumentEvidence | None:
    usable, net = analysis.pack.usable, analysis.energy.net_wh
    window = usable.window_energy_wh
    if usable.is_circular or not isinstance(window, Estimate) or not isinstance(net, Estimate):
        return None
    if not window.sigma or window.value <= 0 or net.value <= 0:
        return None
    planned = usable_energy_of(build)
    share, cold_sigma = _cold_share(planned, 25.0 if cell_temperature_degc is None else cell_temperature_degc)
    sensors_wh = float(np.hypot.reduce([p.sigma_wh for p in analysis.energy.budget if p.name in _SENSOR_PARTS]))
    own = (window.sigma / window.value) ** 2 - (sensors_wh / net.value) ** 2
    hours = analysis.energy.duration_s / 3600.0
    return InstrumentEvidence(
        name="state of charge against counted energy",
        source=source,
        weights={
            USABLE: 1.0,
            CURRENT_GAIN: 1.0,
            VOLTAGE_GAIN: 1.0,
            CURRENT_ZERO: nominal_open_circuit_voltage_v(build) * hours / net.value,
        },
        value=float(np.log(window.value / share / planned.energy_wh)),
        sigma=float(np.sqrt(max(own, 0.0) + cold_sigma**2 + LOAD_SIGMA_RATIO**2)),
        shared_sigma=GAUGE_SIGMA_RATIO,
        shared_by="state-of-charge gauge",
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
            weights={CURRENT_GAIN: 1.0, VOLTAGE_GAIN: 1.0},
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
