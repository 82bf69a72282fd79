"""Fit, prediction, gearing, heat and ledger lose the same at the same force, speed and temperature."""

from dataclasses import replace

import numpy as np
import pytest

from logan.driving_range.holding import PlainVehicle, losses_of_build, road_vehicle_of
from logan.heat.forecast import HeatRoad, road_samples
from logan.ledger.reckon import energy_ledger
from logan.model.forward import consumption_wh_per_km
from logan.model.parameters import Conditions, Environment
from logan.model.priors import prior_of
from logan.model.schedule import steady_schedule
from logan.settings import PlanningValue
from tests.builds import example_build
from tests.twin_drives import made_drive

TAUGHT = Environment(
    rolling_temperature_coefficient_per_k=0.006, heating_w_per_k=0.0, cooling_w_per_k=0.0, tire_rise_ratio=0.12,
    driveline_drag_n=35.0, driveline_n_s_per_m=0.9, constant_loss_w=180.0, copper_loss_w_per_n2=4e-4,
)  # fmt: skip
AIR = Conditions(ambient_temperature_degc=33.0, payload_kg=150.0, cabin_climate=False)
POINTS = [(8.0, 0.0), (20.0, 0.0), (31.0, 0.0), (15.0, 0.06), (24.6, 0.06)]


class Still:
    """No wind, no spread: samples are their medians."""

    def standard_normal(self, count):
        return np.zeros(count)


@pytest.fixture(scope="module")
def build():
    plain = example_build()
    vehicle = replace(plain.vehicle, linear_road_load_n_s_per_m=PlanningValue(2.0, 0.1))
    pack = replace(plain.pack, discharge_current_limit_a=None, charge_current_limit_a=None, cell_voltage_floor_v=None)
    return replace(plain, vehicle=vehicle, pack=pack)


def predicted_w(build, speed, grade):
    """What the fit fits and the prediction predicts."""
    parameters = prior_of(build).median[np.newaxis]
    found = consumption_wh_per_km(steady_schedule(speed, grade_ratio=grade), AIR, parameters, build, environment=TAUGHT)
    return float(found[0]) * speed * 3.6


@pytest.mark.parametrize(("speed", "grade"), POINTS)
def test_gearing_takes_what_the_prediction_takes_in_the_gear_driven(build, speed, grade):
    vehicle = PlainVehicle.of(build, prior_of(build), AIR, losses_of_build(build, None), TAUGHT)
    ratio = build.powertrain.gearing.total_ratio
    assert vehicle.battery_w(np.array([speed]), ratio, grade)[0] == pytest.approx(
        predicted_w(build, speed, grade), rel=2e-3
    )


@pytest.mark.parametrize(("speed", "grade"), POINTS)
def test_the_pass_takes_what_the_prediction_takes(build, speed, grade):
    medians = prior_of(build).median
    vehicle = PlainVehicle.of(build, prior_of(build), AIR, losses_of_build(build, None), TAUGHT)
    road = HeatRoad(
        speed_m_per_s=np.full(600, speed), grade_ratio=np.full(600, grade), ambient_degc=33.0, payload_kg=150.0,
        density_kg_per_m3=vehicle.density_kg_per_m3, start_charge_ratio=0.8,
    )  # fmt: skip
    samples = road_samples(road, road_vehicle_of(build, medians, TAUGHT), build, medians[np.newaxis], Still())
    pack = build.pack
    full_wh = pack.usable_energy_wh.value / (pack.usable_high_ratio - pack.usable_low_ratio)
    used_wh = (samples.charge_ratio[10, 0] - samples.charge_ratio[-10, 0]) * full_wh
    seconds = 4.0 * (samples.charge_ratio.shape[0] - 20)
    assert used_wh * 3600.0 / seconds == pytest.approx(predicted_w(build, speed, grade), rel=0.01)


def test_the_ledger_loses_what_the_prediction_loses(build):
    """A steady drive whose pack power is the predicted one closes: what is lost between is the same."""
    speed, t = 24.0, np.arange(0.0, 1200.0, 0.5)
    level = replace(AIR, payload_kg=0.0)
    watts = consumption_wh_per_km(
        steady_schedule(speed), level, prior_of(build).median[np.newaxis], build, environment=TAUGHT
    )
    taught = {
        name: PlanningValue(getattr(TAUGHT, name), 1e-6)
        for name in ("constant_loss_w", "copper_loss_w_per_n2", "driveline_drag_n", "driveline_n_s_per_m")
    }
    told = replace(build, powertrain=replace(build.powertrain, **taught))
    drive = made_drive(
        ("speed", t, np.full(t.size, speed)), ("pack_voltage", t, np.full(t.size, 350.0)),
        ("pack_current", t, np.full(t.size, float(watts[0]) * speed * 3.6 / 350.0)),
        ("ambient_temperature", t, np.full(t.size, 33.0)),
    )  # fmt: skip
    ledger = energy_ledger(drive, told)
    lost = next(entry.energy_wh.value for entry in ledger.entries if entry.name == "drivetrain")
    vehicle = PlainVehicle.of(build, prior_of(build), level, losses_of_build(build, None), TAUGHT)
    force = float(vehicle.load_n(np.array([speed]))[0])
    efficiency = build.powertrain.drive_efficiency.value
    # The ledger counts what the driveline drags, a certified B too, with the drivetrain.
    dragged_n = 35.0 + (0.9 + 2.0) * speed
    expected_w = 180.0 + 4e-4 * force**2 + force * speed * (1.0 / efficiency - 1.0) + dragged_n * speed
    assert lost == pytest.approx(expected_w * 1199.5 / 3600.0, rel=0.01)
    assert abs(ledger.residual_wh.value) < 0.1 * lost
