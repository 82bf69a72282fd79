"""One damaged log among the demo's six must not move the range beyond its own uncertainty."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from logan.demo.conversion import drive_demo, write_build, write_log
from logan.pipeline.builds import BuildFolder, remove_drive
from logan.pipeline.importing import import_logs
from logan.pipeline.refine import refine_build
from tests.hardening.demo_faults import FAULTS, damaged


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's build with its six clean drives."""
    folder = tmp_path_factory.mktemp("demo") / "build"
    write_build(folder)
    (folder / "logs").mkdir()
    logs = [write_log(folder / "logs", one, drive) for one, drive in drive_demo()]
    import_logs(BuildFolder(folder), logs)
    return folder


def _range(folder: Path) -> tuple[float, float, tuple[str, ...]]:
    found = refine_build(BuildFolder(folder), np.random.default_rng(1)).range
    range_m = found.refined.target.range_m
    return range_m.p50, 0.5 * (range_m.p90 - range_m.p10) / 1.2816, found.notes


@pytest.fixture(scope="module")
def clean(demo: Path) -> tuple[float, float]:
    """Range of the clean demo and its own one sigma. [m]"""
    return _range(demo)[:2]


@pytest.mark.parametrize("number", [2, 3])
@pytest.mark.parametrize("names", [*((name,) for name in FAULTS), tuple(FAULTS)], ids=" + ".join)
def test_a_damaged_log_is_kept_out_and_the_range_stays(demo, clean, tmp_path, names, number):
    folder = tmp_path / "build"
    shutil.copytree(demo, folder)
    log = sorted((folder / "logs").iterdir())[number - 1]
    log.write_text(damaged(log.read_text(), *names))
    remove_drive(folder, str(number))
    (imported,) = import_logs(BuildFolder(folder), [log])
    range_m, _, notes = _range(folder)
    assert any(f"drive {imported.record.number} is kept out by its data" in note for note in notes), notes
    assert abs(range_m - clean[0]) < clean[1]
