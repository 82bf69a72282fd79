"""Figures of logan beside those of a slow twin that works from the frames and shares no code with it."""

from __future__ import annotations

from random import Random

import numpy as np
import pyarrow.parquet as pq
import pytest

from logan.demo.conversion import TRUTH, write_build
from logan.demo.messages import candump_lines
from logan.demo.routes import hill_route, mixed_route, urban_route
from logan.demo.twin import drive_twin
from logan.drive.energy import net_pack_wh
from logan.drive_library.drive_file import read_drive
from logan.metrics.current import current_summary
from logan.metrics.energy import energy_summary
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import import_logs
from logan.pipeline.library import open_library
from logan.pipeline.stored import stored_drive
from tests.builds import example_build
from tests.hardening import slow_twin
from tests.hardening.targets import FIXTURES

ROUTES = (urban_route, mixed_route, hill_route)


def text_of_drive(seed):
    """A random drive as candump text; from every other one, stretches and single frames are lost."""
    rng, random = np.random.default_rng([77, seed]), Random(seed)
    route = ROUTES[seed % 3](rng, duration_s=float(rng.uniform(200.0, 320.0)))
    lines = list(candump_lines(drive_twin(TRUTH, route, rng=rng).measured, 1_700_000_000.0 + 86_400.0 * seed))
    if seed % 2:
        for _ in range(2):
            start = random.randrange(len(lines) // 4, len(lines) - 2000)
            del lines[start : start + random.randrange(100, 900)]
        lines = [line for line in lines if random.random() > 0.02]
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module", params=range(6))
def both(request, tmp_path_factory):
    """Logan's analysis of a drive, and its frames as the twin decodes them."""
    folder = BuildFolder(tmp_path_factory.mktemp("twin"))
    write_build(folder.path)
    log = folder.path / "drive.log"
    log.write_text(text_of_drive(request.param), encoding="ascii")
    import_logs(folder, [log])
    with open_library(folder.path) as library:
        drive = library.load(1)
        stored = stored_drive(library, library.record(1), folder.settings())
    assert not [step for step in stored.history if {"pack_voltage", "pack_current"} & {*step.channels}]
    signals = slow_twin.decode_candump(log.read_text(), next((folder.path / "dbc_user").glob("*.dbc")))
    times = [times for name, (times, _) in signals.items()]
    start, end = min(time[0] for time in times), max(time[-1] for time in times)
    assert end - start == pytest.approx(drive.duration_s, abs=2.0)
    return stored.analysis, signals["PackVolts"], signals["PackAmps"], drive


def test_energy_out_of_the_pack_and_back_agrees(both):
    analysis, voltage, current, drive = both
    twin = slow_twin.energy(voltage, current, drive.duration_s)
    energy = analysis.energy
    assert energy.coverage_ratio == pytest.approx(twin.coverage, abs=1e-6)
    assert energy.net_wh.value == pytest.approx(twin.net, rel=1e-6)
    assert energy.gross_wh.value == pytest.approx(twin.out, rel=1e-6)
    assert energy.regenerated_wh.value == pytest.approx(twin.back, rel=1e-6)


def test_regeneration_by_its_first_two_definitions_and_stop_by_stop_agrees(both):
    analysis, voltage, current, drive = both
    twin = slow_twin.energy(voltage, current, drive.duration_s)
    share, contribution = (figure.value for figure in analysis.regen.figures[:2])
    assert share.value == pytest.approx(twin.back / twin.out, rel=1e-6)
    assert contribution.value == pytest.approx(twin.back / twin.net, rel=1e-6)
    start = drive.start_ns / 1e9
    assert analysis.regen.stops
    for stop in analysis.regen.stops:
        back = slow_twin.energy_back_between(voltage, current, start + stop.start_s, start + stop.end_s)
        assert stop.recovered_wh == pytest.approx(back, rel=0.01, abs=0.01)


def test_rms_and_heating_of_the_hardest_windows_agree(both):
    analysis, _, current, _ = both
    tried = 0
    for duration in analysis.current.durations:
        if duration.channel != "pack_current":
            continue
        for point in duration.points:
            if point.window_s in (1.0, 10.0, 60.0):
                twin = slow_twin.hardest_rms(current, point.window_s, duration.direction)
                # The twin tries no window between its marks, so it may miss the top by a hair, never exceed it.
                assert twin * (1.0 - 1e-9) <= point.rms_a <= twin * 1.002 + 1e-6
                assert point.i2t_a2s == pytest.approx(twin**2 * point.window_s, rel=0.005, abs=1e-6)
                tried += 1
    assert tried == 9


def test_the_stored_fixture_agrees():
    path = FIXTURES / "drives" / "library_v1.parquet"
    drive = read_drive(path)
    table = pq.read_table(path).to_pylist()
    voltage, current = (
        ([row["time_ns"] / 1e9 for row in rows], [row[name] for row in rows])
        for name in ("pack_voltage", "pack_current")
        if (rows := [row for row in table if row[name] is not None])
    )
    twin = slow_twin.energy(voltage, current, drive.duration_s)
    assert net_pack_wh(drive.channels) == pytest.approx(twin.net * twin.coverage, rel=1e-9)
    energy = energy_summary(drive, example_build())
    assert energy.gross_wh.value == pytest.approx(twin.out, rel=1e-9)
    for duration in current_summary(drive, example_build()).durations:
        for point in duration.points:
            hardest = slow_twin.hardest_rms(current, point.window_s, duration.direction)
            assert hardest * (1.0 - 1e-9) <= point.rms_a <= hardest * 1.02 + 1e-6
