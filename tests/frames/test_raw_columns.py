from hypothesis import given, settings, strategies as st

from logan.frames import raw_columns
from logan.frames.grouping import FrameKey, KeyIndex
from logan.frames.raw_columns import MAX_OPEN_BLOCKS
from tests.frames.test_grouping import Collected, expected_of, frames, table_of

KEY = FrameKey("can0", 0x100, False)


def frame(data):
    return (0, 0x100, False, False, False, data)


@settings(deadline=None, max_examples=60)
@given(blocks=st.lists(st.lists(frames, max_size=30), min_size=1, max_size=6), block_rows=st.integers(1, 64))
def test_nothing_is_lost_or_moved_however_the_log_is_cut(blocks, block_rows):
    collected, index, expected = Collected(block_rows=block_rows), KeyIndex(), {}
    for block in blocks:
        collected.builder.add(index.group(table_of(block)))
        for key, rows in expected_of(block, ("can0", "can1")).items():
            expected.setdefault(key, []).extend(rows)
    assert collected.frames() == expected
    for handed_on in collected.blocks.values():
        assert all(len(block) == block_rows for _, block in handed_on[:-1])


def test_a_message_that_turns_wide_keeps_its_narrow_frames():
    collected, index = Collected(), KeyIndex()
    collected.builder.add(index.group(table_of([frame(b"\x01\x02")])))
    collected.builder.add(index.group(table_of([frame(bytes(range(48)))], width=64)))
    collected.builder.add(index.group(table_of([frame(b"\x05")])))
    rows = collected.frames()[KEY]
    assert [data for _, data in rows] == [b"\x01\x02", bytes(range(48)), b"\x05"]
    assert [width for width, _ in collected.blocks[KEY]] == [64]


def test_classic_frames_in_a_wide_block_stay_narrow():
    collected = Collected()
    collected.builder.add(KeyIndex().group(table_of([frame(b"\x01" * 8)], width=64)))
    collected.frames()
    assert [width for width, _ in collected.blocks[KEY]] == [8]


def test_frames_that_are_not_kept_are_counted():
    collected = Collected(lambda key: key.can_id != 0x100)
    collected.builder.add(KeyIndex().group(table_of([frame(b"\x01"), frame(b"\x02")])))
    assert collected.builder.counts == {KEY: 2}
    assert collected.frames() == {}


def test_noise_that_looks_like_many_identifiers_is_not_collected_for_ever():
    collected = Collected()
    rows = [(0, can_id, True, False, False, b"\x01") for can_id in range(MAX_OPEN_BLOCKS + 1)]
    collected.builder.add(KeyIndex().group(table_of(rows)))
    assert len(collected.blocks) == MAX_OPEN_BLOCKS + 1
    assert sum(map(len, collected.frames().values())) == MAX_OPEN_BLOCKS + 1


def error():
    return (0, 0, False, False, True, b"")


def test_error_frames_are_counted_with_their_times_and_are_no_message():
    collected, index = Collected(), KeyIndex()
    collected.builder.add(index.group(table_of([frame(b"\x01"), error(), frame(b"\x02"), error()])))
    collected.builder.add(index.group(table_of([error()])))
    assert collected.builder.error_count == 3
    assert collected.builder.error_time_ns.tolist() == [1_000_000, 3_000_000, 0]
    assert collected.builder.counts == {KEY: 2}


def test_of_a_storm_of_errors_every_one_is_counted_and_the_first_are_timed(monkeypatch):
    monkeypatch.setattr(raw_columns, "ERROR_TIMES", 5)
    collected, index = Collected(), KeyIndex()
    for _ in range(4):
        collected.builder.add(index.group(table_of([error()] * 3)))
    assert collected.builder.error_count == 12
    assert collected.builder.error_time_ns.size == 5


def test_an_identifier_that_is_standard_and_extended_clashes_on_its_own_bus_only():
    collected, index = Collected(), KeyIndex()
    rows = [frame(b"\x01"), (0, 0x100, True, False, False, b"\x02"), (1, 0x101, False, False, False, b"\x03")]
    rows.append((0, 0x101, True, False, False, b"\x04"))
    collected.builder.add(index.group(table_of(rows)))
    assert collected.builder.clashes == ("can0/100",)
