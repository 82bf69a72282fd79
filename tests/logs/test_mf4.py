import sys

import can
import numpy as np
import pytest

from logan.errors import LogReadError, MissingExtraError
from logan.logs import mf4
from logan.logs.mf4 import FORMAT
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


def test_a_standard_identifier_of_more_than_eleven_bits_is_left_out_and_counted(tmp_path):
    fields = {
        "ID": np.array([0x7FF, 0x800, 0x80000001, 0x12345], np.uint32),
        "IDE": np.array([0, 0, 0, 1], np.uint8),
        "DataLength": np.zeros(4, np.uint8),
    }
    frames, report = read(frames_with(tmp_path / "a.mf4", fields), FORMAT)
    assert [(frame.can_id, frame.is_extended) for frame in frames] == [(0x7FF, False), (1, True), (0x12345, True)]
    assert report.skipped_count == 1


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
    monkeypatch.setattr(mf4, "_PATIENCE_S", 0.01)
    with pytest.raises(LogReadError, match="damaged, or cut off"):
        read(log, FORMAT)
