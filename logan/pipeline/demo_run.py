"""The demo, from nothing to a report: an invented conversion drives, logs, and is told the truth about its plan."""

from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np

from logan.demo.conversion import TRUTH, drive_demo, write_build, write_log
from logan.demo.twin import TwinWeather
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import ImportedDrive, import_logs
from logan.pipeline.plan import make_plan
from logan.pipeline.plan_files import freeze_plan, latest_plan
from logan.pipeline.refine import Refinement, answer_of
from logan.pipeline.reporting import write_build_report
from logan.results import result

SIXTY_FIVE_MPH: Final = 29.0576
"""[m/s]"""


@result("demo-outcome/1", eq=False)
class DemoOutcome:
    """What the demo made, and how near it came to the truth that only the demo knows.

    Parameters
    ----------
    folder : BuildFolder
        The conversion's folder.
    report : Path
        The report.
    imported : tuple of ImportedDrive
        Its drives.
    refinement : Refinement
        Plan, fit and refined range.
    true_wh_per_km, planned_wh_per_km, refined_wh_per_km : float
        At a steady 65 mph in mild weather. [Wh/km]
    """

    folder: BuildFolder
    report: Path
    imported: tuple[ImportedDrive, ...]
    refinement: Refinement
    true_wh_per_km: float
    planned_wh_per_km: float
    refined_wh_per_km: float


def run_demo(folder: Path, *, told: Callable[[str], None], report: Path | None = None, seed: int = 1) -> DemoOutcome:
    """Make the demo's conversion in a folder and take it through the whole job.

    Parameters
    ----------
    folder : Path
        Made where missing; the demo's own files in it are written again, drives are imported once.
    told : callable
        Given a line of words at each step.
    report : Path, optional
        Where the report goes; ``report.html`` in the folder where left out.
    seed : int
        Of the samples of the prediction.

    Returns
    -------
    DemoOutcome
        For the face to show.
    """
    rng = np.random.default_rng(seed)
    build = BuildFolder(folder)
    told(f"1/6 writing an invented conversion, its DBC and its channel map to {folder}")
    write_build(folder)
    settings = build.settings()
    told("2/6 planning: what its builder believes before any drive; frozen to a dated file")
    if latest_plan(build.plans) is None:
        freeze_plan(make_plan(settings, rng), build.plans)
    told("3/6 driving six times with a twin that is heavier, blunter and drags its brakes; logging CAN frames")
    (folder / "logs").mkdir(exist_ok=True)
    logs = []
    for demo, drive in drive_demo():
        told(f"    {demo.name}: {drive.trace.time_s[-1] / 60:.0f} min, {drive.distance_m / 1609.344:.1f} mi")
        logs.append(write_log(folder / "logs", demo, drive))
    told("4/6 importing the logs: decoding, mapping, checking, analysing")
    imported: list[ImportedDrive] = []
    for log in logs:
        imported += import_logs(build, [log])
        told(f"    drive {imported[-1].record.number} from {log.name}")
    told("5/6 fitting the plan to the drives and predicting the range again")
    refinement = answer_of(build)
    told("6/6 writing the report")
    target = report or folder / "report.html"
    write_build_report(build, target, refinement=refinement, rng=rng)
    return DemoOutcome(
        folder=build,
        report=target,
        imported=tuple(imported),
        refinement=refinement,
        true_wh_per_km=TRUTH.steady_consumption_wh_per_km(SIXTY_FIVE_MPH, TwinWeather()),
        planned_wh_per_km=refinement.range.planned.scenario("highway 65").consumption.p50,
        refined_wh_per_km=refinement.range.refined.scenario("highway 65").consumption.p50,
    )
