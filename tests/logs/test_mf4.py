import contextlib
import itertools
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import can
import numpy as np
import pytest

from logan.errors import LogReadError, MissingExtraError
from logan.logs import mf4
from logan.logs.log_format import ReadOptions, ReadReport
from logan.logs.mf4 import FORMAT, Reader, prepare
from tests.hardening.targets import CORPUS
from tests.logs.contract import write_with
from tests.logs.harness import read

asammdf = pytest.importorskip("asammdf", reason="the mf4 extra is not installed")

START_S = 1_716_105_600.0


def message(offset_s, can_id=0x100, **options):
    return can.Message(timestamp=START_S + offset_s, arbitration_id=can_id, is_extended_id=False, channel=0, **options)


def written(path, messages):
    write_with(can.MF4Writer, path, messages)
    return path


def frames_with(path, fields):
    """A log of one group of data frames with the given columns."""
    names = [f"CAN_DataFrame.{name}" for name in fields]
    columns = [np.asarray(column) for column in fields.values()]
    dtype = [(name, column.dtype, column.shape[1:]) for name, column in zip(names, columns, strict=True)]
    samples = np.zeros(len(columns[0]), dtype)
    for name, column in zip(names, columns, strict=True):
        samples[name] = column
    with asammdf.MDF(version="4.10") as file:
        times = np.arange(len(samples)) * 0.5
        file.append(asammdf.Signal(samples, times, name="CAN_DataFrame", unit=""), acq_source=None)
        file.save(path, overwrite=True)
    return path


def test_frames_of_several_groups_come_in_the_order_of_time(tmp_path):
    log = written(
        tmp_path / "a.mf4",
        [
            message(0.0, data=b"\x01"),
            message(0.1, is_remote_frame=True),
            can.Message(timestamp=START_S + 0.2, is_error_frame=True, channel=0),
            message(0.3, data=bytes(range(20)), is_fd=True),
            message(0.4, data=b"\x02"),
        ],
    )
    frames, _ = read(log, FORMAT)
    assert [round(frame.time_ns / 1e8 - START_S * 10) for frame in frames] == [0, 1, 2, 3, 4]
    assert [(f.is_remote, f.is_error, f.is_fd, len(f.data)) for f in frames] == [
        (False, False, False, 1),
        (True, False, False, 0),
        (False, True, False, 0),
        (False, False, True, 20),
        (False, False, False, 1),
    ]


def test_frames_whose_data_is_not_stored_are_short_and_not_zero(tmp_path):
    log = frames_with(tmp_path / "a.mf4", {"ID": np.array([1, 2], np.uint32), "DataLength": np.array([8, 8], np.uint8)})
    frames, _ = read(log, FORMAT)
    assert [(frame.can_id, frame.data) for frame in frames] == [(1, b""), (2, b"")]


def test_more_bytes_claimed_than_stored_are_absent(tmp_path):
    fields = {
        "ID": np.array([1, 2], np.uint32),
        "DataLength": np.array([8, 1], np.uint8),
        "DataBytes": np.array([[1, 2, 3, 4], [5, 6, 7, 8]], np.uint8),
    }
    frames, _ = read(frames_with(tmp_path / "a.mf4", fields), FORMAT)
    assert [frame.data for frame in frames] == [b"\x01\x02\x03\x04", b"\x05"]


def test_an_identifier_of_more_bits_than_it_can_have_is_left_out_and_counted(tmp_path):
    fields = {
        "ID": np.array([0x7FF, 0x800, 0x80000001, 0x12345, 0xFFFFFFFF, 0x20000000], np.uint32),
        "IDE": np.array([0, 0, 0, 1, 0, 1], np.uint8),
        "DataLength": np.zeros(6, np.uint8),
    }
    frames, report = read(frames_with(tmp_path / "a.mf4", fields), FORMAT)
    assert [(frame.can_id, frame.is_extended) for frame in frames] == [(0x7FF, False), (1, True), (0x12345, True)]
    assert report.skipped_count == 3


def test_a_file_of_channels_is_answered_with_how_to_export(tmp_path):
    path = tmp_path / "a.mf4"
    with asammdf.MDF(version="4.10") as file:
        file.append(asammdf.Signal(np.arange(3.0), np.arange(3.0), name="Speed", unit="km/h"))
        file.save(path)
    with pytest.raises(LogReadError, match="holds no CAN frames") as caught:
        read(path, FORMAT)
    assert "export them as CSV" in caught.value.remedy


def test_a_damaged_file_is_refused(tmp_path):
    path = tmp_path / "a.mf4"
    path.write_bytes(b"MDF     4.10" + bytes(range(256)) * 4)
    with pytest.raises(LogReadError, match="the MF4 file is damaged"):
        read(path, FORMAT)


