"""logan: what a converted vehicle used, what ran too hot, and how far it will really go.

>>> import logan
>>> library = logan.open_library("my-build")  # doctest: +SKIP
>>> library.table()[["distance_m", "net_wh_per_km"]]  # doctest: +SKIP
>>> library.load(12)["pack_current"].value.max()  # doctest: +SKIP
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logan.drive_library.repository import DriveLibrary

__all__ = ["__version__", "open_library"]

__version__ = "0.1.0"


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
    from logan.pipeline.library import open_library as open_it

    return open_it(Path(path))
