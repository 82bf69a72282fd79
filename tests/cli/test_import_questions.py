"""What ``logan import`` asks on a terminal, and says elsewhere."""

from __future__ import annotations

import os
import pty
import subprocess
import sys

import numpy as np
import pytest

from logan.pipeline.builds import BuildFolder, open_library
from tests.hardening.fault_table import new_build, twin_columns, write_table


def alike_columns():
    """A heater that is real, and an air conditioner that runs like it and that the pack does not feed."""
    found = twin_columns(11, "usual")
    time_s, current = found["pack_current"]
    load_w = np.where((time_s // 150.0) % 2 == 1, 3000.0, 0.0)
    volts = np.interp(time_s, *found["pack_voltage"])
    found["pack_current"] = (time_s, current + load_w / volts)
    found["heater_power"] = (time_s[::10], load_w[::10])
    found["air_conditioning_power"] = (time_s[::10], 0.9 * load_w[::10])
    return found


@pytest.fixture(scope="module")
def columns():
    return alike_columns()


@pytest.fixture
def build(tmp_path, columns):
    folder = new_build(tmp_path / "van", columns)
    write_table(tmp_path / "log.csv", columns)
    return folder


def on_a_terminal(arguments, answers, folder):
    """Run the command with a terminal of its own, and type one answer for each question."""
    outer, inner = pty.openpty()
    command = [sys.executable, "-m", "logan", *arguments]
    done = subprocess.Popen(command, cwd=folder, stdin=inner, stdout=inner, stderr=inner, close_fds=True)
    os.close(inner)
    said = ""
    for question, answer in [*answers.items(), (None, None)]:
        while question is None or question not in said:
            try:
                part = os.read(outer, 4096).decode(errors="replace")
            except OSError:
                part = ""
            said += part
            if not part:
                break
        if question is not None:
            os.write(outer, f"{answer}\n".encode())
    assert done.wait(timeout=120) == 0, said
    os.close(outer)
    return said


def test_payload_and_alike_loads_are_asked_once_on_a_terminal(build):
    answers = {"Passengers": "2", "Load beyond": "100 lb", "Two loads run alike": "2"}
    said = on_a_terminal(["import", "../log.csv"], answers, build.path)
    assert said.count("Two loads run alike") == 1
    with open_library(build.path) as library:
        record = library.record(1)
        # 150 lb each, as the option says; 1 lb is 0.45359237 kg.
        assert record.conditions.payload_kg == pytest.approx(400 * 0.45359237, abs=0.1)
        assert "air_conditioning_power" in record.channels
        assert "heater_power" not in record.channels
    assert "heater_power" not in {source.channel for source in BuildFolder(build.path).channel_map().sources}


def test_without_a_terminal_nothing_is_asked_and_what_is_open_is_said(build):
    command = [sys.executable, "-m", "logan", "import", "../log.csv"]
    done = subprocess.run(command, cwd=build.path, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=True)
    assert "run alike, and the pack feeds one of the two" in " ".join(done.stdout.split())
    assert "logan channels --remove" in " ".join(done.stdout.split())
    with open_library(build.path) as library:
        assert {"heater_power", "air_conditioning_power"} <= set(library.record(1).channels)