def test_without_the_extra_the_command_to_install_it_is_told(tmp_path, monkeypatch):
    log = written(tmp_path / "a.mf4", [message(0.0, data=b"\x01")])
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(MissingExtraError, match=r"logan\[mf4\]|\.\[mf4\]"):
        read(log, FORMAT)


@pytest.mark.parametrize("name", ["goes_round_for_ever", "reads_behind_its_buffer", "records_of_771_mb"])
def test_a_file_at_which_the_library_would_hang_crash_or_fill_the_memory_is_damaged(name):
    with pytest.raises(LogReadError, match="damaged, or cut off"):
        read(CORPUS / "mf4" / name, FORMAT)


def test_a_reader_that_does_not_answer_is_ended_and_the_file_called_damaged(tmp_path, monkeypatch):
    log = written(tmp_path / "a.mf4", [message(0.0, data=b"\x01")])
    no_reader_waits()
    monkeypatch.setattr(Reader, "patience_s", 0.01)
    with pytest.raises(LogReadError, match="damaged, or cut off"):
        read(log, FORMAT)


def no_reader_waits():
    while Reader.idle:
        Reader.waiting().end()


def test_one_process_reads_file_after_file_until_one_is_damaged(tmp_path):
    log = written(tmp_path / "a.mf4", [message(0.0, data=b"\x01")])
    no_reader_waits()
    pids = []
    for path in (log, log, CORPUS / "mf4" / "records_of_771_mb", log):
        with contextlib.suppress(LogReadError):
            assert len(read(path, FORMAT)[0]) == 1
        pids.append([reader.process.pid for reader in Reader.idle])
    assert pids[0] == pids[1]
    assert len(pids[0]) == 1
    assert pids[2] == []  # what it has in memory may be wrong, which the next file would suffer
    assert pids[3] not in ([], pids[0])


def test_a_log_that_is_not_read_to_its_end_is_let_go_and_the_next_read_whole(tmp_path):
    fields = {"ID": np.full(450_000, 1, np.uint32), "DataLength": np.zeros(450_000, np.uint8)}
    log = frames_with(tmp_path / "a.mf4", fields)
    no_reader_waits()
    blocks = [len(block) for block in begun(log, 2)]
    (reader,) = Reader.idle
    assert blocks == [200_000, 200_000]
    assert [len(block) for block in begun(log, 9)] == [200_000, 200_000, 50_000]
    assert Reader.idle == [reader]


def begun(path, count):
    with path.open("rb") as stream:
        yield from itertools.islice(FORMAT.read(stream, path, ReadOptions(), ReadReport(path)), count)


def unfinished(path, content):
    """A log whose head says that its logger did not come to finish it, which asammdf reads from a copy of its own."""
    path.write_bytes(b"UnFinMF " + content[8:60] + b"\x01\x00" + content[62:])
    return path


@pytest.mark.parametrize("is_damaged", [False, True])
def test_nothing_is_left_where_temporary_files_go(is_damaged, tmp_path, monkeypatch):
    log = written(tmp_path / "a.mf4", [message(0.0, data=b"\x01")])
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    no_reader_waits()
    content = log.read_bytes()
    path = unfinished(tmp_path / "b.mf4", content[:200] if is_damaged else content)
    with pytest.raises(LogReadError) if is_damaged else contextlib.nullcontext():
        read(path, FORMAT)
    assert [list(folder.iterdir()) for folder in place.iterdir()] == ([] if is_damaged else [[]])
    no_reader_waits()
    assert list(place.iterdir()) == []


def test_the_copy_of_a_reader_that_is_killed_is_removed(tmp_path):
    reader = Reader()
    reader.ask()
    hanging = unfinished(tmp_path / "a.mf4", (CORPUS / "mf4" / "goes_round_for_ever").read_bytes())
    reader.request(str(hanging))
    wait_for(lambda: list(Path(reader.folder).iterdir()))
    reader.end()
    assert reader.process.returncode == -9
    assert not Path(reader.folder).exists()


def test_a_reader_whose_parent_is_killed_ends_and_removes_its_folder(tmp_path):
    code = (
        "import os, pathlib; from logan.logs.mf4 import Reader, prepare; prepare([pathlib.Path('a.MF4')]);"
        "reader = Reader.idle[0]; print(reader.folder, flush=True); reader.ask(); os.kill(os.getpid(), 9)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == -9
    wait_for(lambda: not Path(done.stdout.strip()).exists())


def wait_for(condition):
    end_s = time.monotonic() + 300.0
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def test_a_reader_that_nobody_needs_leaves(monkeypatch):
    no_reader_waits()
    monkeypatch.setattr(mf4, "_IDLE_S", 0.1)
    prepare([Path("a.mf4"), Path("b.log")])
    (reader,) = Reader.idle
    wait_for(lambda: reader.process.returncode is not None)
    assert Reader.idle == []
    prepare([Path("b.log")])
    assert Reader.idle == []
