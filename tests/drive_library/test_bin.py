"""The bin: a drive taken out comes back as it was, until the bin is emptied."""

import numpy as np
import pytest

from logan.drive.drive import Channel, Drive, DriveConditions, LogSource
from logan.drive_library.bin import bring_back, empty_bin, in_bin, put_into_bin
from logan.drive_library.repository import DriveLibrary
from logan.errors import UsageError


@pytest.fixture
def library(tmp_path):
    with DriveLibrary.open(tmp_path / "drives", create=True) as opened:
        for k in (1, 2):
            channel = Channel(name="speed", time_s=np.arange(10.0), value=np.full(10, float(k)))
            source = LogSource(name=f"{k}.csv", sha256=f"{k:064x}", size_bytes=1, log_format="table")
            opened.add(Drive(channels={"speed": channel}, sources=(source,)))
        opened.set_conditions(1, DriveConditions(note="wet", tags=("x",)))
        yield opened


def everything(library):
    return {path.relative_to(library.folder): path.read_bytes() for path in library.folder.rglob("[0-9a-f]*.*[ts]*")}


def test_what_is_binned_comes_back_with_its_notes_and_number(library):
    before = {path: content for path, content in everything(library).items() if path.suffix in (".parquet", ".json")}
    drive_id = put_into_bin(library, 1)
    assert [record.number for record in library.drives()] == [2]
    assert in_bin(library) == ((1, drive_id),)
    assert library.check().is_whole
    assert bring_back(library, drive_id) == 1
    assert (library.record(1).conditions.note, library.load(1)["speed"].value[0]) == ("wet", 1.0)
    after = {path: content for path, content in everything(library).items() if path.suffix in (".parquet", ".json")}
    assert after == before
    assert in_bin(library) == ()


def test_an_emptied_bin_gives_nothing_back(library):
    drive_id = put_into_bin(library, 2)
    assert empty_bin(library) == 1
    with pytest.raises(UsageError):
        bring_back(library, drive_id)
    assert [record.number for record in library.drives()] == [1]


def test_a_number_in_the_bin_is_not_given_again(library):
    drive_id = put_into_bin(library, 2)
    channel = Channel(name="speed", time_s=np.arange(10.0), value=np.full(10, 3.0))
    source = LogSource(name="3.csv", sha256=f"{3:064x}", size_bytes=1, log_format="table")
    new = library.add(Drive(channels={"speed": channel}, sources=(source,)))
    assert bring_back(library, drive_id) == 2
    assert new.number == 3
    assert sorted(record.number for record in library.drives()) == [1, 2, 3]
