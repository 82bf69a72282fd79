"""Whatever cannot carry a fit is refused, or comes out prior-dominated with an interval that holds the truth."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.demo.routes import TwinRoute, highway_route, mixed_route
from logan.demo.twin import TwinVehicle, drive_twin
from logan.drive.drive import Channel, Drive
from logan.model.balance import segment_drive
from logan.model.estimator import fit
from logan.model.priors import prior_of
from logan.settings import PlanningValue
from tests.twin_drives import build_of, without

VEHICLE = TwinVehicle()
SPEED_M_PER_S = 29.0


def wrong_plan():
    """A plan that is wrong by about one standard uncertainty in everything that matters."""
    build = build_of(VEHICLE)
    drag, rolling = VEHICLE.drag_area_m2, VEHICLE.rolling_coefficient
    vehicle = replace(
        build.vehicle,
        drag_area_m2=PlanningValue(drag * 0.9, drag * 0.1),
        rolling_coefficient=PlanningValue(rolling * 0.87, rolling * 0.13),
    )
    return replace(build, vehicle=vehicle)


BUILD = wrong_plan()


def cut(drive, start_s, end_s):
    channels = {}
    for name, channel in drive.channels.items():
        inside = (channel.time_s >= start_s) & (channel.time_s <= end_s)
        channels[name] = replace(channel, time_s=channel.time_s[inside], value=channel.value[inside])
    return replace(drive, channels={name: channel for name, channel in channels.items() if channel.time_s.size})


@pytest.fixture(scope="module")
def town():
    rng = np.random.default_rng(8)
    return drive_twin(VEHICLE, mixed_route(rng, duration_s=900.0), rng=rng).to_drive()


@pytest.fixture(scope="module")
def downhill():
    rng = np.random.default_rng(9)
    route = highway_route(rng, duration_s=900.0, speed_mph=50.0)
    at_m = np.arange(4000) * 10.0
    steep = TwinRoute(
        time_s=route.time_s, speed_m_per_s=route.speed_m_per_s, is_coasting=route.is_coasting,
        elevation_m=2500.0 - 0.05 * at_m, heading_deg=np.full(at_m.shape, 90.0),
    )  # fmt: skip
    return drive_twin(VEHICLE, steep, rng=rng).to_drive()


def steady_consumption(distribution):
    """Consumption at 65 mph, 20 °C, on the level: median and log sigma. [Wh/km]"""
    mass, drag, rolling, drive, _, auxiliary = distribution.median
    rolling_n, air_n = mass * 9.80665 * rolling * 1.04, 0.5 * 1.204 * drag * SPEED_M_PER_S**2
    total = (rolling_n + air_n) / drive + auxiliary / SPEED_M_PER_S
    wheel = (rolling_n + air_n) / drive
    gradient = np.array([rolling_n / drive, air_n / drive, rolling_n / drive, -wheel, 0.0, auxiliary / SPEED_M_PER_S])
    gradient /= total
    return total / 3.6, float(np.sqrt(gradient @ distribution.log_covariance @ gradient))


def assert_not_confidently_wrong(result):
    """Prior-dominated in those words, and the truth within three of the sigmas it claims."""
    assert result.is_prior_dominated
    assert any("mostly your plan" in words for words in result.warnings)
    found, sigma = steady_consumption(result.posterior)
    mass, drag = VEHICLE.mass_kg, VEHICLE.drag_area_m2
    force_n = mass * 9.80665 * VEHICLE.rolling_coefficient * 1.04 + 0.5 * 1.204 * drag * SPEED_M_PER_S**2
    truth = (force_n / VEHICLE.drive_efficiency_ratio + VEHICLE.auxiliary_power_w / SPEED_M_PER_S) / 3.6
    assert abs(np.log(found / truth)) < 3.0 * sigma


def test_one_drive_alone_is_prior_dominated_however_it_was_driven(town, downhill):
    for drive in (
        town,
        downhill,
        without(town, "elevation", "barometric_pressure"),
        without(town, "heading", "latitude", "longitude"),
    ):
        segments = segment_drive(drive, BUILD, drive_id="1")
        assert segments.refusal == ""
        assert_not_confidently_wrong(fit(prior_of(BUILD), [segments], [], BUILD))


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda drive: cut(drive, 100.0, 130.0), "too short"),
        (lambda drive: cut(drive, 100.0, 105.0), "hardly overlap"),
        (lambda drive: without(drive, "speed", "gnss_speed", "wheel_speed"), "no road speed"),
        (lambda drive: without(drive, "pack_current", "pack_power"), "no pack power"),
        (lambda drive: Drive(channels={}), "no pack power"),
    ],
    ids=["30 s", "5 s", "no speed", "no current", "nothing at all"],
)
def test_what_cannot_carry_a_fit_is_refused_with_the_reason(town, spoil, reason):
    segments = segment_drive(spoil(town), BUILD, drive_id="1")
    assert reason in segments.refusal
    result = fit(prior_of(BUILD), [segments], [], BUILD)
    assert result.drive_count == 0
    assert any(reason in words for words in result.warnings)
    np.testing.assert_allclose(result.posterior.log_mean, prior_of(BUILD).log_mean, atol=1e-9)
    assert_not_confidently_wrong(result)


def test_charging_is_no_drive():
    time_s = np.arange(0.0, 1200.0, 0.5)
    standing = {"speed": 0.0, "pack_voltage": 380.0, "pack_current": -18.0}
    channels = {
        name: Channel(name=name, time_s=time_s, value=np.full(time_s.shape, value)) for name, value in standing.items()
    }
    segments = segment_drive(Drive(channels=channels), BUILD)
    assert "too short for a fit" in segments.refusal


def test_many_drives_without_elevation_say_so(town):
    flat = without(town, "elevation", "barometric_pressure")
    drives = [segment_drive(flat, BUILD, drive_id=str(number)) for number in (1, 2)]
    result = fit(prior_of(BUILD), drives, [], BUILD)
    assert all(any("no elevation" in words for words in drive.warnings) for drive in drives)
    assert steady_consumption(result.posterior)[1] > 0.02


@given(
    start_s=st.floats(0.0, 880.0),
    length_s=st.floats(1.0, 900.0),
    dropped=st.sets(
        st.sampled_from(
            ["elevation", "heading", "latitude", "longitude", "motor_torque", "ambient_temperature", "speed"]
        )
    ),
)
@settings(deadline=None, max_examples=12)
def test_any_piece_with_any_channel_missing_is_refused_or_prior_dominated(town, start_s, length_s, dropped):
    piece = without(cut(town, start_s, start_s + length_s), *dropped)
    segments = segment_drive(piece, BUILD, drive_id="1")
    assert_not_confidently_wrong(fit(prior_of(BUILD), [segments], [], BUILD))


@given(seed=st.integers(0, 2**31))
@settings(deadline=None, max_examples=6)
def test_noise_in_place_of_a_drive_never_gives_a_surer_figure(seed):
    rng, time_s = np.random.default_rng(seed), np.arange(0.0, 900.0, 0.5)
    channels = {
        "speed": np.abs(rng.normal(15.0, 8.0, time_s.size)),
        "pack_power": rng.normal(5_000.0, 30_000.0, time_s.size),
        "elevation": rng.normal(200.0, 30.0, time_s.size),
    }
    drive = Drive(channels={name: Channel(name=name, time_s=time_s, value=value) for name, value in channels.items()})
    result = fit(prior_of(BUILD), [segment_drive(drive, BUILD, drive_id="1")], [], BUILD)
    assert result.is_prior_dominated
    assert np.isfinite(result.posterior.log_covariance).all()


@pytest.mark.parametrize("name", ["speed", "pack_current", "elevation", "ambient_temperature", "heading"])
@pytest.mark.parametrize("spoil", ["times a thousand", "frozen", "half missing", "all missing", "turned round"])
def test_a_spoiled_channel_breaks_nothing_and_gives_no_sure_figure(town, name, spoil):
    channel, rng = town.channels[name], np.random.default_rng(3)
    value = {
        "times a thousand": channel.value * 1000.0,
        "frozen": np.full(channel.value.shape, channel.value[channel.value.size // 2]),
        "half missing": np.where(rng.random(channel.value.size) < 0.5, np.nan, channel.value),
        "all missing": np.full(channel.value.shape, np.nan),
        "turned round": -channel.value,
    }[spoil]
    drive = replace(town, channels={**town.channels, name: replace(channel, value=value)})
    result = fit(prior_of(BUILD), [segment_drive(drive, BUILD, drive_id="1")], [], BUILD)
    assert result.is_prior_dominated
    assert np.isfinite(result.posterior.log_mean).all()
    assert np.isfinite(result.posterior.log_covariance).all()
