"""The sensors' posterior against closed forms and against counting in the open."""

from dataclasses import replace

import numpy as np
import pytest

from logan.instrument_settings import InstrumentReading, ReadingKind
from logan.instruments.drive_evidence import UNKNOWNS, InstrumentEvidence, Sensor
from logan.instruments.posterior import Instruments, known_instruments
from logan.results import json_ready, result_from_json
from tests.builds import example_build


def says(weights, value, sigma, **more):
    return InstrumentEvidence(name="test", source="drive 1", weights=weights, value=value, sigma=sigma, **more)


def with_readings(*readings):
    build = example_build()
    return replace(build, instruments=replace(build.instruments, readings=readings))


def test_without_evidence_the_prior_stands_and_power_is_current_and_voltage_together():
    known = known_instruments(example_build())
    assert known.mean.tolist() == [0.0] * len(UNKNOWNS)
    # 1 % each, common practice; together 1.4 %.
    assert known.power_gain.sigma == pytest.approx(0.01 * np.sqrt(2.0))
    assert known.of(Sensor.CURRENT_ZERO).sigma == pytest.approx(0.3)
    assert known.of(Sensor.CURRENT_GAIN).source == "common practice"


def test_one_direct_reading_is_the_weighted_mean():
    """Closed form: precision adds, and the mean is weighted by it."""
    known = known_instruments(example_build(), [says({Sensor.CURRENT_GAIN: 1.0}, 0.012, 0.005)])
    precision = 1 / 0.01**2 + 1 / 0.005**2
    assert known.of(Sensor.CURRENT_GAIN).value == pytest.approx(0.012 / 0.005**2 / precision)
    assert known.of(Sensor.CURRENT_GAIN).sigma == pytest.approx(precision**-0.5)
    assert known.of(Sensor.VOLTAGE_GAIN).sigma == pytest.approx(0.01)


def test_a_sum_that_is_known_ties_its_parts_to_each_other():
    known = known_instruments(
        example_build(), [says({Sensor.CURRENT_GAIN: 1.0, Sensor.VOLTAGE_GAIN: 1.0}, 0.01, 0.001)]
    )
    correlation = known.covariance[0, 1] / (known.sigma[0] * known.sigma[1])
    assert correlation < -0.98
    assert known.power_gain.sigma == pytest.approx(0.001, rel=0.01)
    assert known.of(Sensor.CURRENT_GAIN).value == pytest.approx(known.of(Sensor.VOLTAGE_GAIN).value)


def test_forty_drives_do_not_average_an_error_that_they_share_away():
    shared = {"shared_sigma": 0.002, "shared_by": "satellites"}
    known = known_instruments(example_build(), [says({Sensor.SPEED_GAIN: 1.0}, 0.01, 0.001, **shared)] * 40)
    alone = known_instruments(example_build(), [says({Sensor.SPEED_GAIN: 1.0}, 0.01, 0.001)] * 40)
    assert known.of(Sensor.SPEED_GAIN).sigma == pytest.approx(0.00197, abs=3e-5)
    assert alone.of(Sensor.SPEED_GAIN).sigma < 0.0002


def test_a_prior_that_is_contradicted_gives_way():
    """A speed 3.5 % high, on a class of 1 %: most of it is believed, and it is said."""
    known = known_instruments(example_build(), [says({Sensor.SPEED_GAIN: 1.0}, 0.0343, 0.002)])
    assert known.of(Sensor.SPEED_GAIN).value == pytest.approx(0.0343, abs=0.0006)
    assert "speed gain: further off than common practice expects" in known.notes


def test_a_wrong_unit_is_no_gain():
    known = known_instruments(example_build(), [says({Sensor.SPEED_GAIN: 1.0}, 0.476, 0.002)])
    assert known.mean[UNKNOWNS.index(Sensor.SPEED_GAIN)] == 0.0
    assert "wrong unit" in known.notes[0]


def test_counted_energy_tells_the_gain_only_as_well_as_the_pack_is_known():
    """ln(counted / planned) = usable + current + voltage: what is seen is shared out by variance."""
    build = example_build()
    row = {Sensor.USABLE: 1.0, Sensor.CURRENT_GAIN: 1.0, Sensor.VOLTAGE_GAIN: 1.0}
    known = known_instruments(build, [says(row, 0.03, 1e-6)])
    prior = known_instruments(build).sigma
    share = prior[[5, 0, 1]] ** 2 / (prior[[5, 0, 1]] ** 2).sum()
    assert known.mean[[5, 0, 1]] == pytest.approx(0.03 * share, rel=1e-4)


