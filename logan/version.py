"""Version of logan, where every layer may read it."""

from typing import Final

VERSION: Final = "0.1.0"
