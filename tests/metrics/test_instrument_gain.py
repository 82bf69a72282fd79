"""One source for the sensors' gain, ``[instruments]``: whatever it is, it stands whole in every figure read by them."""

from dataclasses import replace

import numpy as np
import pytest

from logan.demo.twin import TwinVehicle
from logan.instrument_settings import SensorError
from logan.metrics.calibration import calibration_summary
from logan.metrics.energy import energy_summary
from logan.metrics.pack import pack_summary
from logan.metrics.resistance import resistance_summary
from tests.metrics.test_calibration import steady_drive
from tests.metrics.test_pack import charge_drive, discharge_drive
from tests.twin_drives import build_of, made_drive, twin_drive


def with_gains(current, voltage):
    build = build_of(TwinVehicle())
    gains = {"current_gain_ratio": SensorError(current), "voltage_gain_ratio": SensorError(voltage)}
    return replace(build, instruments=replace(build.instruments, **gains))


def resistances(build):
    summary = resistance_summary(twin_drive("mixed", 0, duration_s=1500.0).to_drive(), build)
    cold = [one.resistance_ohm for one in summary.cold if not one.is_extrapolated]
    assert cold
    return [band.resistance_ohm for band in (*summary.whole_drive[:3], *summary.bands[:3])] + cold


def allowed_currents(build):
    build = replace(build, pack=replace(build.pack, cell_voltage_floor_v=2.8, discharge_current_limit_a=None))
    found = resistance_summary(twin_drive("mixed", 0, duration_s=1500.0).to_drive(), build).allowed
    return [one.current_a for one in found]


def charges(build):
    drive = discharge_drive(wobble=0.012)
    return [pack_summary(drive, build, energy_summary(drive, build)).usable.charge_ah]


def charging(build):
    drive = charge_drive()
    return [one.pack_wh for one in pack_summary(drive, build, energy_summary(drive, build)).charging]


def steady(build):
    """Both ways: one sensor read them both."""
    return [run.power_w for run in calibration_summary(steady_drive(wind_w=2000.0), build).steady_runs]


def standing(build):
    time_s = np.arange(0.0, 300.0, 0.5)
    same = (("pack_voltage", 400.0), ("pack_current", 2.0), ("speed", 0.0))
    drive = made_drive(*((name, time_s, np.full(time_s.shape, value)) for name, value in same))
    return [load.power_w for load in calibration_summary(drive, build).standstill]


@pytest.mark.parametrize("figures", [resistances, allowed_currents, charges, charging, steady, standing])
def test_the_gain_of_the_instruments_stands_whole_in_the_figure(figures):
    exact, fair, poor = (figures(with_gains(*both)) for both in ((0.0, 0.0), (0.01, 0.0), (0.03, 0.04)))
    whole = 0.03 if figures is charges else 0.05
    assert exact
    for without, one, other in zip(exact, fair, poor, strict=True):
        assert one.sigma**2 - without.sigma**2 == pytest.approx((0.01 * one.value) ** 2, rel=1e-6)
        assert other.sigma**2 - without.sigma**2 == pytest.approx((whole * one.value) ** 2, rel=1e-6)
