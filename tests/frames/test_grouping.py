from concurrent.futures import ThreadPoolExecutor

import numpy as np
from hypothesis import given, settings, strategies as st

from logan.frames import grouping
from logan.frames.grouping import FrameKey, KeyIndex
from logan.frames.raw_columns import BLOCK_ROWS, RawColumnsBuilder
from logan.frames.table import FrameTable


def table_of(rows, buses=("can0", "can1"), width=8):
    """Rows of (bus, identifier, extended, remote, error, data), one millisecond apart."""
    payload = np.zeros((len(rows), width), np.uint8)
    for target, row in zip(payload, rows, strict=True):
        target[: len(row[5])] = np.frombuffer(row[5], np.uint8)
    return FrameTable(
        time_ns=np.arange(len(rows), dtype=np.int64) * 10**6,
        can_id=np.array([row[1] for row in rows], np.uint32),
        is_extended=np.array([row[2] for row in rows], bool),
        is_fd=np.zeros(len(rows), bool),
        is_remote=np.array([row[3] for row in rows], bool),
        is_error=np.array([row[4] for row in rows], bool),
        bus=np.array([row[0] for row in rows], np.uint8),
        length=np.array([len(row[5]) for row in rows], np.uint8),
        payload=payload,
        buses=buses,
    )


frames = st.tuples(
    st.integers(0, 1),
    st.sampled_from([0, 1, 0x123, 0x7FF]),
    st.booleans(),
    st.sampled_from([False] * 5 + [True]),
    st.sampled_from([False] * 5 + [True]),
    st.binary(max_size=8),
)


def expected_of(rows, buses):
    expected = {}
    for number, (bus, can_id, is_extended, is_remote, is_error, data) in enumerate(rows):
        if not is_remote and not is_error:
            expected.setdefault(FrameKey(buses[bus], can_id, is_extended), []).append((number * 10**6, data))
    return expected


class Collected:
    """A builder, and what it handed on."""

    def __init__(self, is_kept=lambda key: True, block_rows=BLOCK_ROWS):
        self.blocks = {}
        self.builder = RawColumnsBuilder(is_kept, self._take, block_rows)

    def _take(self, key, columns):
        rows = zip(columns.time_ns.tolist(), columns.length.tolist(), columns.payload, strict=True)
        block = [(time_ns, bytes(payload[:length])) for time_ns, length, payload in rows]
        assert not any(payload[length:].any() for length, payload in zip(columns.length, columns.payload, strict=True))
        self.blocks.setdefault(key, []).append((columns.payload.shape[1], block))

    def frames(self):
        self.builder.finish()
        return {key: [row for _, block in blocks for row in block] for key, blocks in self.blocks.items()}


@settings(deadline=None, max_examples=150)
@given(rows=st.lists(frames, max_size=40))
def test_frames_come_out_under_their_key_in_the_order_of_the_log(rows):
    collected = Collected()
    groups = KeyIndex().group(table_of(rows))
    collected.builder.add(groups)
    assert collected.frames() == expected_of(rows, ("can0", "can1"))
    assert groups.other_count == sum(row[3] or row[4] for row in rows)


def test_buses_are_told_apart_by_name_even_if_their_numbers_change():
    index, builder = KeyIndex(), Collected().builder
    row = (0, 0x100, False, False, False, b"\x01")
    builder.add(index.group(table_of([row], buses=("a", "b"))))
    builder.add(index.group(table_of([row], buses=("b", "a"))))
    assert {key.bus for key in builder.counts} == {"a", "b"}


def test_more_identifiers_than_the_hash_takes_are_grouped_all_the_same():
    rows = [(0, can_id, True, False, False, b"\x01") for can_id in range(0, 6000, 2)] * 2
    builder = Collected().builder
    index = KeyIndex()
    builder.add(index.group(table_of(rows)))
    builder.add(index.group(table_of(rows[:10])))
    assert len(builder.counts) == 3000
    assert builder.counts[FrameKey("can0", 4, True)] == 3
    assert builder.counts[FrameKey("can0", 4000, True)] == 2


def test_blocks_too_long_for_packed_sorting_give_the_same_order(monkeypatch):
    rows = [(0, can_id, False, False, False, bytes([can_id])) for can_id in (3, 1, 2, 1, 3, 3, 2)]
    plain = KeyIndex().group(table_of(rows))
    monkeypatch.setattr(grouping, "_ROW_BITS", 2)
    other = KeyIndex().group(table_of(rows))
    assert other.spans == plain.spans
    np.testing.assert_array_equal(other.time_ns, plain.time_ns)


def test_one_index_serves_several_threads():
    rows = [[(0, can_id + block, False, False, False, b"\x01") for can_id in range(50)] for block in range(20)]
    index = KeyIndex()
    with ThreadPoolExecutor(4) as pool:
        parts = list(pool.map(lambda block: index.group(table_of(block)), rows))
    for block, part in zip(rows, parts, strict=True):
        assert [key.can_id for key, _, _ in part.spans] == [row[1] for row in block]
        assert part.time_ns.tolist() == [number * 10**6 for number in range(50)]
