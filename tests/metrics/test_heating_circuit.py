from dataclasses import replace

import numpy as np
import pytest

from logan.analysis import analyse_drive
from logan.metrics.thermal import is_heating_circuit, limits_that_apply
from logan.settings import TYPICAL_SOURCE, Limit, LimitSheet, LimitSide
from tests.builds import example_build
from tests.first_order import first_order_response_degc
from tests.twin_drives import made_drive

TIME_S = np.arange(0.0, 1800.0, 1.0)
TYPICAL = Limit(channel="coolant_temperature", side=LimitSide.ABOVE, amber=60.0, red=65.0, source=TYPICAL_SOURCE)
BUILD = example_build(limits=LimitSheet(limits=(TYPICAL,)))


def winter_drive(heated_by, *, heater_w=5_000.0):
    """Traction and heater come and go on their own; one of them warms the coolant to 70 °C."""
    rng = np.random.default_rng(3)
    traction = np.repeat(rng.uniform(2_000.0, 40_000.0, 30), 60)
    heater = heater_w * np.repeat(rng.uniform(0.2, 1.0, 10), 180)
    load = {"heater": heater / heater_w, "traction": traction / 30_000.0}[heated_by]
    coolant = first_order_response_degc(
        TIME_S, load, np.full(TIME_S.shape, 5.0), start_degc=5.0, time_constant_s=240.0, resistance_k_per_w=90.0
    )
    return made_drive(
        ("pack_power", TIME_S, traction + heater),
        ("heater_power", TIME_S, heater),
        ("coolant_temperature", TIME_S, np.round(coolant)),
        ("speed", TIME_S, np.full(TIME_S.shape, 15.0)),
    )


@pytest.mark.parametrize(("heated_by", "expected"), [("heater", True), ("traction", False)])
def test_what_warms_the_coolant_tells_whose_it_is(heated_by, expected):
    assert is_heating_circuit(winter_drive(heated_by), "coolant_temperature") is expected


def test_the_heaters_coolant_raises_no_alarm_by_a_typical_limit_and_says_so():
    limits = analyse_drive(winter_drive("heater"), BUILD).limits
    assert limits.events == ()
    (check,) = [check for check in limits.checks if check.channel == "coolant_temperature"]
    assert check.verdict == "no limit given"
    assert "follows the cabin heater" in limits.notes[0]


def test_the_drive_units_coolant_does():
    limits = analyse_drive(winter_drive("traction"), BUILD).limits
    assert [event.what for event in limits.events][:1] == ["coolant_temperature"]
    assert limits.notes == ()


def test_a_limit_of_the_users_own_always_stands():
    own = example_build(limits=LimitSheet(limits=(replace(TYPICAL, source="datasheet"),)))
    assert limits_that_apply(winter_drive("heater"), own) == (own, ())


def test_a_heater_that_hardly_ran_warms_nothing():
    assert not is_heating_circuit(winter_drive("heater", heater_w=200.0), "coolant_temperature")


def test_without_heater_or_power_nothing_is_claimed():
    drive = winter_drive("heater")
    for name in ("heater_power", "pack_power", "coolant_temperature"):
        left = replace(drive, channels={key: one for key, one in drive.channels.items() if key != name})
        assert not is_heating_circuit(left, "coolant_temperature")
