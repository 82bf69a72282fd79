"""The damaged forms found among real drives, rebuilt on twins: left out, and the sound part stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.admission.admit import trimmed
from logan.analysis import analyse_drive
from logan.drive.drive import Drive, DriveConditions
from logan.drive.mask import cut
from logan.model.balance import segment_drive
from logan.results import Span
from tests.twin_drives import build_of, twin_drive


@pytest.fixture(scope="module")
def clean():
    twin = twin_drive("mixed", 11, duration_s=1800.0)
    return twin.to_drive(), build_of(twin.vehicle)


def _rewritten(drive: Drive, rule) -> Drive:
    channels = {
        name: replace(one, value=rule(name, one.time_s, one.value.copy())) for name, one in drive.channels.items()
    }
    return replace(drive, channels=channels)


def _frozen(drive: Drive, start_s: float, end_s: float) -> Drive:
    """Every channel keeps its value from ``start_s`` on; state of charge is blank."""

    def rule(name, time_s, value):
        inside = (time_s > start_s) & (time_s <= end_s)
        value[inside] = np.nan if name == "state_of_charge" else np.interp(start_s, time_s, value)
        return value

    return _rewritten(drive, rule)


def _moment(drive: Drive, low: float, high: float, after_s: float) -> float:
    speed = drive["speed"]
    fits = (speed.value >= low) & (speed.value <= high) & (speed.time_s > after_s)
    return float(speed.time_s[np.flatnonzero(fits)[0]])


def frozen_while_driving(drive: Drive) -> tuple[Drive, Span]:
    at_s = _moment(drive, 15.0, 17.0, 1000.0)
    short = cut(drive, Span(at_s + 441.0, np.inf))
    return _frozen(short, at_s, np.inf), Span(at_s + 1e-6, np.inf)


def frozen_standing(drive: Drive) -> tuple[Drive, Span]:
    at_s = _moment(drive, 0.0, 0.0, 1000.0) + 2.0
    short = cut(drive, Span(at_s + 162.0, np.inf))
    return _frozen(short, at_s, np.inf), Span(at_s + 1e-6, np.inf)


def straight_lines(drive: Drive) -> tuple[Drive, Span]:
    start_s = _moment(drive, 12.0, 30.0, 600.0)
    end_s = start_s + 160.0

    def rule(name, time_s, value):
        inside = (time_s > start_s) & (time_s < end_s)
        if name != "state_of_charge":
            value[inside] = np.interp(time_s[inside], [start_s, end_s], np.interp([start_s, end_s], time_s, value))
        return value

    return _rewritten(drive, rule), Span(start_s + 1e-6, end_s - 1e-6)


def strange_first_row(drive: Drive) -> tuple[Drive, Span]:
    def rule(name, time_s, value):
        if name == "cell_temperature_max":
            value[0] = 61.0
        return value

    at_s = float(drive["cell_temperature_max"].time_s[0])
    return _rewritten(drive, rule), Span(at_s, at_s)


def blank_end(drive: Drive) -> tuple[Drive, Span]:
    end_s = drive.extent.end_s - 5.0

    def rule(name, time_s, value):
        if name in ("pack_voltage", "pack_current", "speed"):
            value[time_s > end_s] = np.nan
        return value

    return _rewritten(drive, rule), Span(end_s + 1e-6, np.inf)


def frozen_head(drive: Drive) -> tuple[Drive, Span]:
    at_s = _moment(drive, 11.0, 13.0, 120.0)

    def rule(name, time_s, value):
        value[time_s < at_s] = np.interp(at_s, time_s, value)
        return value

    return _rewritten(drive, rule), Span(-np.inf, at_s - 1e-6)


FORMS = [frozen_while_driving, frozen_standing, straight_lines, strange_first_row, blank_end, frozen_head]


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.__name__)
def test_the_damaged_part_is_left_out_and_the_sound_part_stands_within_a_thousandth(clean, form):
    drive, build = clean
    damaged, span = form(drive)
    sound = analyse_drive(cut(drive, span), build)
    used = trimmed(damaged)
    found = analyse_drive(used, build, import_flags=used.import_flags)
    assert [step.action for step in used.history].count("trim") == 1
    for figure in ("net_wh", "net_wh_per_km", "distance_m", "regenerated_wh"):
        value, truth = getattr(found.energy, figure).value, getattr(sound.energy, figure).value
        assert value == pytest.approx(truth, rel=1e-3), figure
    assert found.energy.coverage_ratio > 0.995
    assert found.admission.refused("fit") is None
    hottest = {one.channel: one.worst_value for one in found.limits.temperatures}
    assert hottest["cell_temperature_max"] < 40.0
    assert not any(flag.severity == "red" for flag in found.flags)
    parts = segment_drive(used, build), segment_drive(cut(drive, span), build)
    assert parts[0].measured_j == pytest.approx(parts[1].measured_j, rel=2e-3)


def test_what_was_left_out_can_be_had_back(clean):
    damaged, _ = frozen_while_driving(clean[0])
    kept = replace(damaged, conditions=DriveConditions(untrimmed_because="I was there"))
    used = trimmed(kept)
    assert used.extent == damaged.extent
    assert "logan drive N --trim" in used.import_flags[-1].remedy


def test_a_clean_drive_is_left_as_it_is(clean):
    assert trimmed(clean[0]) is clean[0]
