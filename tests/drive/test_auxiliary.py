import numpy as np
import pytest

from logan.drive.drive import pack_power
from logan.drive.logged_loads import auxiliary_load
from tests.builds import example_build
from tests.twin_drives import made_drive

BUILD = example_build()
TIME_S = np.arange(0.0, 300.0, 0.5)


def load_of(*columns, still=True):
    speed = np.where((TIME_S < 100.0) & still, 0.0, 20.0)
    drive = made_drive(
        ("pack_power", TIME_S, np.where(speed > 0.0, 15_000.0, 900.0)), ("speed", TIME_S, speed), *columns
    )
    return auxiliary_load(drive, BUILD, pack_power(drive))


def test_what_flows_at_standstill_beyond_the_logged_flows_while_driving_too():
    load = load_of(("dcdc_power", TIME_S, np.full(TIME_S.shape, 300.0)))
    assert load.parts_w["inverter standby"] == pytest.approx(np.full(TIME_S.shape, 600.0))
    assert load.total_w == pytest.approx(np.full(TIME_S.shape, 900.0))
    assert load.basis == {"DC-DC": "measured", "inverter standby": "measured at standstill"}
    assert load.notes == ()


def test_parts_add_up_to_the_total():
    load = load_of(
        ("heater_power", TIME_S, 5.0 * TIME_S),
        ("auxiliary_power", TIME_S, 400.0 + 5.0 * TIME_S),
        ("air_conditioning_power", TIME_S, np.full(TIME_S.shape, 100.0)),
    )
    assert sum(load.parts_w.values()) == pytest.approx(load.total_w)
    assert load.parts_w["other auxiliaries"] == pytest.approx(np.full(TIME_S.shape, 300.0))


def test_without_standstill_the_builds_base_load_is_assumed_and_said():
    load = load_of(still=False)
    assert load.total_w == pytest.approx(np.full(TIME_S.shape, 350.0))
    assert load.notes == ("auxiliaries not logged: 350 W of the build assumed",)
    assert load.sigma_w == pytest.approx(120.0)


def test_a_logged_converter_makes_the_base_load_superfluous():
    load = load_of(("dcdc_power", TIME_S, np.full(TIME_S.shape, 280.0)), still=False)
    assert load.total_w == pytest.approx(np.full(TIME_S.shape, 280.0))
    assert "no idle load beyond" in load.notes[0]
