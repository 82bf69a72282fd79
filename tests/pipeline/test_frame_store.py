import numpy as np
import pytest

from logan.drive_library.raw_file import RawFile, RawFileWriter
from logan.pipeline.dbc_files import BusLayouts
from logan.pipeline.frame_store import decode_part
from logan.pipeline.ingest import read_logs
from logan.pipeline.logs_reader import Reading
from tests.pipeline.test_ingest import DBC, drive, line, write


@pytest.fixture
def dbc(tmp_path):
    return write(tmp_path / "car.dbc", DBC)


@pytest.fixture
def log(tmp_path):
    fd_frame = f"(1700000000.000000) can0 102##1{'AB' * 64}\n"
    return write(tmp_path / "a.log", drive(count=3000) + fd_frame + line(1_700_000_000.5, 257, b"\x01") * 2)


def kept(path, paths, dbc, threads=2, **options):
    with RawFileWriter(path) as writer:
        ingested = read_logs(paths, Reading(dbcs=[dbc], threads=threads), keep=writer, **options)
        writer.finish()
    (part,) = RawFile(path).parts
    return ingested.signals, part


def assert_same_signals(one, other):
    assert [column.key for column in one] == [column.key for column in other]
    for ours, theirs in zip(one, other, strict=True):
        np.testing.assert_array_equal(ours.value, theirs.value)
        np.testing.assert_array_equal(ours.time_ns, theirs.time_ns)


@pytest.mark.parametrize("threads", [1, 2])
def test_what_is_kept_decodes_to_what_the_log_gives(tmp_path, log, dbc, threads):
    signals, part = kept(tmp_path / "a.frames", [log], dbc, threads=threads)
    assert sum(part.counts.values()) == 6003
    again = decode_part(part, BusLayouts([dbc], {}))
    assert_same_signals(again, signals)
    assert_same_signals(again, read_logs([log], Reading(dbcs=[dbc])).signals)
    assert dict(again.unknown_ids) == dict(signals.unknown_ids) == {"can0/102": 1}
    assert again.frame_count == 6003


def test_what_is_not_asked_for_is_kept_too(tmp_path, log, dbc):
    signals, part = kept(tmp_path / "a.frames", [log], dbc, wanted={"Pack.Voltage"})
    assert [column.key for column in signals] == ["can0/Pack.Voltage"]
    log.unlink()
    later = decode_part(part, BusLayouts([dbc], {}), {"Motor.Temperature"})
    assert [(column.key, column.value.size) for column in later] == [("can0/Motor.Temperature", 3002)]


def test_a_signal_of_a_dbc_that_came_later_is_decoded_without_the_log(tmp_path, log, dbc):
    _, part = kept(tmp_path / "a.frames", [log], dbc)
    wide = 'BU_: X\nBO_ 258 Wide: 64 X\n SG_ Last : 504|8@1+ (1,0) [0|0] "" X\n' + DBC[6:]
    later = write(tmp_path / "later.dbc", wide)
    stored = decode_part(part, BusLayouts([later], {}), {"Wide.Last"})
    assert [(column.key, column.value.tolist()) for column in stored] == [("can0/Wide.Last", [0xAB])]


def test_overlapping_logs_come_back_in_the_order_of_time(tmp_path, dbc):
    early = write(tmp_path / "a.log", drive(count=30))
    late = write(tmp_path / "b.log", drive(start_s=1_700_000_001.0, bus="can0", count=30))
    signals, part = kept(tmp_path / "ab.frames", [late, early], dbc)
    assert part.log_count == 2
    assert_same_signals(decode_part(part, BusLayouts([dbc], {})), signals)
    assert all((np.diff(column.time_ns) >= 0).all() for column in signals)


def test_every_column_of_a_table_is_kept(tmp_path, dbc):
    table = write(tmp_path / "a.csv", "Time [s],Speed [km/h],Spare [V]\n0,10,3\n1,11,4\n2,12,5\n")
    signals, part = kept(tmp_path / "a.frames", [table], dbc, wanted={"Speed"})
    assert [column.name for column in signals] == ["Speed"]
    assert [column.value.tolist() for column in decode_part(part, BusLayouts([], {}), {"Spare"})] == [[3.0, 4.0, 5.0]]
