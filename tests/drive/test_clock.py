import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.channels.mapped import MappedChannel
from logan.drive.clock import repair_clock

NS = 1_000_000_000
START_NS = 1_700_000_000 * NS


def channel(name, time_s, value=None):
    time_ns = np.rint(np.asarray(time_s, dtype=np.float64) * NS).astype(np.int64)
    return MappedChannel(
        name=name,
        time_ns=time_ns,
        value=np.arange(time_ns.size, dtype=float) if value is None else np.asarray(value, float),
    )


def repaired(*channels):
    samples, changes = repair_clock({one.name: one for one in channels})
    return {name: one.time_ns / NS for name, one in samples.items()}, samples, [change.action for change in changes]


def test_a_sound_clock_is_left_alone():
    times, samples, actions = repaired(channel("speed", [0.0, 0.1, 0.25]))
    assert actions == []
    assert times["speed"] == pytest.approx([0.0, 0.1, 0.25])
    assert samples["speed"].value.tolist() == [0.0, 1.0, 2.0]


@pytest.mark.parametrize("wrap_s", [65.536, 4294.967296, 3600.0, 86400.0])
def test_a_counter_that_runs_over_goes_on(wrap_s):
    true_s = wrap_s - 2.0 + np.arange(0, 6, 0.1)
    times, _, actions = repaired(channel("speed", true_s % wrap_s))
    assert actions == ["time_wrap"]
    assert times["speed"] == pytest.approx(true_s, abs=1e-6)


def test_two_wraps_in_one_log_are_both_undone():
    true_s = 60.0 + np.arange(0, 100, 0.1)
    times, _, actions = repaired(channel("speed", true_s % 65.536))
    assert actions == ["time_wrap", "time_wrap"]
    assert times["speed"] == pytest.approx(true_s, abs=1e-6)


def test_a_slow_channel_follows_the_busy_one_through_a_wrap():
    fast, slow = 60.0 + np.arange(0, 20, 0.1), 60.0 + np.arange(0, 20, 5.0)
    times, _, _ = repaired(channel("speed", fast % 65.536), channel("ambient_temperature", slow % 65.536))
    assert times["ambient_temperature"] == pytest.approx(slow, abs=1e-6)


def test_a_slow_channel_without_a_sample_in_the_first_session_joins_the_second():
    fast = np.concatenate([np.arange(100, 130, 0.1), np.arange(0, 60, 0.1)])
    times, _, _ = repaired(channel("speed", fast), channel("odometer", [10.0, 40.0]))
    assert times["odometer"] == pytest.approx([129.9 + 10 + 10, 129.9 + 10 + 40], abs=0.01)


def test_a_reset_starts_a_new_session_behind_a_gap():
    times, _, actions = repaired(channel("speed", np.concatenate([np.arange(0, 50, 0.1), np.arange(0, 30, 0.1)])))
    assert actions == ["time_reset"]
    assert np.diff(times["speed"]).min() > 0
    assert np.diff(times["speed"]).max() == pytest.approx(10.0)


def test_a_clock_set_back_goes_on_without_a_gap():
    times, _, actions = repaired(channel("speed", np.concatenate([np.arange(0, 50, 0.1), np.arange(45, 80, 0.1)])))
    assert actions == ["time_backwards"]
    assert np.diff(times["speed"]).max() == pytest.approx(0.1, abs=1e-6)


def test_a_clock_that_is_set_during_the_log_dates_all_of_it():
    late = START_NS / NS + np.arange(0, 5, 0.1)
    _, samples, actions = repaired(channel("speed", np.concatenate([np.arange(0, 5, 0.1), late])))
    assert actions == ["time_set"]
    assert samples["speed"].time_ns[-1] == pytest.approx(START_NS + 4.9 * NS, abs=1000)
    assert samples["speed"].time_ns[0] == pytest.approx(START_NS - 5.0 * NS, abs=1e6)


def test_a_jump_of_days_is_closed_and_said():
    times, _, actions = repaired(
        channel("speed", np.concatenate([np.arange(0, 13, 0.1), 119 * 3600 + np.arange(0, 5, 0.1)]))
    )
    assert actions == ["time_jump"]
    assert times["speed"][-1] < 60.0


def test_a_single_stray_stamp_is_dropped():
    time_s = np.arange(0, 10, 0.1)
    time_s[50] = 90_000.0
    times, _, actions = repaired(channel("speed", time_s))
    assert actions == ["drop_stray_stamp"]
    assert times["speed"].size == 99


def test_frames_out_of_order_are_sorted():
    times, samples, actions = repaired(channel("speed", [0.0, 0.2, 0.1, 0.3]))
    assert actions == ["sort_time"]
    assert times["speed"].tolist() == [0.0, 0.1, 0.2, 0.3]
    assert samples["speed"].value.tolist() == [0.0, 2.0, 1.0, 3.0]


def test_echoed_frames_are_dropped():
    times, samples, actions = repaired(
        channel("speed", np.repeat(np.arange(5.0), 2), np.repeat([5.0, 5.5, 6.0, 7.0, 9.0], 2))
    )
    assert actions == ["drop_duplicate"]
    assert samples["speed"].value.tolist() == [5.0, 5.5, 6.0, 7.0, 9.0]
    assert times["speed"].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_of_two_values_at_one_time_the_last_stays():
    _, samples, actions = repaired(channel("speed", [0.0, 1.0, 1.0, 2.0], [1.0, 2.0, 3.0, 4.0]))
    assert actions == ["keep_last_of_instant"]
    assert samples["speed"].value.tolist() == [1.0, 3.0, 4.0]


def test_seconds_only_stamps_are_spread():
    true_s = np.arange(0, 20, 0.1)
    times, samples, actions = repaired(channel("speed", np.floor(true_s + 1e-9)))
    assert actions == ["spread_coarse_time"]
    assert times["speed"] == pytest.approx(true_s, abs=0.01)
    assert samples["speed"].value.size == 200


def test_epoch_seconds_in_a_32_bit_float_are_recognised():
    true_s = START_NS / NS + np.arange(0, 1000, 1.0)
    stamped = true_s.astype(np.float32).astype(np.float64)
    times, _, actions = repaired(channel("speed", stamped))
    assert actions == ["spread_float32_time"]
    assert np.abs(times["speed"] - true_s).max() < 130.0


def test_an_empty_channel_is_left_out():
    times, _, _ = repaired(channel("speed", [0.0, 1.0]), channel("odometer", []))
    assert list(times) == ["speed"]


@settings(deadline=None, max_examples=60)
@given(
    steps=st.lists(st.integers(-3 * NS, 3 * NS), min_size=1, max_size=80),
    values=st.lists(st.floats(-100, 100), min_size=81, max_size=81),
)
def test_whatever_the_stamps_time_runs_forward_and_no_value_is_invented(steps, values):
    time_ns = np.cumsum(np.array([0, *steps], dtype=np.int64))
    value = np.array(values[: time_ns.size])
    samples, _ = repair_clock({"speed": MappedChannel(name="speed", time_ns=time_ns, value=value)})
    assert (np.diff(samples["speed"].time_ns) > 0).all()
    assert set(samples["speed"].value.tolist()) <= set(value.tolist())
