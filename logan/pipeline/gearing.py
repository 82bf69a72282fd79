"""The gearing sheet of a build, with what its drives say about heat."""

from __future__ import annotations

from collections.abc import Callable

from logan.drive_library.repository import DriveLibrary
from logan.driving_range.performance import GearingSheet
from logan.errors import NotEnoughDataError
from logan.heat.fit import HeatModel
from logan.model.fit_result import FitResult
from logan.pipeline.builds import BuildFolder, open_library
from logan.pipeline.heat import learn_heat, vehicle_of
from logan.pipeline.plan import make_gearing_sheet
from logan.settings import BuildSettings


def gearing_of_build(
    folder: BuildFolder, *, is_planned: bool = False, told: Callable[[str], None] | None = None
) -> GearingSheet:
    """Compare the reductions of a build, by what its drives taught where there are any.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    is_planned : bool
        By the plan alone.
    told : callable, optional
        Given words on what is being done.

    Returns
    -------
    GearingSheet
        One entry per chain; mass, road load and losses are those of the fit, and what is held for
        ever is that of the thermal network, where the drives teach it.
    """
    build = folder.settings()
    if is_planned or not folder.library.is_dir():
        return make_gearing_sheet(build)
    from logan.pipeline.refine import fit_build

    try:
        fit = fit_build(folder, told=told).report.fit
    except NotEnoughDataError:
        fit = None
    with open_library(folder.path) as library:
        return make_gearing_sheet(build, fit, heat=learned_heat(library, build, fit, told=told))


def learned_heat(
    library: DriveLibrary,
    build: BuildSettings,
    fit: FitResult | None,
    *,
    told: Callable[[str], None] | None = None,
) -> HeatModel | None:
    """What the drives taught of heat; None where they taught nothing.

    Parameters
    ----------
    library, build : DriveLibrary, BuildSettings
        Drives and settings.
    fit : FitResult or None
        Turns roads into torque; the plan where there is none.
    told : callable, optional
        Given words on what is being done.
    """
    try:
        return learn_heat(library, build, vehicle_of(build, fit), told=told)
    except NotEnoughDataError:
        return None
