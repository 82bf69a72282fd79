import errno
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.drive_library.raw_file import RawFile, RawFileWriter
from logan.errors import DriveLibraryError
from logan.frames.grouping import FrameKey
from logan.frames.raw_columns import MessageColumns
from logan.frames.table import SignalColumn, SignalTable, SkippedPart

KEY = FrameKey("can0", 0x100, False)
NOTHING = SignalTable(columns=(), log_format="candump")


def columns_of(times, lengths, width=8):
    payload = np.random.default_rng(1).integers(0, 256, (len(times), width)).astype(np.uint8)
    return MessageColumns(time_ns=np.array(times, np.int64), length=np.array(lengths, np.uint8), payload=payload)


def stored(path, blocks, table=NOTHING, log_count=1):
    path.unlink(missing_ok=True)
    with RawFileWriter(path) as writer:
        for key, columns in blocks:
            writer.append(key, columns)
        writer.end_part(table, log_count)
        writer.finish()
    return RawFile(path)


times = st.lists(
    st.integers(0, 2**62) | st.integers(0, 10**6).map(lambda n: 1_700_000_000 * 10**9 + n * 1000),
    min_size=1,
    max_size=8,
)


@settings(deadline=None, max_examples=80)
@given(blocks=st.lists(st.tuples(times, st.booleans(), st.sampled_from([8, 64])), max_size=4))
def test_blocks_come_back_as_they_were(tmp_path_factory, blocks):
    path = tmp_path_factory.getbasetemp() / "some.frames"
    written = []
    for number, (time_ns, is_even, width) in enumerate(blocks):
        lengths = [width if is_even else (number + row) % (width + 1) for row in range(len(time_ns))]
        written.append(columns_of(time_ns, lengths, width))
    raw = stored(path, [(KEY, columns) for columns in written])
    raw.verify()
    (part,) = raw.parts
    read = list(part.blocks(KEY)) if written else []
    assert part.counts == ({KEY: sum(map(len, written))} if written else {})
    for one, other in zip(written, read, strict=True):
        for name in ("time_ns", "length", "payload"):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_regular_times_and_equal_lengths_cost_twelve_bytes_a_frame(tmp_path):
    count = 10_000
    stored(
        tmp_path / "a.frames",
        [(KEY, columns_of(np.arange(count) * 10_000_000 + 1_700_000_000_123_456_000, [8] * count))],
    )
    assert (tmp_path / "a.frames").stat().st_size < 12 * count + 1000


def test_a_step_that_the_first_rows_do_not_tell_is_found_all_the_same(tmp_path):
    milliseconds = np.arange(1000) * 1_000_000
    milliseconds[777] += 5_000
    still_then_hours = np.concatenate((np.zeros(100, np.int64), np.arange(900) * 3_600 * 10**9))
    for number, time_ns in enumerate((milliseconds, still_then_hours)):
        path = tmp_path / f"{number}.frames"
        (block,) = stored(path, [(KEY, columns_of(time_ns, [8] * 1000))]).parts[0].blocks(KEY)
        np.testing.assert_array_equal(block.time_ns, time_ns)
        assert path.stat().st_size < 12 * 1000 + 1000


def test_what_was_noted_and_the_columns_of_tables_come_back(tmp_path):
    time_ns = np.array([5, 3, 9], np.int64)
    table = SignalTable(
        columns=(
            SignalColumn(name="Speed", unit="km/h", time_ns=time_ns, value=np.array([1.0, np.nan, 3.0]), minimum=0.0),
            SignalColumn(name="Odometer", time_ns=time_ns, value=np.array([1, 2, 2**63], np.uint64)),
            SignalColumn(name="Gear", time_ns=time_ns[:1], value=np.array([1.0]), choices={1: "D", 2: "R"}),
        ),
        log_format="candump+table",
        frame_count=7,
        skipped_count=2,
        skipped=(SkippedPart("a.log:3", "no frame"),),
        is_truncated=True,
        error_count=3,
        error_time_ns=np.array([4, 4, 6], np.int64),
        clashes=("can0/100",),
    )
    (part,) = stored(tmp_path / "a.frames", [(KEY, columns_of([1], [8]))], table, log_count=2).parts
    assert part.log_count == 2
    for name in ("log_format", "frame_count", "skipped_count", "skipped", "is_truncated", "error_count", "clashes"):
        assert getattr(part.table, name) == getattr(table, name)
    assert part.table.error_time_ns.tolist() == [4, 4, 6]
    for one, other in zip(table.columns, part.table.columns, strict=True):
        np.testing.assert_array_equal(one.value, other.value)
        np.testing.assert_array_equal(one.time_ns, other.time_ns)
        assert one.value.dtype == other.value.dtype
        assert (one.key, one.unit, one.minimum, dict(one.choices)) == (
            other.key,
            other.unit,
            other.minimum,
            dict(other.choices),
        )


def is_found_damaged(path):
    try:
        RawFile(path).verify()
    except DriveLibraryError:
        return True
    return False


def test_every_byte_that_matters_is_checked(tmp_path):
    path = tmp_path / "a.frames"
    stored(path, [(KEY, columns_of(range(6), range(1, 7))), (KEY, columns_of(range(3), [8] * 3))])
    content, unseen = path.read_bytes(), []
    for place in range(len(content)):
        path.write_bytes(content[:place] + bytes([content[place] ^ 0x10]) + content[place + 1 :])
        if not is_found_damaged(path):
            unseen.append(place)
    # What fills the two blocks of 78 and 36 bytes up to a multiple of eight.
    assert unseen == [78, 79, 116, 117, 118, 119]


@pytest.mark.parametrize("size", [0, 1, 27, 28, 200])
def test_a_file_cut_short_or_of_something_else_is_refused(tmp_path, size):
    path = tmp_path / "a.frames"
    stored(path, [(KEY, columns_of(range(50), [8] * 50))])
    path.write_bytes(path.read_bytes()[:size])
    with pytest.raises(DriveLibraryError, match="damaged"):
        RawFile(path)


def test_a_full_disk_is_said_plainly(tmp_path, monkeypatch):
    class Full:
        def write(self, content):
            raise OSError(errno.ENOSPC, "No space left on device")

        def close(self):
            pass

    with RawFileWriter(tmp_path / "a.frames") as writer:
        writer._file.close()
        monkeypatch.setattr(writer, "_file", Full())
        with pytest.raises(DriveLibraryError, match="No space left on device"):
            writer.append(KEY, columns_of([1], [8]))


def test_what_is_not_finished_is_closed_though_its_last_bytes_find_no_room(tmp_path):
    with RawFileWriter(tmp_path / "a.frames") as writer, Path("/dev/full").open("wb") as full:
        writer.append(KEY, columns_of([1, 2], [8, 8]))  # still in the buffer
        os.dup2(full.fileno(), writer._file.fileno())
    with pytest.raises(DriveLibraryError, match="are damaged"):
        RawFile(tmp_path / "a.frames")
