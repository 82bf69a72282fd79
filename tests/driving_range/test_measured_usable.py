"""What a drive's state of charge and counted energy say: of the pack and of the sensors together."""

from types import SimpleNamespace

import numpy as np
import pytest

from logan.driving_range.usable_energy import GAUGE_SIGMA_RATIO, GaugedDrive, usable_energy_of, usable_evidence
from logan.instruments.drive_evidence import UNKNOWNS, Sensor
from logan.instruments.posterior import known_instruments
from logan.metrics.error_budget import ErrorPart
from logan.model.cabin_load import nominal_open_circuit_voltage_v
from logan.results import Estimate, Refusal
from tests.builds import example_build

BUILD = example_build()  # 57.0 kWh, 2.0 kWh


def gauged(
    wh,
    start=0.85,
    end=0.15,
    *,
    cells_degc=25.0,
    is_circular=False,
    is_rested=False,
    heat_wh=None,
    charging=(),
    number=1,
):
    """A drive that took so much for each full window, of which it used the part between two gauge readings."""
    span = start - end
    net_wh = wh * span / 0.9  # the build's window is 5 to 95 %
    window = Estimate(wh, "Wh", 600.0) if wh and span >= 0.1 else Refusal("too short")
    gain = ErrorPart(name="gain", sigma_wh=0.014 * net_wh, how="")
    skew = ErrorPart(name="skew", sigma_wh=0.002 * net_wh, how="")
    heat = None if heat_wh is None else SimpleNamespace(energy_wh=Estimate(heat_wh, "Wh", 0.0))
    analysis = SimpleNamespace(
        pack=SimpleNamespace(
            usable=SimpleNamespace(
                window_energy_wh=window,
                is_circular=is_circular,
                is_rested=is_rested,
                start_ratio=start,
                end_ratio=end,
            ),
            charging=charging,
        ),
        energy=SimpleNamespace(
            net_wh=Estimate(net_wh, "Wh", gain.sigma_wh), budget=(gain, skew), duration_s=7200.0, charging_s=0.0
        ),
        ledger=SimpleNamespace(entry=lambda name: heat),
    )
    return GaugedDrive(analysis=analysis, cell_temperature_degc=cells_degc, source=f"drive {number}")


def observation(wh, **told):
    return usable_evidence([gauged(wh, **told)], BUILD)


def usable(evidence, build=BUILD):
    return known_instruments(build, evidence).of(Sensor.USABLE)


def test_drives_pull_the_plan_towards_what_they_show():
    found = usable(observation(53_000.0))
    assert np.log(53.0 / 57.0) < found.value < 0.0
    assert found.sigma < known_instruments(BUILD).sigma[UNKNOWNS.index(Sensor.USABLE)]
    assert "SOC against counted energy" in found.source


def test_the_gauge_and_the_sensor_are_shared_so_many_drives_do_not_make_it_sure():
    found = usable(observation(53_000.0) * 200)
    planned = 2.0 / 57.0
    drives = float(np.hypot(GAUGE_SIGMA_RATIO, 0.01 * np.sqrt(2.0)))
    assert found.sigma == pytest.approx((planned**-2 + drives**-2) ** -0.5, rel=0.06)
    assert found.value < usable(observation(53_000.0)).value


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
    assert row.sigma == 0.01


def test_one_drives_reading_is_as_sure_as_its_two_ends_and_its_own_sensors_apart():
    """By hand: ends of 2 % over 70 points, 0.2 % of skew, 1 % of load; gain is an unknown of its own."""
    (row,) = observation(53_000.0)
    assert row.value == pytest.approx(np.log(53.0 / 57.0))
    assert row.sigma == pytest.approx(np.sqrt((np.sqrt(2.0) * 0.02 / 0.7) ** 2 + 0.002**2 + 0.01**2))
    net_wh = 53_000.0 * 0.7 / 0.9
    assert row.weights[Sensor.CURRENT_ZERO] == pytest.approx(nominal_open_circuit_voltage_v(BUILD) * 2.0 / net_wh)
    (rested,) = observation(53_000.0, is_rested=True)
    assert rested.sigma == pytest.approx(np.sqrt((np.sqrt(2.0) * 0.01 / 0.7) ** 2 + 0.002**2 + 0.01**2))


def test_a_reading_in_the_cold_is_less_sure_by_the_loss_per_kelvin():
    (row,) = observation(53_000.0, cells_degc=0.0)
    (warm,) = observation(53_000.0)
    loss = BUILD.pack.usable_loss_per_k
    share = 1.0 - 25.0 * loss.value
    assert row.value - warm.value == pytest.approx(-np.log(share))
    assert row.sigma == pytest.approx(np.hypot(warm.sigma, loss.sigma * 25.0 / share))


def test_a_reading_under_load_is_brought_to_moderate_load():
    """A pack that loses 8 % of what it gives to its own resistance would give more at the load of three hours."""
    net_wh = 53_000.0 * 0.7 / 0.9
    (row,) = observation(53_000.0, heat_wh=0.08 * net_wh)
    planned = usable_energy_of(BUILD)
    moderate_w, volt, ohm = planned.energy_wh / 3.0, planned.open_circuit_voltage_v, planned.resistance_ohm
    ampere = (volt - np.sqrt(volt**2 - 4.0 * ohm * moderate_w)) / (2.0 * ohm)
    under = 1.0 / 1.08 * (1.0 + ohm * ampere**2 / moderate_w)
    assert row.value == pytest.approx(np.log(53.0 / 57.0 / under), abs=1e-6)
    parts = np.sqrt(2.0) * 0.02 / 0.7, 0.002, 1.0 - under
    assert row.sigma == pytest.approx(np.hypot.reduce(parts), rel=1e-6)


def test_short_drives_with_charging_between_are_joined():
    """Four drives of 9 points, each too short alone, read at eight ends; two that go on from one another at six."""
    apart = [gauged(53_000.0, 0.80, 0.71, number=n) for n in range(1, 5)]
    (row,) = usable_evidence(apart, BUILD)
    assert row.source == "drives 1 to 4 joined"
    assert row.value == pytest.approx(np.log(53.0 / 57.0))
    skew = 0.002 / 2.0  # of four equal drives, in squares
    assert row.sigma == pytest.approx(np.sqrt(8 * (0.02 / 0.36) ** 2 + skew**2 + 0.01**2))
    going_on = [*apart[:3], gauged(53_000.0, 0.71, 0.62, number=4)]
    (row,) = usable_evidence(going_on, BUILD)
    assert row.sigma == pytest.approx(np.sqrt(6 * (0.02 / 0.36) ** 2 + skew**2 + 0.01**2))
    assert usable_evidence([gauged(53_000.0, 0.80, 0.71)], BUILD) == ()
    assert usable_evidence([*apart[:2], gauged(53_000.0, is_circular=True)], BUILD) == ()
    own, joined = usable_evidence([gauged(53_000.0, number=7), *apart], BUILD)
    assert (own.source, joined.source) == ("drive 7", "drives 1 to 4 joined")