def test_clamp_meter_at_two_currents_tells_gain_from_zero():
    """Shown 2 % high and 1.5 A up: a meter as good as the sensor's class gets half of the say, however often read."""
    points = [0.0, 100.0, 200.0, 300.0] * 10
    readings = [
        InstrumentReading(
            kind=ReadingKind.CURRENT, value=true, sigma=0.01 * true + 0.05, shown=1.02 * true + 1.5, source="clamp"
        )
        for true in points
    ]
    known = known_instruments(with_readings(*readings))
    assert known.of(Sensor.CURRENT_GAIN).value == pytest.approx(0.01, abs=0.001)
    assert known.of(Sensor.CURRENT_GAIN).sigma == pytest.approx(0.01 / np.sqrt(2.0), rel=0.03)
    assert known.of(Sensor.CURRENT_ZERO).value == pytest.approx(1.5, abs=0.1)


@pytest.mark.parametrize(
    ("kind", "value", "shown", "name", "expected"),
    [
        (ReadingKind.VOLTAGE, 360.0, 363.6, Sensor.VOLTAGE_GAIN, 0.01),
        (ReadingKind.SPEED, 26.8224, 27.627, Sensor.SPEED_GAIN, 0.03),
        (ReadingKind.DISTANCE, 16093.4, 16576.0, Sensor.SPEED_GAIN, 0.03),
        (ReadingKind.TIRE, 1.95, 2.0085, Sensor.SPEED_GAIN, 0.03),
    ],
)
def test_a_meter_that_is_sure_is_believed(kind, value, shown, name, expected):
    reading = InstrumentReading(kind=kind, value=value, sigma=1e-4 * value, shown=shown, source="meter")
    assert known_instruments(with_readings(reading)).of(name).value == pytest.approx(expected, abs=6e-4)


def test_a_wall_meter_is_only_as_good_as_the_charger_is_known():
    """Log counts 2 % more than arrives: with 90 ± 3 % of efficiency little is learned, with 0.3 % nearly all."""
    vague = InstrumentReading(
        kind=ReadingKind.WALL_ENERGY, value=30_000.0, sigma=90.0, shown=27_540.0, source="wall meter"
    )
    sure = replace(vague, charger_sigma=0.0027)
    prior = known_instruments(example_build()).power_gain.sigma
    assert known_instruments(with_readings(vague)).power_gain.sigma == pytest.approx(prior, rel=0.1)
    known = known_instruments(with_readings(sure)).power_gain
    assert known.value == pytest.approx(0.0198, abs=0.002)
    assert known.sigma == pytest.approx(0.0041, abs=3e-4)


def test_charge_counted_round_tells_the_zero():
    """2.7 Ah that do not come back in nine hours are 0.3 A."""
    reading = InstrumentReading(
        kind=ReadingKind.CHARGE_CLOSURE, value=2.7, sigma=0.09, shown=0.0, source="log", duration_s=9 * 3600.0
    )
    assert known_instruments(with_readings(reading)).of(Sensor.CURRENT_ZERO).value == pytest.approx(0.3, abs=0.001)


def test_it_survives_its_json():
    known = known_instruments(example_build(), [says({Sensor.SPEED_GAIN: 1.0}, 0.0343, 0.002)]).without(
        {Sensor.SPEED_GAIN: 0.034}
    )
    again = result_from_json(Instruments, json_ready(known))
    assert again.mean.tolist() == known.mean.tolist()
    assert again.evidence == known.evidence
    assert again.applied == {Sensor.SPEED_GAIN: 0.034}


def test_a_run_from_full_to_empty_moves_the_usable_energy():
    """51.3 kWh over the window of 0.9 at 0 °C, 0.4 %/K: 57.0 kWh at 25 °C, as planned."""
    run = InstrumentReading(kind=ReadingKind.USABLE, value=51_300.0, sigma=50.0, shown=0.0, source="run")
    cold = replace(run, cell_temperature_degc=0.0)
    assert known_instruments(with_readings(cold)).of(Sensor.USABLE).value == pytest.approx(0.0, abs=1e-9)
    assert known_instruments(with_readings(run)).of(Sensor.USABLE).value < -0.05
    half = replace(run, value=25_650.0, span_ratio=0.45, span_sigma_ratio=0.01)
    assert (
        known_instruments(with_readings(half)).of(Sensor.USABLE).sigma
        > known_instruments(with_readings(run)).of(Sensor.USABLE).sigma
    )


def test_a_meter_of_its_own_leaves_the_logs_sensors_alone():
    run = InstrumentReading(
        kind=ReadingKind.USABLE, value=55_000.0, sigma=50.0, shown=0.0, source="run", is_counted_by_log=False
    )
    by_log, by_meter = (known_instruments(with_readings(replace(run, is_counted_by_log=own))) for own in (True, False))
    assert by_meter.power_gain.sigma == pytest.approx(known_instruments(example_build()).power_gain.sigma)
    assert by_log.power_gain.sigma < by_meter.power_gain.sigma
    assert by_meter.of(Sensor.USABLE).sigma < by_log.of(Sensor.USABLE).sigma
