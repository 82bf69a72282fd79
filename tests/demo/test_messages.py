"""The demo's frames say what its DBC says, as the reference decoder reads them."""

from pathlib import Path

import cantools
import numpy as np
import pytest

from logan.demo.conversion import DEMO_DRIVES, SENSORS, TRUTH, write_build
from logan.demo.messages import candump_lines, demo_messages, demo_text, pack
from logan.demo.routes import urban_route
from logan.demo.twin import drive_twin

ROOT = Path(__file__).parents[2]


def test_the_dbc_among_the_users_files_is_the_one_the_demo_writes():
    assert (ROOT / "dbc_user" / "demo.dbc").read_text(encoding="utf-8") == demo_text("demo.dbc")


def test_frames_decode_to_the_measured_values_within_their_resolution():
    rng = np.random.default_rng(5)
    measured = drive_twin(TRUTH, urban_route(rng, duration_s=60.0), rng=rng, sensors=SENSORS).measured
    database = cantools.database.load_string(demo_text("demo.dbc"), "dbc")
    for message in demo_messages():
        time_s, payload = pack(message, measured)
        for k in (0, time_s.size // 2, time_s.size - 1):
            decoded = database.decode_message(message.can_id, payload[k].tobytes(), decode_choices=False)
            for signal in message.signals:
                if signal.name not in decoded:
                    continue
                si = float(np.interp(time_s[k], *measured[signal.channel]))
                assert decoded[signal.name] == pytest.approx(si * signal.factor, abs=0.51 * signal.scale), signal.name


def test_lines_are_in_the_order_of_time():
    rng = np.random.default_rng(6)
    measured = drive_twin(TRUTH, urban_route(rng, duration_s=30.0), rng=rng, sensors=SENSORS).measured
    times = [float(line[1 : line.index(")")]) for line in candump_lines(measured, 1000.0)]
    assert times == sorted(times)
    assert times[0] >= 1000.0


def test_the_demo_has_six_drives_and_a_plan_that_is_wrong(tmp_path):
    from logan.configuration.build import read_build

    write_build(tmp_path)
    build = read_build(tmp_path)
    assert len(DEMO_DRIVES) == 6
    assert TRUTH.mass_kg > build.vehicle.mass_kg.value
    assert TRUTH.drag_area_m2 > build.vehicle.drag_area_m2.value
    assert TRUTH.dragging_brake_n > 0
