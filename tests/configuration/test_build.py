"""build.toml: what is read, and what is said when it is wrong."""

import re
from pathlib import Path

import pytest

from logan.configuration.build import read_build
from logan.configuration.declared import Table, Tables
from logan.configuration.keys import BUILD_FILE
from logan.configuration.problems import display_units_of, template
from logan.configuration.road_load import rolling_circumference_m
from logan.errors import ConfigurationError
from logan.settings import LimitSide, ScenarioKind
from logan.units import DisplayUnits

TEMPLATE = template("build.toml", DisplayUnits.parse("metric"))


def write(folder: Path, *changes: tuple[str, str]) -> Path:
    text = TEMPLATE
    for before, after in changes:
        assert before in text
        text = text.replace(before, after, 1)
    path = folder / "build.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_template_is_a_valid_build_with_sources_for_what_it_leaves_out(tmp_path):
    build = read_build(write(tmp_path))
    assert build.vehicle.mass_kg.value == 1650.0
    assert build.vehicle.drag_area_m2.source.startswith("common practice")
    assert build.vehicle.drag_area_m2.sigma > 0
    assert build.target.range_m == pytest.approx(320_000.0)
    assert {scenario.kind for scenario in build.scenarios} == {
        ScenarioKind.STEADY,
        ScenarioKind.CYCLE,
        ScenarioKind.MIX,
    }
    assert build.limits.limits == ()


def keys_of(table):
    """Every key of a table and of the tables inside it."""
    for key in table.keys:
        yield key.name
        if isinstance(key.kind, Table):
            yield from keys_of(key.kind)
        elif isinstance(key.kind, Tables) and key.name != "alternative":
            yield from keys_of(key.kind.of())


def test_the_template_explains_every_key_there_is():
    keys = {*keys_of(BUILD_FILE)}
    assert len(keys) > 60
    assert not [key for key in sorted(keys) if not re.search(rf"\b{key}\b", TEMPLATE)]


@pytest.mark.parametrize("units", ["us", "metric", "us,C"])
def test_every_example_in_the_template_is_valid(tmp_path, units):
    text = template("build.toml", DisplayUnits.parse(units))
    examples = re.sub(r"(?m)^# (?=\[\[?\w|\w+ = )", "", text.split("[build]", 1)[1])
    examples = re.sub(r"(?m)^dbc_by_bus.*$", "", examples)
    path = tmp_path / "build.toml"
    path.write_text("[build]" + examples, encoding="utf-8")
    build = read_build(path)
    assert len(build.scenarios) == 9
    assert [curve.component for curve in build.limits.curves] == ["main fuse"]
    assert [round(conductor.area_mm2) for conductor in build.limits.conductors] == [53 if units != "metric" else 50]
    assert build.display == DisplayUnits.parse(units)


def test_a_value_may_say_where_it_comes_from(tmp_path):
    change = ('mass = "1650 kg ± 20 kg"', 'mass = { value = "1650 kg", source = "truck scale ticket" }')
    mass = read_build(write(tmp_path, change)).vehicle.mass_kg
    assert mass.source.startswith("truck scale ticket")
    assert mass.sigma == pytest.approx(16.5)


def test_every_problem_is_reported_at_once_with_path_range_and_nearest_name(tmp_path):
    path = write(
        tmp_path,
        ('mass = "1650 kg ± 20 kg"', 'mass = "22 t"\nmas = "2 kg"'),
        ('max_speed = "16000 rpm"', 'max_sped = "1 rpm"'),
        ('tire = "195/65R15"', 'tire = "round"'),
        ("usable_window = [0.05, 0.95]", "usable_window = [0.9, 0.1]"),
        ("use_typical = false", 'use_typical = false\nmotor_temprature = { amber = "1 degC" }'),
        ('speed = "70 km/h"', 'speed = "45"'),
        ('cycle = "UDDS"', 'cycle = "uds"'),
        ("cells_in_series = 96", "cells_in_series = 0"),
        ('scenario = "highway 105"', 'scenario = "higway 65"'),
        ('"town" = 0.45', '"town" = 0.40'),
        ('body_class = "classic_sedan"', ""),
        ('heater_limit = "5 kW"', "heater_limit = true"),
        ("keep_logs = false", 'keep_logs = "perhaps"'),
        ('reductions = { "drive unit" = 9.1 }', 'reductions = { "drive unit" = 99 }'),
    )
    with pytest.raises(ConfigurationError) as caught:
        read_build(path)
    text = str(caught.value)
    assert "vehicle.mass: expected 0.3 to 12 t, got 22 t" in text
    assert "vehicle.mas: unknown key; did you mean mass?" in text
    assert "motor.max_speed: missing" in text
    assert "motor.max_sped: unknown key; did you mean max_speed?" in text
    assert "vehicle.tire: cannot read the tire size" in text
    assert "pack.usable_window: expected two rising shares" in text
    assert "limits.motor_temprature: unknown channel; did you mean motor_temperature?" in text
    assert "scenario[2].speed: say the unit" in text
    assert "scenario[3].cycle: expected one of UDDS, HWFET, US06, WLTC class 3b; got 'uds'; did you mean UDDS?" in text
    assert "pack.cells_in_series: expected a whole number from 1 to 500, got 0" in text
    assert "target.scenario: no scenario is called 'higway 65'; did you mean highway 105?" in text
    assert "scenario.mixed.mix: the shares must add up to 1, they add up to 0.95" in text
    assert "vehicle.drag_area: give it, or a body_class" in text
    assert "auxiliary.heater_limit: expected a quantity such as" in text
    assert "build.keep_logs: expected true or false, got 'perhaps'" in text
    assert "gearing.reductions: 'drive unit' is 99 to 1; expected 0.1 to 60" in text
    assert str(path) in text


