"""Samples that are lost where the current is high: filling at the mean would show too little, so nothing is shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.analysis import analyse_drive
from logan.quality.survey import DriveSurvey
from logan.quality.timing import unsampled_wh
from logan.results import Estimate, Refusal
from tests.twin_drives import build_of, twin_drive


def without(drive, gone):
    lost = [replace(drive[name], time_s=drive[name].time_s[~gone], value=drive[name].value[~gone])
            for name in ("pack_voltage", "pack_current")]  # fmt: skip
    return drive.with_channels(*lost)


@pytest.mark.parametrize("route", ["urban", "mixed"])
def test_loss_that_hangs_on_the_current_is_refused_and_chance_loss_is_not(route):
    twin = twin_drive(route, 6, duration_s=900.0)
    drive, build = twin.to_drive(), build_of(twin.vehicle)
    luck = np.random.default_rng(5).uniform(size=drive["pack_current"].time_s.size)
    by_chance = without(drive, luck < 0.3)
    under_load = without(drive, (drive["pack_current"].value > 60.0) & (luck < 0.9))

    assert abs(unsampled_wh(DriveSurvey(by_chance, build))[0]) < 0.01 * twin.net_wh
    analysis = analyse_drive(by_chance, build)
    figure = analysis.energy.net_wh
    if isinstance(figure, Estimate):  # half a second of 10 Hz is bridged; more of it may be refused for its coverage
        assert abs(figure.value - twin.net_wh) < 2.0 * figure.sigma
    assert unsampled_wh(DriveSurvey(under_load, build))[0] > 0.05 * twin.net_wh
    analysis = analyse_drive(under_load, build)
    assert isinstance(analysis.energy.net_wh, Refusal)
    assert analysis.admission.refused("fit") is not None
    (flag,) = [flag for flag in analysis.flags if flag.code == "lost_samples"]
    assert "missing where power is asked for" in flag.evidence


def test_one_stretch_lost_by_chance_is_left_to_the_figures_uncertainty():
    twin = twin_drive("urban", 6, duration_s=900.0)
    drive = twin.to_drive()
    time_s, current_a = drive["pack_current"].time_s, drive["pack_current"].value
    start_s = float(time_s[np.argmax(current_a)]) - 10.0
    (flag,) = [
        flag
        for flag in analyse_drive(
            without(drive, (time_s > start_s) & (time_s < start_s + 20.0)), build_of(twin.vehicle)
        ).flags
        if flag.code == "lost_samples"
    ]
    assert not flag.refuses
