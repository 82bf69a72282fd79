import threading

import numpy as np
import pytest

from logan.errors import LogReadError
from logan.pipeline.frame_store import FrameStore, store_frames
from logan.pipeline.ingest import read_signals
from tests.pipeline.test_ingest import DBC, drive, line, write


@pytest.fixture(autouse=True)
def own_cache(tmp_path, monkeypatch):
    monkeypatch.setenv("LOGAN_CACHE", str(tmp_path / "cache"))


@pytest.fixture
def dbc(tmp_path):
    return write(tmp_path / "car.dbc", DBC)


@pytest.fixture
def log(tmp_path):
    fd_frame = f"(1700000000.000000) can0 102##1{'AB' * 64}\n"
    return write(tmp_path / "a.log", drive(count=3000) + fd_frame + line(1_700_000_000.5, 257, b"\x01") * 2)


def test_stored_frames_decode_to_what_the_log_gives(tmp_path, log, dbc):
    target = tmp_path / "drive.frames"
    assert store_frames([log], target) == 6003
    stored, read = FrameStore(target).decode(dbcs=[dbc]), read_signals([log], dbcs=[dbc])
    assert [column.key for column in stored] == [column.key for column in read]
    for ours, theirs in zip(stored, read, strict=True):
        np.testing.assert_array_equal(ours.value, theirs.value)
        np.testing.assert_array_equal(ours.time_ns, theirs.time_ns)
    assert dict(stored.unknown_ids) == dict(read.unknown_ids) == {"can0/102": 1}


def test_a_signal_of_a_dbc_that_came_later_is_decoded_without_the_log(tmp_path, log):
    store_frames([log], tmp_path / "drive.frames")
    log.unlink()
    later = write(
        tmp_path / "later.dbc", 'BU_: X\nBO_ 258 Wide: 64 X\n SG_ Last : 504|8@1+ (1,0) [0|0] "" X\n' + DBC[6:]
    )
    stored = FrameStore(tmp_path / "drive.frames").decode(dbcs=[later], wanted={"Wide.Last"})
    assert [(column.key, column.value.tolist()) for column in stored] == [("can0/Wide.Last", [0xAB])]


def test_what_goes_wrong_leaves_no_file(tmp_path, log):
    target = tmp_path / "drive.frames"
    with pytest.raises(LogReadError, match="cancelled"):
        store_frames([log], target, is_cancelled=lambda: True)
    with pytest.raises(LogReadError, match="no frame"):
        store_frames([write(tmp_path / "b.csv", "Time [s],V\n0,1\n1,2\n")], target)
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".csv", ".log"]


@pytest.mark.parametrize("cut", [0, 1, 10, 1000])
def test_a_damaged_file_is_refused(tmp_path, log, cut):
    target = tmp_path / "drive.frames"
    store_frames([log], target)
    content = target.read_bytes()
    target.write_bytes(content[: cut or None][:-1] if cut == 0 else content[:cut])
    with pytest.raises(LogReadError, match="no file of stored frames"):
        FrameStore(target)


def test_a_block_outside_the_file_is_refused(tmp_path, log):
    target = tmp_path / "drive.frames"
    store_frames([log], target)
    content = target.read_bytes()
    target.write_bytes(content[:16] + content[-len(content) // 3 :])
    with pytest.raises(LogReadError, match="no file of stored frames"):
        FrameStore(target)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(LogReadError, match="No such file"):
        FrameStore(tmp_path / "missing.frames")


@pytest.mark.parametrize("threads", [1, 2])
def test_ctrl_c_leaves_nothing_behind(tmp_path, log, monkeypatch, threads):
    monkeypatch.setattr("logan.pipeline.logs_reader._PROGRESS_PERIOD_S", 0.0)

    def interrupt(progress):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        store_frames([log], tmp_path / "drive.frames", threads=threads, progress=interrupt)
    assert [path.name for path in tmp_path.iterdir()] == ["a.log"]
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("logan-read")]
