"""A logger's table without a date and a phone's track become one drive on one clock."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from logan.drive_library.repository import DriveLibrary
from logan.pipeline.builds import BuildFolder, new_build
from logan.pipeline.channels import edit_channels
from logan.pipeline.frame_store import decode_again
from logan.pipeline.importing import ImportOptions, import_logs
from logan.pipeline.reporting import document_of, gather_report
from logan.report.inputs import Words
from tests.drive.twins import mixed_drive


@pytest.fixture
def drive():
    return mixed_drive(elevation_sigma_m=0.0, without=("barometric_pressure",))


@pytest.fixture
def table(tmp_path, drive):
    time_s = np.arange(1.0, drive.duration_s - 5.0, 0.2)
    names = {"Speed [m/s]": "speed", "Voltage [V]": "pack_voltage", "Current [A]": "pack_current"}
    rows = np.column_stack([time_s, *(drive[name].at(time_s) for name in names.values())])
    path = tmp_path / "logger.csv"
    np.savetxt(path, rows, delimiter=",", header=",".join(["Time [s]", *names]), comments="", fmt="%.4f")
    return path


@pytest.fixture
def track(tmp_path, drive):
    start = datetime(2024, 5, 19, 8, 0, 0, tzinfo=UTC)
    points = [
        f'<trkpt lat="{lat:.8f}" lon="{lon:.8f}"><ele>{ele:.2f}</ele>'
        f"<time>{(start + timedelta(seconds=float(t))).isoformat()}</time></trkpt>"
        for t, lat, lon, ele in zip(
            drive["latitude"].time_s,
            drive["latitude"].value,
            drive["longitude"].value,
            drive["elevation"].value,
            strict=True,
        )
    ]
    path = tmp_path / "phone.gpx"
    body = "".join(points)
    path.write_text(
        f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{body}</trkseg></trk></gpx>'
    )
    return path


def test_the_track_gives_the_height_on_the_loggers_clock(tmp_path, drive, table, track):
    new_build(tmp_path / "van")
    folder = BuildFolder(tmp_path / "van")
    edit_channels(
        folder,
        changes={"speed.signal": "Speed", "pack_voltage.signal": "Voltage", "pack_current.signal": "Current"},
    )
    (imported,) = import_logs(folder, [track, table], options=ImportOptions(is_one_drive=True))
    with DriveLibrary.open(folder.library) as library:
        stored, whole_file = library.load(imported.record.id), library.path(1).read_bytes()
    assert "align_clock" in [step.action for step in stored.history]
    assert {"elevation", "gnss_speed", "latitude", "longitude"} <= set(stored)
    # The drive begins with the track, whose first point is at 0 s of the twin's own time.
    begin_s = stored["speed"].time_s[0] - 1.0
    at_s = np.arange(100.0, 1200.0, 10.0)
    error_m = stored["elevation"].at(at_s + begin_s, max_gap_s=5.0) - drive["elevation"].at(at_s, max_gap_s=5.0)
    assert np.abs(error_m).max() < 1.0
    document = document_of(gather_report(folder))
    (said,) = [
        block
        for section in document.sections
        for block in section.blocks
        if isinstance(block, Words) and block.title == "Do the clocks agree?"
    ]
    assert "best at" in said.lines[0]
    assert said.tone == "plain"
    decode_again(folder)
    with DriveLibrary.open(folder.library) as library:
        assert library.path(1).read_bytes() == whole_file
