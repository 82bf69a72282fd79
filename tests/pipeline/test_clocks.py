import shutil
from pathlib import Path

import pytest

from logan.errors import LogReadError
from logan.pipeline.logs_reader import group_by_clock

STREET = Path(__file__).parents[2] / "fixtures" / "logs" / "gpx" / "street.gpx"


def write(folder, name, text):
    path = folder / name
    path.write_text(text)
    return path


def test_frames_lead_tables_share_by_header_and_every_track_stands_alone(tmp_path):
    one = write(tmp_path, "a.log", "(1700000000.000000) can0 123#0011\n")
    two = write(tmp_path, "b.log", "(1700000001.000000) can1 124#0011\n")
    first = write(tmp_path, "c1.csv", "Time [s],Power [kW]\n0,1\n1,2\n")
    second = write(tmp_path, "c2.csv", "Time [s],Power [kW]\n2,1\n3,2\n")
    other = write(tmp_path, "d.csv", "Time [s],Speed [km/h]\n2,1\n3,2\n")
    track = tmp_path / "t.gpx"
    shutil.copy(STREET, track)
    groups = group_by_clock([track, first, one, other, second, two])
    assert groups == ((one, two), (first, second), (other,), (track,))


def test_one_log_is_one_group_without_being_looked_at(tmp_path):
    missing = tmp_path / "missing.log"
    assert group_by_clock([missing]) == ((missing,),)


def test_a_file_that_is_no_log_is_refused(tmp_path):
    one = write(tmp_path, "a.log", "(1700000000.000000) can0 123#0011\n")
    with pytest.raises(LogReadError):
        group_by_clock([one, write(tmp_path, "x.bin", "\x01\x02")])
