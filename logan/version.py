"""Version of logan, and the edition of the code behind its figures, where every layer may read them."""

import hashlib
from functools import cache
from pathlib import Path
from typing import Final

VERSION: Final = "0.1.0"

_FACES: Final = ("cli", "web", "report", "demo", "logs", "dbc", "drive_library", "configuration")
_COUNTED: Final = (".py", ".csv", ".toml")
"""Schedules and tables of constants work figures out as much as code does."""


@cache
def science_edition() -> str:
    """Hash of the sources that work figures out, 16 hexadecimal digits.

    Stored figures are kept under it: after any change of the code they are computed anew, without a number that
    somebody has to remember to raise. What only reads, keeps or shows does not count. Costs some 15 ms a process.
    """
    root = Path(__file__).parent
    digest = hashlib.sha256()
    for source in sorted(root.rglob("*.*")):
        name = source.relative_to(root)
        if source.suffix in _COUNTED and name.parts[0] not in _FACES:
            digest.update(name.as_posix().encode())
            digest.update(source.read_bytes())
    return digest.hexdigest()[:16]
