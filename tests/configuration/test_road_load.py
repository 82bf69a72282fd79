"""The road load said in three ways, and what comes of it."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from logan.configuration.build import read_build
from logan.drive_cycles.cycles import load_cycle
from logan.errors import ConfigurationError
from logan.model.forward import consumption
from logan.model.parameters import Conditions
from logan.model.priors import planning_values
from tests.certified_vehicles import certified_vehicles

MILE_KM = 1.609344
MIDSIZE = (
    'road_load = { a = "34.98 lbf", b = "0.0865 lbf/mph", c = "0.0148 lbf/mph2", '
    'test_weight = "4250 lb", source = "coastdown" }'
)
BOX = 'body_class = "modern_sedan"\nwidth = "1.85 m"\nheight = "1.44 m"'


def build(tmp_path: Path, *lines: str, weight: float = 4250.0):
    vehicle = dataclasses.replace(certified_vehicles()[0], test_weight_lb=weight)
    text = vehicle.build_toml(road_load="\n".join(lines) + '\nwheel_inertia = "0 kg m2"')
    path = tmp_path / "build.toml"
    path.write_text(text.replace("max_power", 'rotor_inertia = "0 kg m2"\nmax_power'), encoding="utf-8")
    return read_build(path)


@pytest.mark.recomputed("outside the project: wheel energy of A, B, C and test weight on the 1 Hz schedules")
@pytest.mark.parametrize(
    ("coefficients", "weight_lb", "cycle", "drive", "brake"),
    [
        ((34.98, 0.0865, 0.0148), 4250, "udds", 220.9, 113.8),
        ((34.98, 0.0865, 0.0148), 4250, "hwfet", 181.2, 26.8),
        ((34.98, 0.0865, 0.0148), 4250, "us06", 312.6, 119.3),
        ((28.99, 0.4592, 0.0111), 4750, "udds", 239.9, 130.1),
        ((28.99, 0.4592, 0.0111), 4750, "us06", 335.1, 137.2),
        ((6.31, 0.1862, 0.00433), 1340, "udds", 69.6, 36.3),
        ((6.31, 0.1862, 0.00433), 1340, "hwfet", 61.6, 8.1),
    ],
)
def test_coefficients_in_a_build_give_the_wheel_energy(tmp_path, coefficients, weight_lb, cycle, drive, brake):
    a, b, c = coefficients
    given = f'road_load = {{ a = "{a} lbf", b = "{b} lbf/mph", c = "{c} lbf/mph2", test_weight = "{weight_lb} lb", '
    settings = build(tmp_path, given + 'source = "coastdown" }', weight=weight_lb)
    parameters = np.array([[value.value for value in planning_values(settings)]])
    reference = Conditions(ambient_temperature_degc=20.0, pressure_pa=98_210.0)
    found = consumption(load_cycle(cycle), reference, parameters, settings)
    assert found.wheel_drive_wh_per_km[0] * MILE_KM == pytest.approx(drive, abs=0.06)
    assert found.wheel_brake_wh_per_km[0] * MILE_KM == pytest.approx(brake, abs=0.06)


def test_coefficients_may_come_in_newtons_too(tmp_path):
    pounds = build(tmp_path, MIDSIZE).vehicle
    given = 'road_load = { a = "155.5988 N", b = "0.860709 N/(m/s)", c = "0.329424 N/(m/s)2", '
    newtons = build(tmp_path, given + 'test_weight = "1927.77 kg", source = "coastdown" }').vehicle
    for name in ("drag_area_m2", "rolling_coefficient", "linear_road_load_n_s_per_m"):
        assert getattr(newtons, name).value == pytest.approx(getattr(pounds, name).value, rel=1e-4)


def test_width_and_height_give_an_area_by_the_class_s_cd_with_all_their_doubt(tmp_path):
    drag = build(tmp_path, BOX, 'tyre_class = "radial"').vehicle.drag_area_m2
    assert drag.value == pytest.approx(1.85 * 1.44 * 0.83 * 0.28)
    assert drag.sigma / drag.value == pytest.approx(
        np.sqrt(0.01**2 + 0.01**2 + (0.02 / 0.83) ** 2 + (0.03 / 0.28) ** 2)
    )
    assert "width x height" in drag.source
    assert "from memory" in drag.source


def test_two_ways_that_agree_say_so_and_keep_the_first(tmp_path):
    alone, both = build(tmp_path, MIDSIZE).vehicle, build(tmp_path, MIDSIZE, BOX).vehicle
    assert both.drag_area_m2.value == alone.drag_area_m2.value
    assert "agrees with" in both.drag_area_m2.source


def test_two_ways_that_part_are_widened_and_said(tmp_path):
    apart = build(tmp_path, MIDSIZE, 'drag_area = "0.72 m2 ± 0.04 m2"').vehicle.drag_area_m2
    assert "doubted, widened" in apart.source
    assert apart.sigma == pytest.approx(apart.value * np.hypot(0.04, 0.5 * np.log(0.72 / apart.value)))


def test_two_ways_that_cannot_both_be_right_are_refused_by_name(tmp_path):
    with pytest.raises(ConfigurationError) as caught:
        build(tmp_path, MIDSIZE, 'drag_area = "1.30 m2 ± 0.05 m2"')
    assert "vehicle.drag_area" in str(caught.value)
    assert "check the units of both" in str(caught.value)


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ('width = "1.85 m"\nbody_class = "van"\ntyre_class = "radial"', "width and height together"),
        ('width = "1.85 m"\nheight = "1.5 m"\ntyre_class = "radial"', "drag_coefficient"),
        (MIDSIZE.replace("lbf/mph2", "lbf"), "road_load.c"),
        (MIDSIZE.replace(', source = "coastdown"', ""), "road_load.source"),
        ('tyre_class = "radial"', "a typical value, or road_load"),
    ],
)
def test_what_cannot_be_used_is_said_with_its_key(tmp_path, line, problem):
    with pytest.raises(ConfigurationError, match=problem):
        build(tmp_path, line)


def test_certification_coefficients_are_raised_on_the_road_with_the_reason(tmp_path):
    plain = planning_values(build(tmp_path, MIDSIZE))
    raised = planning_values(build(tmp_path, MIDSIZE.replace("coastdown", "certification")))
    for index in (1, 2):
        assert raised[index].value / plain[index].value == pytest.approx(np.exp(0.15 * np.sqrt(2 / np.pi)))
        assert "come out low" in raised[index].source


def test_what_is_kept_of_the_old_vehicle_is_a_correction_with_its_spread_and_source(tmp_path):
    new = build(tmp_path, MIDSIZE).powertrain
    text = (tmp_path / "build.toml").read_text(encoding="utf-8")
    (tmp_path / "build.toml").write_text(
        text.replace("[pack]", "[powertrain]\nkept_axle = true\ntransfer_case = true\n\n[pack]").replace(
            "[vehicle]", "[vehicle]\nlifted = true"
        ),
        encoding="utf-8",
    )
    old = read_build(tmp_path / "build.toml")
    assert old.powertrain.drive_efficiency.value == pytest.approx(new.drive_efficiency.value * 0.96 * 0.98)
    assert old.powertrain.regen_efficiency.value == pytest.approx(new.regen_efficiency.value * 0.96 * 0.98)
    assert old.powertrain.drive_efficiency.sigma > new.drive_efficiency.sigma * 0.96 * 0.98
    assert "hypoid axle" in old.powertrain.drive_efficiency.source
    assert "transfer case" in old.powertrain.drive_efficiency.source
    assert "big tires" in old.vehicle.drag_area_m2.source


@pytest.mark.parametrize(
    ("lines", "problem"),
    [
        ("module = [10, 1]", "no whole modules"),
        ('[[pack.alternative]]\ncells_in_series = 90\ncells_in_parallel = 2\ncell_capacity = "60 Ah"', "same name"),
    ],
)
def test_packs_that_cannot_be_built_are_refused(tmp_path, lines, problem):
    build(tmp_path, MIDSIZE)
    path = tmp_path / "build.toml"
    text = path.read_text(encoding="utf-8").replace('cell_capacity = "55 Ah"', 'cell_capacity = "55 Ah"\n' + lines)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigurationError, match=problem):
        read_build(path)
