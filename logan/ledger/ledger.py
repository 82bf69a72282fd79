"""Where the energy of a drive went."""

from __future__ import annotations

from typing import ClassVar

from logan.results import Figure, result


@result("ledger-entry/1")
class LedgerEntry:
    """One place where energy came from or went to.

    Parameters
    ----------
    name : str
        pack out, pack in, pack resistance, rolling, air, hills, kinetic, friction brakes,
        drivetrain, traction-idle, heater, air conditioning, DC-DC, other auxiliaries, residual.
    energy_wh : Figure
        Positive for energy spent; hills and kinetic are net and may be negative. [Wh]
    basis : str
        "measured", "modelled" or "remainder".
    """

    name: str
    energy_wh: Figure
    basis: str


@result("ledger-row/1")
class LedgerRow:
    """The ledger of one part of the drive: a segment, or a band of speed, grade or temperature.

    Parameters
    ----------
    label : str
        What part.
    low, high : float
        Start and end [s] of a segment or marked span; edges of a band in SI.
    distance_m, duration_s : float
        How far and how long.
    pack_out_wh, pack_in_wh : float
        Out of and into the pack. [Wh]
    rolling_wh, air_wh, hills_wh, kinetic_wh : float or None
        Wheel work by cause; None where the drive cannot tell. [Wh]
    auxiliary_wh : float or None
        Auxiliaries. [Wh]
    """

    derived: ClassVar[tuple[str, ...]] = ("net_wh", "net_wh_per_km")

    label: str
    low: float
    high: float
    distance_m: float
    duration_s: float
    pack_out_wh: float
    pack_in_wh: float
    rolling_wh: float | None
    air_wh: float | None
    hills_wh: float | None
    kinetic_wh: float | None
    auxiliary_wh: float | None

    @property
    def net_wh(self) -> float:
        """Net pack energy [Wh]."""
        return self.pack_out_wh - self.pack_in_wh

    @property
    def net_wh_per_km(self) -> float | None:
        """Net consumption [Wh/km]; None below 50 m."""
        return self.net_wh / (self.distance_m / 1000.0) if self.distance_m >= 50.0 else None


@result("energy-ledger/1")
class EnergyLedger:
    """Where the energy of one drive went, with the residual that does not close.

    Parameters
    ----------
    entries : tuple of LedgerEntry
        In order of flow.
    residual_wh : Figure
        Net pack energy less everything accounted for; shown, never hidden. [Wh]
    residual_ratio : float or None
        Residual over gross pack energy.
    segments, by_speed, by_grade, by_temperature, by_marker : tuple of LedgerRow
        Stop to stop; by speed [m/s], grade [ratio], ambient temperature [degC], and driver-marked span.
    notes : tuple of str
        What was assumed, and what was not logged.
    """

    entries: tuple[LedgerEntry, ...]
    residual_wh: Figure
    residual_ratio: float | None
    segments: tuple[LedgerRow, ...]
    by_speed: tuple[LedgerRow, ...]
    by_grade: tuple[LedgerRow, ...]
    by_temperature: tuple[LedgerRow, ...]
    by_marker: tuple[LedgerRow, ...]
    notes: tuple[str, ...]

    def entry(self, name: str) -> LedgerEntry | None:
        """Return the entry of one name; None where there is none."""
        for entry in self.entries:
            if entry.name == name:
                return entry
        return None
