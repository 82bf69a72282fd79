import re

import pytest

from logan.configuration.measurements import read_measurements, read_readings
from logan.configuration.problems import template
from logan.errors import ConfigurationError
from logan.model.measurement import MeasurementKind
from logan.units import DisplayUnits


def written(tmp_path, text):
    path = tmp_path / "measurements.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_no_file_is_no_measurement(tmp_path):
    assert read_measurements(tmp_path / "measurements.toml") == ()


def test_measurements_come_in_si_with_their_uncertainty(tmp_path):
    path = written(
        tmp_path,
        """
        [[measurement]]
        kind = "mass"
        value = "3640 lb ± 20 lb"
        source = "truck scale"
        [[measurement]]
        kind = "road_load"
        speed = "60 mph"
        value = "412 N ± 8 N"
        temperature = "50 °F"
        [[measurement]]
        kind = "rolling_coefficient"
        value = "0.0105 ± 0.0005"
        """,
    )
    weighed, coasted, rolled = read_measurements(path)
    assert weighed.value == pytest.approx(1651.08, abs=0.01)
    assert weighed.sigma == pytest.approx(9.0718, abs=1e-3)
    assert weighed.source == "truck scale"
    assert coasted.kind is MeasurementKind.ROAD_LOAD
    assert coasted.speed_m_per_s == pytest.approx(26.8224)
    assert coasted.temperature_degc == pytest.approx(10.0)
    assert coasted.source == "road_load"
    assert rolled.sigma == pytest.approx(0.0005)


def test_every_problem_is_told_at_once_with_its_place(tmp_path):
    path = written(
        tmp_path,
        """
        measurment = 3
        [[measurement]]
        kind = "weight"
        value = "1650 kg ± 10 kg"
        [[measurement]]
        kind = "mass"
        value = "1650 kg"
        spead = "60 mph"
        [[measurement]]
        kind = "steady_power"
        value = "16 kW ± 0.3 kW"
        [[measurement]]
        kind = "drag_area"
        value = "78 m2 ± 1 m2"
        temperature = "warm"
        [[measurement]]
        kind = "mass"
        value = "1650 kg ± 1e-300 kg"
        """,
    )
    with pytest.raises(ConfigurationError) as caught:
        read_measurements(path)
    text = str(caught.value)
    for part in (
        "measurment: unknown key; did you mean measurement?",
        "measurement[1].kind: expected one of mass, drag_area",
        "measurement[2].value: say how sure it is",
        "measurement[2].spead: unknown key",
        "measurement[3].speed: a steady_power needs the speed",
        "measurement[4].value: expected 0.1 to 10 m2, got 78 m2",
        "measurement[4].temperature:",
        "measurement[5].value: no meter is that good; say how sure it is",
    ):
        assert part in text


def test_a_measurement_that_is_no_table_is_refused(tmp_path):
    with pytest.raises(ConfigurationError, match=r"\[\[measurement\]\]"):
        read_measurements(written(tmp_path, "measurement = 3"))


@pytest.mark.parametrize("units", ["us", "metric", "us,C"])
def test_the_template_is_read_and_every_example_in_it_is_valid(tmp_path, units):
    text = template("measurements.toml", DisplayUnits.parse(units))
    path = tmp_path / "measurements.toml"
    path.write_text(text, encoding="utf-8")
    assert read_measurements(path) == ()
    examples = [line[2:] for line in text.splitlines() if re.match(r"# (\[\[|\w+ = )", line)]
    path.write_text("\n".join(examples), encoding="utf-8")
    assert {found.kind.value for found in read_measurements(path)} == {
        "mass",
        "road_load",
        "steady_power",
        "auxiliary_power",
    }


def test_what_was_compared_with_the_sensors_is_read_beside_what_was_measured(tmp_path):
    path = written(
        tmp_path,
        """
        [[measurement]]
        kind = "current_check"
        value = "120 A ± 2 A"
        shown = "122.4 A"
        source = "clamp"
        [[measurement]]
        kind = "charge_closure"
        value = "0.8 Ah ± 0.3 Ah"
        duration = "9 h"
        [[measurement]]
        kind = "wall_energy"
        value = "31.4 kWh ± 0.3 kWh"
        shown = "28.9 kWh"
        charger_efficiency = "0.92 ± 0.01"
        [[measurement]]
        kind = "usable_energy"
        value = "57.2 kWh ± 0.2 kWh"
        duration = "5 h"
        cell_temperature = "68 °F"
        state_of_charge_span = "0.90 ± 0.01"
        counted_by = "own meter"
        [[measurement]]
        kind = "mass"
        value = "1650 kg ± 8 kg"
        """,
    )
    clamp, closure, wall, run = read_readings(path)
    assert (clamp.value, clamp.sigma, clamp.shown, clamp.source) == (120.0, 2.0, 122.4, "clamp")
    assert closure.duration_s == pytest.approx(32_400.0)
    assert (wall.shown, wall.charger_efficiency, wall.charger_sigma) == (28_900.0, 0.92, 0.01)
    assert (run.span_ratio, run.span_sigma_ratio, run.is_counted_by_log) == (0.9, 0.01, False)
    assert run.cell_temperature_degc == pytest.approx(20.0)
    assert [found.kind for found in read_measurements(path)] == [MeasurementKind.MASS]


def test_a_comparison_without_what_the_log_showed_is_told(tmp_path):
    path = written(tmp_path, '[[measurement]]\nkind = "voltage_check"\nvalue = "362 V ± 0.5 V"\n')
    with pytest.raises(ConfigurationError) as caught:
        read_readings(path)
    assert "what did the log show" in " ".join(caught.value.problems)
