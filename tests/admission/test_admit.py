"""What a finding keeps a drive from, use by use."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logan.admission.admit import admit, admitted
from logan.analysis import analyse_drive, check_drive
from logan.quality.grades import grade_metrics
from logan.results import DataFlag, Estimate, Refusal, Severity, Span
from tests.twin_drives import build_of, twin_drive


@pytest.fixture(scope="module")
def driven():
    twin = twin_drive("mixed", 3, duration_s=900.0)
    return twin.to_drive(), build_of(twin.vehicle)


def _flag(severity=Severity.RED, **more):
    given = {"code": "x", "channels": ("speed",), "title": "Speed is odd", "evidence": "", "remedy": "Look", **more}
    return DataFlag(severity=severity, **given)


def _admission(drive, *flags):
    return admit(drive, flags, grade_metrics(drive, flags))


def _refused(admission):
    return {entry.use for entry in admission.kept_out if not entry.spans and not entry.is_missing}


def test_a_clean_drive_is_admitted_to_every_use(driven):
    drive, build = driven
    quality = check_drive(drive, build)
    admission = admit(drive, quality.flags, quality.grades)
    assert (_refused(admission), dict(admission.untrusted)) == (set(), {})


def test_a_red_finding_keeps_out_what_reads_the_channel_and_nothing_else(driven):
    drive, _ = driven
    admission = _admission(drive, _flag())
    assert _refused(admission) == {"consumption", "distance", "fit"}
    assert "speed" not in admitted(drive, admission)
    current = _admission(drive, _flag(channels=("pack_current",)))
    assert {"net_energy", "regen", "peak_current", "rms_current", "resistance", "fit"} <= _refused(current)
    assert "distance" not in _refused(current)
    assert "pack_current" in admitted(drive, current)


def test_what_is_refused_keeps_the_fit_out_whatever_its_grade(driven):
    drive, _ = driven
    for metric in ("net_energy", "consumption", "distance", "fit"):
        kept = _admission(drive, _flag(Severity.AMBER, refuses=(metric,), channels=())).refused("fit")
        assert kept is not None
        assert kept.reason == "Speed is odd"
    assert _admission(drive, _flag(Severity.AMBER)).refused("fit") is None


def test_short_red_spans_are_kept_out_of_the_fit_and_the_rest_takes_part(driven):
    drive, _ = driven
    admission = _admission(drive, _flag(spans=(Span(100.0, 130.0),)))
    assert admission.refused("fit") is None
    assert admission.refused("consumption") is not None
    kept = admitted(drive, admission, "fit")
    speed = kept["speed"]
    assert np.isnan(speed.value[(speed.time_s >= 100.0) & (speed.time_s <= 130.0)]).all()
    assert kept.duration_s == pytest.approx(drive.duration_s - 30.0)


def test_one_bad_sensor_takes_nothing_from_the_other_temperatures(driven):
    drive, build = driven
    open_sensor = replace(drive["motor_temperature"], value=np.full(drive["motor_temperature"].value.shape, -40.0))
    analysis = analyse_drive(drive.with_channels(open_sensor), build)
    shown = {check.channel for check in analysis.limits.temperatures}
    assert "motor_temperature" not in shown
    assert "inverter_temperature" in shown
    assert "motor_temperature_max_degc" not in analysis.figures()


def test_a_kept_out_current_is_in_no_listed_figure(driven):
    drive, build = driven
    reversed_sign = replace(drive["pack_current"], value=-drive["pack_current"].value)
    analysis = analyse_drive(drive.with_channels(reversed_sign), build)
    metrics = analysis.figures()
    rest_on_it = [name for name in metrics if name.startswith(("net", "gross", "regen", "peak", "rms", "usable"))]
    assert len(rest_on_it) >= 5
    assert [name for name in rest_on_it if isinstance(metrics[name], Estimate)] == []
    assert isinstance(metrics["net_wh_per_km"], Refusal)


def _with_current(drive, change):
    current = drive["pack_current"]
    return drive.with_channels(replace(current, value=change(current.value)))


def _stuck(amperes):
    """At 60 A or more for 4 % of the drive."""
    length = amperes.size // 25
    start = next(k for k in range(amperes.size // 4, amperes.size) if amperes[k] > 60.0)
    return np.r_[amperes[:start], np.full(length, amperes[start]), amperes[start + length :]]


@pytest.mark.parametrize("change", [lambda a: 1.2 * a, lambda a: a + 6.0, _stuck], ids=["gain", "zero", "stuck"])
def test_what_nothing_settles_is_in_the_uncertainty_of_the_figure(driven, change):
    drive, build = driven
    clean = analyse_drive(drive, build).energy.net_wh_per_km
    analysis = analyse_drive(_with_current(drive, change), build)
    figure = analysis.energy.net_wh_per_km
    assert isinstance(figure, Estimate)
    assert clean.sigma < 0.03 * clean.value
    assert abs(figure.value - clean.value) < 2.0 * figure.sigma
    assert analysis.admission.doubts_wh_per_km
    assert "in doubt" in figure.source
    # Its share of the budget is that of a flat chance between none and all of it.
    part = next(part for part in analysis.energy.budget if part.name == "doubt")
    (doubt,) = analysis.admission.doubts_wh_per_km.values()
    assert part.sigma_wh == pytest.approx(doubt / np.sqrt(3.0) * analysis.energy.distance_m.value / 1000.0)
    # What is known to be wrong in a span is kept from the fit there; what may be, stays.
    assert [span.duration_s > 10.0 for span in analysis.admission.spans_out("fit")] == [True] * (change is _stuck)