def test_limits_that_contradict_themselves_are_told_with_everything_else(tmp_path):
    limits = (
        'motor_temperature = { amber = "150 degC", red = "120 degC" }\n'
        'inverter_temperature = { amber = "9 kg" }\ncoolant_temperature = {}\n'
        'cell_voltage_min = { amber = "2.8 V", red = "3.0 V" }'
    )
    path = write(tmp_path, ("use_typical = false", f"use_typical = false\n{limits}"), ('tire = "195/65R15"', ""))
    with pytest.raises(ConfigurationError) as caught:
        read_build(path)
    text = str(caught.value)
    assert "limits.motor_temperature: red must lie beyond amber" in text
    assert "limits.cell_voltage_min: red must lie beyond amber" in text
    assert "limits.inverter_temperature.amber" in text
    assert "limits.coolant_temperature: give amber, red or both" in text
    assert "vehicle.tire: give the size" in text


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        ('scenario = "highway 105"', 'scenario = "higway 65"', "did you mean highway 105?"),
        ('"town" = 0.45', '"town" = 0.40', "the shares must add up to 1"),
        ('"town" = 0.45', '"twon" = 0.45', "did you mean town?"),
        ('body_class = "classic_sedan"', 'body_class = ""', "vehicle.drag_area: give it, or a body_class"),
        ('units = "metric"', 'units = "leagues"', "unknown unit 'leagues'"),
        ('name = "steady 70"', 'name = "highway 105"', "same name"),
    ],
)
def test_what_does_not_fit_together_is_named(tmp_path, before, after, message):
    with pytest.raises(ConfigurationError, match=message.replace("?", r"\?")):
        read_build(write(tmp_path, (before, after)))


@pytest.mark.parametrize("content", [b"[build", b"\xff\xfe\x00", b"", b"name = 1"])
def test_garbage_is_one_clear_error(tmp_path, content):
    path = tmp_path / "build.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigurationError, match=r"build\.toml"):
        read_build(path)


def test_a_folder_without_a_build_says_how_to_make_one(tmp_path):
    with pytest.raises(ConfigurationError, match="logan new"):
        read_build(tmp_path)


def test_typical_limits_come_only_by_the_users_word_and_are_labelled(tmp_path):
    own = 'motor_temperature = { amber = "230 °F", red = "140 degC" }'
    change = ("use_typical = false", f"use_typical = true\n{own}")
    limits = read_build(write(tmp_path, change)).limits
    motor = limits.of("motor_temperature_2")[0]
    assert (motor.amber, motor.red, motor.source) == (pytest.approx(110.0), 140.0, "given")
    inverter = limits.of("inverter_temperature")[0]
    assert inverter.source == "typical, not your datasheet"
    assert limits.of("cell_voltage_min")[0].side is LimitSide.BELOW


def test_the_units_shown_are_read_even_from_a_build_with_faults(tmp_path):
    path = write(tmp_path, ('units = "metric"', 'units = "km,C"'), ('mass = "1650 kg ± 20 kg"', "mass = 1"))
    assert display_units_of(path).distance == "km"


@pytest.mark.from_memory("ETRTO Standards Manual, rolling circumference 3.05 x overall diameter")
@pytest.mark.parametrize(("size", "metres"), [("195/65R15", 1.9352), ("P205/55 R16", 1.9275), ("31x10.5R15", 2.4016)])
def test_rolling_circumference_from_the_tyre_size(size, metres):
    assert rolling_circumference_m(size) == pytest.approx(metres, abs=5e-4)
