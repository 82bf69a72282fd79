"""The gearing sheet of a build, with what its drives say about heat."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from logan.driving_range.performance import GearingSheet
from logan.errors import NotEnoughDataError
from logan.metrics.thermal import ThermalSummary
from logan.pipeline.builds import BuildFolder
from logan.pipeline.plan import make_gearing_sheet
from logan.results import Estimate


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
        One entry per chain; mass, road load and losses are those of the fit, and continuous power is that
        of the thermal models, where the drives carry them.
    """
    build = folder.settings()
    if is_planned or not folder.library.is_dir():
        return make_gearing_sheet(build)
    from logan.pipeline.fit_build import fit_build
    from logan.pipeline.library import open_library
    from logan.pipeline.stored import stored_drives

    try:
        fit = fit_build(folder, told=told).report.fit
    except NotEnoughDataError:
        fit = None
    with open_library(folder.path) as library:
        limit = thermal_limit(drive.analysis.thermal for drive in stored_drives(library, build))
    return make_gearing_sheet(build, fit, thermal_limit=limit)


def thermal_limit(summaries: Iterable[ThermalSummary]) -> Estimate | None:
    """Power from the pack that can be held for ever: the lowest over temperatures, each by its surest drive.

    Parameters
    ----------
    summaries : iterable of ThermalSummary
        Temperatures of the drives.

    Returns
    -------
    Estimate or None
        At the design ambient; None where no drive has a thermal model that reaches a limit. [W]
    """
    surest: dict[str, Estimate] = {}
    for summary in summaries:
        for model in summary.models:
            found = model.continuous_power_design_w
            if not isinstance(found, Estimate) or found.sigma is None or found.value <= 0:
                continue
            known = surest.get(model.channel)
            if known is None or found.sigma / found.value < (known.sigma or 0.0) / known.value:
                surest[model.channel] = Estimate(
                    found.value, "W", found.sigma, f"thermal model of {model.channel}, at the design ambient"
                )
    return min(surest.values(), key=lambda estimate: estimate.value, default=None)
