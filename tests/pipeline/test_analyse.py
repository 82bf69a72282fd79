import json
import time
from dataclasses import replace

import pytest

from logan.analysis import DriveAnalysis, analyse_drive
from logan.results import Estimate, Refusal, json_ready, result_from_json
from tests.twin_drives import build_of, hour_of, made_drive, twin_drive


@pytest.fixture(scope="module")
def analysed():
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    return twin, analyse_drive(twin.to_drive(), build_of(twin.vehicle))


def test_every_question_is_answered(analysed):
    twin, analysis = analysed
    assert analysis.energy.net_wh.value == pytest.approx(twin.net_wh, rel=0.003)
    assert abs(analysis.ledger.residual_ratio) < 0.01
    assert len(analysis.regen.figures) == 8
    assert analysis.current.durations
    assert analysis.resistance.whole_drive
    assert analysis.limits.temperatures
    assert analysis.limits.checks
    assert analysis.calibration.wheel.circumference_m.value > 0.0
    assert analysis.grades["net_energy"].grade.value in "ABC"


def test_it_survives_json(analysed):
    _, analysis = analysed
    text = json.dumps(json_ready(analysis))
    back = result_from_json(DriveAnalysis, json.loads(text))
    assert json.dumps(json_ready(back)) == text
    assert back.energy == analysis.energy
    assert "NaN" not in text


def test_the_figures_drives_are_listed_by(analysed):
    _, analysis = analysed
    figures = analysis.figures()
    assert figures["net_wh_per_km"] == analysis.energy.net_wh_per_km
    assert isinstance(figures["regen_share_ratio"], Estimate)
    assert isinstance(figures["drag_area_m2"], Refusal)
    assert figures["motor_temperature_max_degc"].unit == "degC"
    assert figures["rms_current_60_s_a"].value < figures["peak_current_a"].value


def test_a_reversed_current_refuses_the_energy_in_the_detectors_words():
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    drive = twin.to_drive()
    current = drive["pack_current"]
    turned = drive.with_channels(replace(current, value=-current.value))
    analysis = analyse_drive(turned, build_of(twin.vehicle))
    assert any(flag.code == "current_sign_reversed" for flag in analysis.flags)
    assert isinstance(analysis.energy.net_wh, Refusal)
    assert analysis.energy.net_wh.reason
    assert isinstance(analysis.ledger.residual_wh, Refusal)
    assert isinstance(analysis.regen.figures[0].value, Refusal)


@pytest.mark.parametrize("keep", [("speed",), ("pack_voltage", "pack_current"), ("motor_temperature",), ()])
def test_a_poor_log_is_analysed_with_reasons_and_without_a_crash(keep):
    drive = twin_drive("mixed", 0, duration_s=1500.0).to_drive()
    poor = replace(drive, channels={name: drive[name] for name in keep})
    analysis = analyse_drive(poor, build_of(twin_drive("mixed", 0, duration_s=1500.0).vehicle))
    refused = [figure for figure in analysis.figures().values() if isinstance(figure, Refusal)]
    assert refused
    assert all(figure.reason for figure in refused)
    json.dumps(json_ready(analysis))


def test_two_samples_are_not_a_crash():
    drive = made_drive(
        ("pack_voltage", [0.0, 1.0], [400.0, 400.0]),
        ("pack_current", [0.0, 1.0], [10.0, 12.0]),
        ("speed", [0.0, 1.0], [10.0, 10.0]),
    )
    analysis = analyse_drive(drive, build_of(twin_drive("mixed", 0, duration_s=1500.0).vehicle))
    assert isinstance(analysis.energy.net_wh_per_km, Refusal)


def test_an_hour_with_forty_channels_takes_seconds():
    twin = twin_drive("mixed", 0, duration_s=1500.0)
    drive = twin.to_drive()
    hour = hour_of(drive)
    assert hour.duration_s > 3600.0
    assert len(hour.channels) >= 40
    before = time.process_time()
    analyse_drive(hour, build_of(twin.vehicle))
    # Well under three on a free machine (tests/benchmarks/metrics/speed.py); a busy one takes longer.
    assert time.process_time() - before < 10.0
