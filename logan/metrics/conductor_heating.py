"""How hot the hardest window may have made a conductor: heating without any heat loss."""

from __future__ import annotations

from typing import Final

from logan.drive.context import Context
from logan.flags import Severity
from logan.physics.thermal import adiabatic_end_degc, adiabatic_factor, conductor_material, withstand_current_a
from logan.results import result
from logan.settings import Conductor

ADIABATIC_WINDOW_S: Final = 30.0
"""Longest window whose heating is reckoned without heat loss: beyond, the estimate is far too high. [s]"""

NEAR_LIMIT_K: Final = 10.0


@result("conductor-heating/1")
class ConductorHeating:
    """Adiabatic end temperature of a conductor over the hardest window: an upper estimate, not a limit.

    Parameters
    ----------
    name : str
        The user's name for the conductor.
    window_s, rms_a : float
        Window whose heating is highest, no longer than adiabatic heating is a fair estimate. [s, A]
    start_degc, end_degc, limit_degc : float
        Start as given, end by IEC 60949 without heat loss, and limit as given.
    withstand_a : float or None
        Steady current that would bring it to the limit in that window; None where it starts beyond. [A]
    severity : Severity or None
        Red beyond the limit, amber within 10 K of it.
    context : Context
        When and under what load.
    """

    name: str
    window_s: float
    rms_a: float
    start_degc: float
    end_degc: float
    limit_degc: float
    severity: Severity | None
    context: Context
    withstand_a: float | None = None


def conductor_heating(conductor: Conductor, *, window_s: float, rms_a: float, context: Context) -> ConductorHeating:
    """Adiabatic end temperature of a conductor after one window.

    Parameters
    ----------
    conductor : Conductor
        Material, area, start and limit.
    window_s, rms_a : float
        The window and its RMS current. [s, A]
    context : Context
        When, and what else was true.

    Returns
    -------
    ConductorHeating
        An upper estimate: no heat is lost.

    References
    ----------
    .. [1] IEC 60949:1988, clause 3.
    """
    material = conductor_material(conductor.material)
    end_degc = adiabatic_end_degc(
        rms_a**2 * window_s, area_mm2=conductor.area_mm2, start_degc=conductor.start_degc, material=material
    )
    margin_k = conductor.limit_degc - end_degc
    withstand_a = None
    if conductor.limit_degc > conductor.start_degc:
        factor = adiabatic_factor(material, start_degc=conductor.start_degc, end_degc=conductor.limit_degc)
        withstand_a = withstand_current_a(window_s, area_mm2=conductor.area_mm2, adiabatic_k=factor)
    return ConductorHeating(
        name=conductor.name,
        window_s=window_s,
        rms_a=rms_a,
        start_degc=conductor.start_degc,
        end_degc=end_degc,
        limit_degc=conductor.limit_degc,
        severity=Severity.RED if margin_k < 0.0 else Severity.AMBER if margin_k < NEAR_LIMIT_K else None,
        context=context,
        withstand_a=withstand_a,
    )
