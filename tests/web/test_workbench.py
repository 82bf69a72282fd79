"""The workbench's answers against counting sample by sample, and against the drive's own figures."""

import json
import math
from itertools import pairwise

import numpy as np
import pytest

from logan.drive.drive import Channel
from logan.errors import ConflictError, UsageError
from logan.pipeline.builds import BuildFolder, open_library
from logan.pipeline.notes import change_notes, conditions_version
from logan.pipeline.stored import load_corrected, stored_drive
from logan.pipeline.workbench import _window, span_figures, window_text, workbench


@pytest.fixture
def folder(workspace):
    return BuildFolder(workspace / "van")


def loaded(folder):
    build = folder.settings()
    with open_library(folder.path) as library:
        return load_corrected(library, 1, build), stored_drive(library, library.record(1), build)


@pytest.mark.parametrize("parts", [7, 50, 333])
def test_no_extreme_is_lost_however_few_parts_are_asked_for(folder, parts):
    drive, _ = loaded(folder)
    channel = drive["pack_current"]
    found = json.loads(window_text(folder, 1, ["pack_current", "no_such"], 60.0, 240.0, parts))["channels"]
    assert list(found) == ["pack_current"]
    edges = np.linspace(60.0, 240.0, parts + 1)
    for k, (low, high) in enumerate(zip(found["pack_current"]["low"], found["pack_current"]["high"], strict=True)):
        inside = [v for t, v in zip(channel.time_s, channel.value, strict=True) if edges[k] <= t < edges[k + 1]]
        assert (low, high) == pytest.approx((min(inside), max(inside)), abs=1e-3)


def test_close_up_every_sample_is_there_with_one_beyond_each_end(folder):
    drive, _ = loaded(folder)
    found = json.loads(window_text(folder, 1, ["speed"], 100.0, 101.0, 500))["channels"]["speed"]
    time_s = drive["speed"].time_s
    first, last = np.searchsorted(time_s, 100.0) - 1, np.searchsorted(time_s, 101.0, side="right") + 1
    assert found["time_s"] == pytest.approx(time_s[first:last].tolist(), abs=1e-4)
    assert found["value"] == pytest.approx(drive["speed"].value[first:last].tolist(), abs=1e-3)


def test_absent_samples_stay_absent():
    value = np.where(np.arange(1000) // 100 == 3, np.nan, 5.0)
    channel = Channel(name="speed", time_s=np.arange(1000.0), value=value)
    thinned = _window(channel, 0.0, 1000.0, 10)
    assert [k for k, low in enumerate(thinned["low"]) if low is None] == [3]
    assert "NaN" not in json.dumps(_window(channel, 290.0, 310.0, 10))


def test_spans_add_up_to_the_whole_drive(folder):
    _, stored = loaded(folder)
    ends = (workbench(folder, 1)["start_s"], 97.3, 211.111, workbench(folder, 1)["end_s"])
    parts = [span_figures(folder, 1, a, b) for a, b in pairwise(ends)]
    energy = stored.analysis.energy
    assert sum(part["net_wh"].value for part in parts) == pytest.approx(energy.net_wh.value, rel=2e-3)
    assert sum(part["distance_m"].value for part in parts) == pytest.approx(energy.distance_m.value, rel=2e-3)
    assert sum(part["regenerated_wh"].value for part in parts) == pytest.approx(energy.regenerated_wh.value, rel=5e-3)


def test_a_spans_mean_and_rms_are_those_of_a_fine_grid(folder):
    drive, _ = loaded(folder)
    grid = np.linspace(50.03, 170.02, 400_001)
    value = np.interp(grid, drive["pack_current"].time_s, drive["pack_current"].value)
    found = {one["channel"]: one for one in span_figures(folder, 1, 50.03, 170.02)["channels"]}["pack_current"]
    assert found["mean"] == pytest.approx(value.mean(), rel=1e-3)
    assert found["rms"] == pytest.approx(math.sqrt((value**2).mean()), rel=1e-3)
    assert found["change"] == pytest.approx(value[-1] - value[0], abs=1e-6)


@pytest.mark.parametrize(("start_s", "end_s"), [(10.0, 10.05), (1e6, 2e6), (300.0, 100.0)])
def test_a_span_without_drive_is_refused(folder, start_s, end_s):
    with pytest.raises(UsageError):
        span_figures(folder, 1, start_s, end_s)


@pytest.mark.parametrize(("start_s", "end_s", "parts"), [(5.0, 5.0, 10), (9.0, 1.0, 10), (0.0, 1.0, 0), (0, 1, 10**6)])
def test_a_window_without_extent_is_refused(folder, start_s, end_s, parts):
    with pytest.raises(UsageError):
        window_text(folder, 1, ["speed"], start_s, end_s, parts)


def test_a_masked_span_is_seen_at_once(folder):
    before, version = span_figures(folder, 1, 100.0, 160.0), workbench(folder, 1)["version"]
    with open_library(folder.path) as library:
        change_notes(library, 1, {"masks": ("120s..140s",), "why": "loose plug"})
    assert workbench(folder, 1)["version"] != version
    assert span_figures(folder, 1, 100.0, 160.0)["distance_m"].value < 0.9 * before["distance_m"].value


def test_notes_changed_elsewhere_are_not_overwritten(folder):
    with open_library(folder.path) as library:
        version = conditions_version(library.record(1).conditions)
        change_notes(library, 1, {"note": "one tab"}, version=version)
        with pytest.raises(ConflictError) as refused:
            change_notes(library, 1, {"note": "other tab", "tags": ("wet",)}, version=version)
        assert refused.value.texts == (("note", "other tab", "one tab"), ("tags", "wet", ""))
        assert library.record(1).conditions.note == "one tab"
