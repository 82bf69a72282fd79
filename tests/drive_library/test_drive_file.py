from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings, strategies as st
from hypothesis.extra.numpy import arrays

from logan.drive.drive import Channel, Drive
from logan.drive_library.drive_file import column_values, read_drive, read_header, verify_drive_file, write_drive_file
from logan.drive_library.header import FORMAT_VERSION, DriveHeader
from logan.errors import DriveLibraryError
from tests.drive_library.small_drives import assert_same_drive, log_source, small_drive, small_summary

V1_FILE = Path(__file__).parents[2] / "fixtures" / "drives" / "library_v1.parquet"


def write(path: Path, drive: Drive | None = None) -> Path:
    write_drive_file(path, drive or small_drive(), drive_id="0123456789abcdef", summary=small_summary())
    return path


def test_a_drive_comes_back_to_the_last_bit(tmp_path):
    assert_same_drive(read_drive(write(tmp_path / "a.parquet")), small_drive())


finite = st.floats(allow_nan=True, allow_infinity=True, width=64)


@settings(deadline=None, max_examples=40)
@given(st.lists(arrays(np.float64, st.integers(0, 30), elements=finite), min_size=1, max_size=5), st.data())
def test_any_values_and_times_come_back(tmp_path_factory, values, data):
    channels = {}
    for number, value in enumerate(values):
        steps = data.draw(arrays(np.float64, value.size, elements=st.floats(1e-9, 1e5)))
        name = f"cable_temperature_{number + 1}"
        channels[name] = Channel(name=name, time_s=np.cumsum(steps), value=value)
    drive = Drive(channels=channels, sources=(log_source("x"),))
    path = tmp_path_factory.mktemp("any") / "a.parquet"
    write_drive_file(path, drive, drive_id="0123456789abcdef")
    assert_same_drive(read_drive(path), drive)
    verify_drive_file(path)


def test_one_channel_is_read_alone_and_unknown_names_are_passed_over(tmp_path):
    drive = read_drive(write(tmp_path / "a.parquet"), ["speed", "latitude"])
    assert list(drive) == ["speed"]
    assert np.array_equal(drive["speed"].value, small_drive()["speed"].value, equal_nan=True)


def test_channels_sampled_together_share_their_times(tmp_path):
    parquet = pq.ParquetFile(write(tmp_path / "a.parquet"))
    assert parquet.num_row_groups == 3
    assert parquet.metadata.num_rows == 200 + 200 + 20


@pytest.mark.parametrize("chunk_rows", [1, 3, 100])
def test_columns_are_read_as_arrow_reads_them(chunk_rows):
    value = pa.array([1.5, None, float("inf"), -0.0, None, 2.0**60, 7.0, 8.0, 9.0, None])
    for column in (value, value.cast(pa.float32()), pa.array(range(10)), pa.array([None, *range(9)], pa.int64())):
        parts = [column.slice(at, chunk_rows) for at in range(0, 10, chunk_rows)]
        expected = np.asarray(column.to_numpy(zero_copy_only=False), np.float64)
        np.testing.assert_array_equal(column_values(pa.chunked_array(parts)), expected)
    assert column_values(pa.chunked_array([], pa.float64())).size == 0


def test_reading_a_drive_does_without_pandas(tmp_path):
    reads = "import sys, pathlib, logan.drive_library.drive_file as files; files.read_drive(pathlib.Path(sys.argv[1]))"
    code = f"{reads}; sys.exit('pandas' in sys.modules)"
    subprocess.run([sys.executable, "-c", code, str(write(tmp_path / "a.parquet"))], check=True)


def test_pandas_reads_a_channel_in_one_line(tmp_path):
    path = write(tmp_path / "a.parquet")
    frame = pd.read_parquet(path, columns=["time_ns", "pack_current"]).dropna()
    own = small_drive()["pack_current"]
    assert np.array_equal(frame["pack_current"], own.value)
    assert np.allclose(frame["time_ns"] / 1e9, own.time_s, rtol=0, atol=1e-9)


def test_units_and_history_are_in_the_metadata(tmp_path):
    schema = pq.read_schema(write(tmp_path / "a.parquet"))
    assert schema.field("pack_current").metadata[b"unit"] == b"A"
    header = json.loads(schema.metadata[b"logan.drive"])
    assert header["history"][0]["action"] == "mask"
    assert header["version"] == FORMAT_VERSION


def test_a_flipped_bit_anywhere_is_found_or_changes_nothing(tmp_path):
    path = write(tmp_path / "a.parquet")
    whole, rng = path.read_bytes(), np.random.default_rng(4)
    found = 0
    for position in rng.integers(0, len(whole), 300):
        content = bytearray(whole)
        content[position] ^= 1 << int(rng.integers(8))
        path.write_bytes(content)
        try:
            verify_drive_file(path)
        except DriveLibraryError:
            found += 1
        else:
            # Parquet's footer holds redundant parts that no reader looks at.
            assert_same_drive(read_drive(path), small_drive())
            assert read_header(path).summary == small_summary()
    assert found > 200


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.9999])
def test_a_truncated_file_is_called_damaged(tmp_path, share):
    path = write(tmp_path / "a.parquet")
    path.write_bytes(path.read_bytes()[: int(share * path.stat().st_size)])
    with pytest.raises(DriveLibraryError, match="damaged"):
        read_header(path)


def test_a_parquet_file_of_somebody_else_is_no_drive(tmp_path):
    path = tmp_path / "a.parquet"
    pd.DataFrame({"x": [1.0]}).to_parquet(path)
    with pytest.raises(DriveLibraryError, match="header cannot be read"):
        read_header(path)


def test_a_file_of_a_newer_logan_is_refused_and_not_called_damaged(tmp_path, monkeypatch):
    monkeypatch.setattr("logan.drive_library.header.FORMAT_VERSION", FORMAT_VERSION + 1)
    path = write(tmp_path / "a.parquet")
    monkeypatch.undo()
    with pytest.raises(DriveLibraryError, match=f"version {FORMAT_VERSION + 1} .* reads up to {FORMAT_VERSION}"):
        read_header(path)


def test_an_older_header_is_brought_up_one_version_at_a_time():
    text = json.dumps({"format": "logan-drive", "version": -1, "name": "0123456789abcdef", "begin": 5})
    header = DriveHeader.from_json(
        text,
        migrations={
            -1: lambda old: {**old, "id": old["name"]},
            0: lambda old: {
                **old,
                "start_ns": old["begin"],
                "duration_s": 1.0,
                "sources": [],
                "dbcs": [],
                "history": [],
                "conditions": {},
                "summary": {},
                "channels": [],
            },
        },
    )
    assert (header.id, header.start_ns, header.duration_s) == ("0123456789abcdef", 5, 1.0)


def test_a_file_of_version_1_is_read_for_ever():
    drive = read_drive(V1_FILE)
    assert verify_drive_file(V1_FILE).summary == small_summary(7)
    assert_same_drive(drive, small_drive(7))
