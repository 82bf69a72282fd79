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
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from logan.version import VERSION

if TYPE_CHECKING:
    from logan.drive_library.repository import DriveLibrary

__all__ = ["__version__", "open_library"]

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
