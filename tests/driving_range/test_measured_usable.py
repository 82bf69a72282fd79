"""What a drive's state of charge and counted energy say: of the pack and of the sensors together."""

from types import SimpleNamespace

import numpy as np
import pytest

from logan.driving_range.usable_energy import GAUGE_SIGMA_RATIO, usable_evidence
from logan.instruments.drive_evidence import UNKNOWNS, USABLE
from logan.instruments.posterior import known_instruments
from logan.metrics.error_budget import ErrorPart
from logan.results import Estimate, Refusal
from tests.builds import example_build

BUILD = example_build()  # 57.0 kWh, 2.0 kWh


def observation(wh, sigma_wh=600.0, *, cells_degc=25.0, is_circular=False, charging=()):
    window = Estimate(wh, "Wh", sigma_wh) if wh else Refusal("too short")
    net_wh = 0.7 * wh
    gain = ErrorPart(name="gain", sigma_wh=0.014 * net_wh, how="")
    analysis = SimpleNamespace(
        pack=SimpleNamespace(
            usable=SimpleNamespace(window_energy_wh=window, is_circular=is_circular), charging=charging
        ),
        energy=SimpleNamespace(net_wh=Estimate(net_wh, "Wh", gain.sigma_wh), budget=(gain,), duration_s=7200.0),
    )
    return usable_evidence(analysis, BUILD, cells_degc, "drive 1")


def usable(evidence, build=BUILD):
    return known_instruments(build, evidence).of(USABLE)


def test_drives_pull_the_plan_towards_what_they_show():
    found = usable(observation(53_000.0, 1_500.0))
    assert np.log(53.0 / 57.0) < found.value < 0.0
    assert found.sigma < known_instruments(BUILD).sigma[UNKNOWNS.index(USABLE)]
    assert "SOC against counted energy" in found.source


def test_the_gauge_and_the_sensor_are_shared_so_many_drives_do_not_make_it_sure():
    found = usable(observation(53_000.0, 1_500.0) * 200)
    planned = 2.0 / 57.0
    drives = float(np.hypot(GAUGE_SIGMA_RATIO, 0.01 * np.sqrt(2.0)))
    assert found.sigma == pytest.approx((planned**-2 + drives**-2) ** -0.5, rel=0.06)
    assert found.value < usable(observation(53_000.0, 1_500.0)).value


def test_cold_cells_are_brought_to_25_degrees_first():
    warm, cold = observation(55_000.0), observation(55_000.0 * (1 - 0.004 * 25), cells_degc=0.0)
    assert cold[0].value == pytest.approx(warm[0].value, abs=1e-9)
    assert cold[0].sigma > warm[0].sigma


def test_a_gauge_that_repeats_the_counted_current_says_nothing():
    assert observation(53_000.0, is_circular=True) == ()
    assert observation(0.0) == ()


def test_a_charge_against_the_wall_says_a_little_of_the_sensor():
    session = SimpleNamespace(pack_wh=Estimate(27_540.0, "Wh"), wall_wh=Estimate(30_000.0, "Wh"))
    (row,) = observation(0.0, charging=(session,))
    assert row.value == pytest.approx(np.log(1.02))
    assert row.shared_sigma == pytest.approx(1 / 30)
