from __future__ import annotations

import pytest

from logan.quality.between_drives import find_changes
from logan.results import Estimate, Refusal


def figures(ohm=0.090, degc=25.0, standing_w=420.0, usable_wh=60_000.0):  # type: ignore[no-untyped-def]
    return {
        "pulse_resistance_10_s_ohm": Estimate(ohm, "ohm", 0.001, "test"),
        "pack_temperature_max_degc": Estimate(degc, "degC", 1.0, "test"),
        "standstill_power_w": Estimate(standing_w, "W", 20.0, "test"),
        "usable_energy_wh": Estimate(usable_wh, "Wh", 2000.0, "test"),
    }


BEFORE = [("1", figures()), ("2", figures(ohm=0.094, standing_w=450.0)), ("3", figures(ohm=0.088))]


@pytest.mark.parametrize(
    ("now", "words"),
    [
        (figures(ohm=0.140), "resistance of the pack over 10 s is 0.14 ohm, was 0.09 ohm in drives 1 to 3"),
        (figures(standing_w=900.0), "power at standstill is 900 W, was 420 W"),
        (figures(usable_wh=40_000.0), "usable energy by the gauge is 4e+04 Wh"),
    ],
)
def test_a_pack_or_load_that_differs_is_named_with_both_values(now, words) -> None:  # type: ignore[no-untyped-def]
    (flag,) = find_changes(now, BEFORE)
    assert flag.code == "pack_changed"
    assert words in flag.evidence


def test_the_usual_spread_between_drives_is_no_change() -> None:
    assert find_changes(figures(ohm=0.105, standing_w=520.0, usable_wh=56_000.0), BEFORE) == ()


def test_a_cold_pack_is_not_compared_with_a_warm_one() -> None:
    assert find_changes(figures(ohm=0.200, degc=5.0), BEFORE) == ()


def test_what_is_uncertain_refused_or_new_changes_nothing() -> None:
    vague = {**figures(), "usable_energy_wh": Estimate(40_000.0, "Wh", 9000.0, "test")}
    assert find_changes(vague, BEFORE) == ()
    assert find_changes({"usable_energy_wh": Refusal("no gauge")}, BEFORE) == ()
    assert find_changes(figures(ohm=0.3), []) == ()
