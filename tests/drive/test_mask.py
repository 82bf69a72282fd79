import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.drive.drive import net_pack_wh
from logan.drive.mask import correct, mask
from logan.errors import ChannelError, UsageError
from logan.results import Span
from tests.drive.twins import urban_drive


def test_a_masked_span_is_absent_and_its_energy_is_said():
    drive = urban_drive()
    masked = mask(drive, Span(100.0, 118.0), ("pack_current",), reason="logger unplugged")
    value = masked["pack_current"].value
    inside = (drive["pack_current"].time_s >= 100.0) & (drive["pack_current"].time_s <= 118.0)
    assert np.isnan(value[inside]).all()
    assert np.array_equal(value[~inside], drive["pack_current"].value[~inside])
    step = masked.history[-1]
    assert (step.action, step.reason) == ("mask", "logger unplugged")
    assert step.net_wh_before == pytest.approx(net_pack_wh(drive.channels))
    assert step.net_wh_after == pytest.approx(net_pack_wh(masked.channels))
    assert step.net_wh_after != step.net_wh_before


def test_the_drive_before_keeps_its_data():
    drive = urban_drive()
    mask(drive, Span(0.0, 1e9), reason="all of it")
    assert np.isfinite(drive["pack_current"].value).all()
    assert drive.history == ()


@settings(deadline=None, max_examples=20)
@given(start=st.floats(1e4, 1e5), length=st.floats(0, 100))
def test_masking_nothing_changes_nothing(start, length):
    drive = urban_drive()
    assert mask(drive, Span(start, start + length), reason="beyond the end") is drive


@settings(deadline=None, max_examples=15)
@given(
    offset=st.floats(-5, 5).filter(lambda x: x == 0 or abs(x) > 1e-6),
    gain=st.floats(0.5, 2.0),
    sign=st.sampled_from([1, -1]),
    shift_s=st.floats(-1, 1),
)
def test_a_correction_can_be_undone_by_its_inverse(offset, gain, sign, shift_s):
    drive = urban_drive()
    there = correct(drive, "pack_current", gain=gain, offset=offset, sign=sign, shift_s=shift_s, reason="there")
    back = correct(
        there, "pack_current", gain=1 / gain, offset=-sign * offset / gain, sign=sign, shift_s=-shift_s, reason="back"
    )
    np.testing.assert_allclose(back["pack_current"].value, drive["pack_current"].value, atol=1e-6)
    np.testing.assert_allclose(back["pack_current"].time_s, drive["pack_current"].time_s, atol=1e-9)


def test_a_correction_of_a_span_leaves_the_rest():
    drive = urban_drive()
    fixed = correct(drive, "pack_current", offset=-1.5, span=Span(50.0, 60.0), reason="zero learned late")
    moved = fixed["pack_current"].value - drive["pack_current"].value
    inside = (drive["pack_current"].time_s >= 50.0) & (drive["pack_current"].time_s <= 60.0)
    assert moved[inside] == pytest.approx(-1.5)
    assert not moved[~inside].any()
    assert fixed.history[-1].detail == "offset -1.5 A, 50 s to 60 s"


def test_correcting_by_nothing_changes_nothing():
    drive = urban_drive()
    assert correct(drive, "speed", reason="no need") is drive


def test_a_correction_needs_a_reason_a_channel_and_sense():
    drive = urban_drive()
    with pytest.raises(UsageError, match="needs a reason"):
        mask(drive, Span(0.0, 1.0), reason=" ")
    with pytest.raises(ChannelError, match="has no cabin_temperature"):
        mask(drive, Span(0.0, 1.0), ("cabin_temperature",), reason="x")
    with pytest.raises(UsageError, match="runs backwards"):
        mask(drive, Span(2.0, 1.0), reason="x")
    with pytest.raises(UsageError, match="gain other than 0"):
        correct(drive, "speed", gain=0.0, reason="x")
    with pytest.raises(UsageError, match="cannot be applied to a span"):
        correct(drive, "speed", shift_s=1.0, span=Span(0.0, 1.0), reason="x")
