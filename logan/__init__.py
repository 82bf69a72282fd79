"""logan: what a converted vehicle used, what ran too hot, and how far it will really go.

>>> import logan
>>> library = logan.open_library("my-build")
>>> [(drive.number, drive.conditions.tags) for drive in library.drives()]
[(1, ('cold', 'wet')), (2, ('cold', 'wet'))]
>>> float(library.table()["net_wh_per_km"].mean())
151.5
>>> current = library.load(1, ["pack_current"])["pack_current"]
>>> current.unit, current.time_s.size
('A', 200)
>>> library.channels(1, ["pack_voltage", "speed"], period_s=0.5).shape
(5, 2)

``plan``, ``fit`` and ``predict`` answer for a build what ``logan plan``, ``logan fit`` and ``logan range`` print:
``logan.predict("my-build").refined.target.range_m.p50`` is the range in meters, half below and half above.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from logan.version import VERSION

if TYPE_CHECKING:
    from logan.drive_library.repository import DriveLibrary
    from logan.pipeline.plan import Plan
    from logan.pipeline.predict import RefinedRange
    from logan.pipeline.refine import BuildFit

__all__ = ["__version__", "fit", "open_library", "plan", "predict"]

__version__ = VERSION


def open_library(path: Path | str) -> DriveLibrary:
    """Open the drive library of a build.

    Parameters
    ----------
    path : Path or str
        Folder of the build, or its ``drives`` folder.

    Returns
    -------
    DriveLibrary
        ``drives()`` lists typed records, ``load(number)`` reads a ``Drive``, ``table()`` and
        ``channels(number)`` are pandas tables.

    Raises
    ------
    DriveLibraryError
        If there is no library.
    """
    # Imported here, so that `import logan` and `logan --help` load neither numpy nor pandas.
    from logan.pipeline.builds import open_library as open_it

    return open_it(Path(path))


def plan(path: Path | str, *, seed: int = 1) -> Plan:
    """Predict consumption, range and pack from a build's assumptions alone; nothing is written.

    Parameters
    ----------
    path : Path or str
        Folder of the build.
    seed : int
        Of the samples.

    Returns
    -------
    Plan
        ``prediction`` holds the scenarios, ``sizing`` the pack that reaches the target.

    Raises
    ------
    ConfigurationError
        If there is no build, or its settings cannot be used; every problem is named.
    """
    import numpy as np

    from logan.pipeline.builds import find_build
    from logan.pipeline.plan import make_plan

    return make_plan(find_build(Path(path)).settings(), np.random.default_rng(seed))


def fit(path: Path | str) -> BuildFit:
    """Refine a build's plan by its drives and measurements; kept with the library until something changes.

    Parameters
    ----------
    path : Path or str
        Folder of the build.

    Returns
    -------
    BuildFit
        ``report.fit`` holds the parameters with their covariance, ``report.calibration`` the error on drives left
        out, ``next_tests`` what would help most.

    Raises
    ------
    NotEnoughDataError
        If no drive can carry a fit; the reasons are named.
    """
    from logan.pipeline.builds import find_build
    from logan.pipeline.refine import fit_build

    return fit_build(find_build(Path(path)))


def predict(path: Path | str) -> RefinedRange:
    """Predict a build's range in every scenario, from the plan and from what the drives made of it.

    Parameters
    ----------
    path : Path or str
        Folder of the build.

    Returns
    -------
    RefinedRange
        ``planned`` and ``refined`` hold the scenarios, ``budget`` what widens the range, in meters.

    Raises
    ------
    NotEnoughDataError
        If no drive can carry a fit; the reasons are named.
    """
    from logan.pipeline.builds import find_build
    from logan.pipeline.refine import answer_of

    return answer_of(find_build(Path(path))).range
