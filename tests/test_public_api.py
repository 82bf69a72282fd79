from __future__ import annotations

import doctest
import subprocess
import sys

import pytest

import logan
from logan.drive_library.repository import DriveLibrary
from logan.errors import ConfigurationError, DriveLibraryError
from tests.drive_library.small_drives import small_drive, small_summary


@pytest.fixture
def build(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with DriveLibrary.open(tmp_path / "my-build" / "drives", create=True) as library:
        for seed in (1, 2):
            library.add(small_drive(seed), summary=small_summary(seed))
    return tmp_path / "my-build"


def test_the_example_in_the_docstring_runs(build):
    found = doctest.testmod(logan, verbose=False)
    assert found.attempted >= 6
    assert found.failed == 0


def test_the_library_opens_by_either_folder(build):
    for path in (build, str(build), build / "drives"):
        with logan.open_library(path) as library:
            assert len(library.drives()) == 2


def test_without_a_build_or_a_library_the_error_says_what_to_do(tmp_path):
    with pytest.raises(ConfigurationError, match="logan new"):
        logan.open_library(tmp_path)
    (tmp_path / "build.toml").touch()
    with pytest.raises(DriveLibraryError, match="logan import"):
        logan.open_library(tmp_path)


def test_the_public_names_are_those_that_are_listed():
    assert all(hasattr(logan, name) for name in logan.__all__)


def test_importing_logan_loads_no_heavy_package():
    code = "import sys, logan; print([name for name in ('numpy', 'pandas', 'scipy', 'pyarrow') if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
