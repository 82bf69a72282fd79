import gzip
import sqlite3

import can
import pytest

from logan.errors import LogReadError
from logan.logs import python_can
from logan.logs.registry import identify
from tests.logs.harness import Frame, read

MESSAGES = [
    can.Message(timestamp=1.5, arbitration_id=0x123, is_extended_id=False, data=bytes(range(8))),
    can.Message(timestamp=1_700_000_000.123456, arbitration_id=0x18FF0211, is_extended_id=True, data=b"\x01"),
    can.Message(timestamp=2.0, arbitration_id=0x100, is_extended_id=False, is_remote_frame=True, dlc=4),
]
FRAMES = [
    Frame(1_500_000_000, 0x123, bytes(range(8))),
    Frame(1_700_000_000_123_456_000, 0x18FF0211, b"\x01", is_extended=True),
    Frame(2_000_000_000, 0x100, b"", is_remote=True),
]


@pytest.fixture
def database(tmp_path):
    path = tmp_path / "drive.db"
    with can.SqliteWriter(path) as writer:
        for message in MESSAGES:
            writer(message)
    return path


def test_a_database_gives_the_frames_that_were_written(database):
    frames, report = read(database, python_can.FORMAT)
    assert frames == FRAMES
    assert report.frame_count == 3


def test_a_database_is_recognised_by_content_even_compressed(database, tmp_path):
    assert identify(database, database.read_bytes()[:4096]) is python_can.FORMAT
    packed = tmp_path / "drive.bin"
    packed.write_bytes(gzip.compress(database.read_bytes()))
    frames, _ = read(packed, python_can.FORMAT)
    assert frames == FRAMES


def test_long_frames_and_named_channels_keep_what_they_are():
    table = python_can.frame_table(
        [
            can.Message(arbitration_id=1, data=bytes(48), is_fd=True, channel="can1"),
            can.Message(arbitration_id=2, data=b"\x07", channel=0),
            can.Message(arbitration_id=3, data=b"\x08"),
        ],
        bus="named",
    )
    assert table.payload.shape == (3, 64)
    assert [table.buses[number] for number in table.bus] == ["can1", "0", "named"]
    assert table.is_fd.tolist() == [True, False, False]


def test_another_database_and_a_damaged_one_are_refused(tmp_path, database):
    other = tmp_path / "other.db"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE notes (text TEXT)")
    connection.close()
    with pytest.raises(LogReadError, match="no such table"):
        read(other, python_can.FORMAT)
    content = bytearray(database.read_bytes())
    content[100:4096] = b"\xff" * 3996
    database.write_bytes(bytes(content))
    with pytest.raises(LogReadError, match="cannot be read as a log of frames"):
        read(database, python_can.FORMAT)
