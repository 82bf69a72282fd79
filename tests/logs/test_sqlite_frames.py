import gzip
import sqlite3

import can
import pytest

from logan.errors import LogReadError
from logan.logs import sqlite_frames
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
    frames, report = read(database, sqlite_frames.FORMAT)
    assert frames == FRAMES
    assert report.frame_count == 3


def test_a_database_is_recognised_by_content_even_compressed(database, tmp_path):
    assert identify(database, database.read_bytes()[:4096]) is sqlite_frames.FORMAT
    packed = tmp_path / "drive.bin"
    packed.write_bytes(gzip.compress(database.read_bytes()))
    frames, _ = read(packed, sqlite_frames.FORMAT)
    assert frames == FRAMES


def rows_of(path, *rows, table="CREATE TABLE messages (ts, arbitration_id, extended, remote, error, dlc, data)"):
    with sqlite3.connect(path) as connection:
        connection.execute(table)
        connection.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
    connection.close()
    return path


def test_rows_that_no_bus_could_carry_are_counted_and_left_out(tmp_path):
    good = (1.0, 0x7FF, 0, 0, 0, 48, bytes(48))
    bad = [
        (1.0, 0x800, 0, 0, 0, 8, b""),
        (1.0, 0x2000_0000, 1, 0, 0, 8, b""),
        (1.0, -1, 1, 0, 0, 8, b""),
        ("noon", 1, 0, 0, 0, 8, b""),
        (1e300, 1, 0, 0, 0, 8, b""),
        (1.0, None, 0, 0, 0, 8, b""),
        (1.0, 1, 0, 0, 0, 8, bytes(65)),
        (1.0, 1, 0, 0, 0, 8, "text"),
    ]
    frames, report = read(rows_of(tmp_path / "log.db", good, *bad), sqlite_frames.FORMAT)
    assert frames == [Frame(1_000_000_000, 0x7FF, bytes(48), is_fd=True)]
    assert report.skipped_count == len(bad)


def test_a_database_that_computes_is_refused_and_a_huge_value_too(tmp_path):
    endless = tmp_path / "endless.db"
    with sqlite3.connect(endless) as connection:
        connection.execute(
            "CREATE VIEW messages (ts, arbitration_id, extended, remote, error, dlc, data) AS WITH RECURSIVE n(i) AS "
            "(SELECT 0 UNION ALL SELECT i + 1 FROM n) SELECT i, 1, 0, 0, 0, 0, x'' FROM n"
        )
    connection.close()
    with pytest.raises(LogReadError, match="no table of frames"):
        read(endless, sqlite_frames.FORMAT)
    huge = rows_of(
        tmp_path / "huge.db",
        table="CREATE TABLE messages (ts, arbitration_id, extended, remote, error, dlc, d, data AS (zeroblob(1e9)))",
    )
    with sqlite3.connect(huge) as connection:
        connection.execute("INSERT INTO messages VALUES (1, 1, 0, 0, 0, 0, 0)")
    connection.close()
    with pytest.raises(LogReadError, match="damaged"):
        read(huge, sqlite_frames.FORMAT)


def test_nothing_is_written_into_a_log_or_beside_it(database):
    database.with_name("drive.db-journal").write_bytes(b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" + bytes(504))
    before = database.read_bytes()
    read(database, sqlite_frames.FORMAT)
    assert database.read_bytes() == before
    assert sorted(path.name for path in database.parent.iterdir()) == ["drive.db", "drive.db-journal"]


def test_another_database_and_a_damaged_one_are_refused(tmp_path, database):
    other = tmp_path / "other.db"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE notes (text TEXT)")
    connection.close()
    with pytest.raises(LogReadError, match="no table of frames"):
        read(other, sqlite_frames.FORMAT)
    content = bytearray(database.read_bytes())
    content[100:4096] = b"\xff" * 3996
    database.write_bytes(bytes(content))
    with pytest.raises(LogReadError, match="cannot be read as a log of frames"):
        read(database, sqlite_frames.FORMAT)
