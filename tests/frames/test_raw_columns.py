import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logan.frames.grouping import FrameKey, KeyIndex
from logan.frames.raw_columns import RawColumnsBuilder
from tests.frames.test_grouping import collected, expected_of, frames, table_of

KEY = FrameKey("can0", 0x100, False)


def frame(data):
    return (0, 0x100, False, False, False, data)


@settings(deadline=None, max_examples=60)
@given(blocks=st.lists(st.lists(frames, max_size=30), min_size=1, max_size=6), block_rows=st.integers(1, 64))
def test_nothing_is_lost_or_moved_however_the_log_is_cut(blocks, block_rows):
    kept, flushed = RawColumnsBuilder(lambda key: True), {}
    handed_on = RawColumnsBuilder(
        lambda key: True,
        lambda key, columns: flushed.setdefault(key, []).extend(columns.time_ns.tolist()),
        block_rows,
    )
    index, expected = KeyIndex(), {}
    for block in blocks:
        groups = index.group(table_of(block))
        kept.add(groups)
        handed_on.add(groups)
        for key, rows in expected_of(block, ("can0", "can1")).items():
            expected.setdefault(key, []).extend(rows)
    handed_on.finish()
    assert collected(kept) == expected
    assert flushed == {key: [time_ns for time_ns, _ in rows] for key, rows in expected.items()}


def test_a_message_that_turns_wide_keeps_its_narrow_frames():
    builder, index = RawColumnsBuilder(lambda key: True), KeyIndex()
    builder.add(index.group(table_of([frame(b"\x01\x02")])))
    builder.add(index.group(table_of([frame(bytes(range(48)))], width=64)))
    builder.add(index.group(table_of([frame(b"\x05")])))
    columns = builder.take(KEY)
    assert columns.payload.shape == (3, 64)
    assert columns.length.tolist() == [2, 48, 1]
    assert columns.payload[0, :3].tolist() == [1, 2, 0]
    assert columns.payload[1, 47] == 47
    assert not columns.payload[2, 1:].any()


def test_classic_frames_in_a_wide_block_stay_narrow():
    builder = RawColumnsBuilder(lambda key: True)
    builder.add(KeyIndex().group(table_of([frame(b"\x01" * 8)], width=64)))
    assert builder.take(KEY).payload.shape == (1, 8)


def test_frames_that_are_not_kept_are_counted():
    builder = RawColumnsBuilder(lambda key: key.can_id != 0x100)
    builder.add(KeyIndex().group(table_of([frame(b"\x01"), frame(b"\x02")])))
    assert builder.counts == {KEY: 2}
    assert builder.keys == ()


def test_a_message_of_many_blocks_comes_in_one_piece():
    builder, index = RawColumnsBuilder(lambda key: True, block_rows=10), KeyIndex()
    for start in range(0, 95, 19):
        builder.add(index.group(table_of([frame(bytes([start + i])) for i in range(19)])))
    np.testing.assert_array_equal(builder.take(KEY).payload[:, 0], np.arange(95))
