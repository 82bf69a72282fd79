from io import BytesIO
from pathlib import Path

import numpy as np
import pytest

from logan.errors import LogReadError
from logan.logs import gpx_track
from logan.logs.log_format import ReadOptions, ReadReport
from logan.logs.registry import identify

STREET = Path(__file__).parents[2] / "fixtures" / "logs" / "gpx" / "street.gpx"
HEAD = b'<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'


def read(content, path=Path("track.gpx")):
    report = ReadReport(path)
    (table,) = gpx_track.read(BytesIO(content), path, ReadOptions(), report)
    return {column.name: column for column in table}, report


def test_a_track_gives_position_height_and_speed():
    columns, report = read(STREET.read_bytes())
    assert list(columns) == ["latitude", "longitude", "elevation", "gnss_speed"]
    assert columns["elevation"].time_ns[0] == 1_716_105_600 * 10**9
    assert report.skipped_count == 1  # the point without a time


def test_speed_from_positions_stands_in_the_middle_of_each_step():
    columns, _ = read(STREET.read_bytes())
    speed = columns["gnss_speed"]
    assert speed.comment == "from positions"
    assert speed.time_ns[0] == columns["latitude"].time_ns[0] + 500_000_000
    # The street was made with steps of v / 111195 degrees a second, v up to 12 m/s.
    assert speed.value.max() == pytest.approx(12.0, abs=0.02)


def test_the_receivers_own_speed_is_preferred():
    point = (
        b'<trkpt lat="1" lon="2"><time>2024-01-01T00:00:0%dZ</time><extensions>'
        b'<x:TrackPointExtension xmlns:x="http://example.org/extension">'
        b"<x:speed>%d.5</x:speed></x:TrackPointExtension></extensions></trkpt>"
    )
    columns, _ = read(HEAD + b"<trk><trkseg>" + point % (0, 3) + point % (1, 4) + b"</trkseg></trk></gpx>")
    assert columns["gnss_speed"].value.tolist() == [3.5, 4.5]


def test_points_are_put_in_order_of_time():
    point = b'<trkpt lat="%d" lon="2"><time>2024-01-01T00:00:0%dZ</time></trkpt>'
    columns, _ = read(HEAD + b"<trk><trkseg>" + point % (2, 2) + point % (1, 1) + b"</trkseg></trk></gpx>")
    assert columns["latitude"].value.tolist() == [1.0, 2.0]
    assert (np.diff(columns["latitude"].time_ns) > 0).all()


def test_a_planned_route_is_no_recording():
    with pytest.raises(LogReadError, match="planned route and not a recording"):
        read(HEAD + b'<trk><trkseg><trkpt lat="1" lon="2"/></trkseg></trk></gpx>')


@pytest.mark.parametrize(
    "end", [b"<trk><trkseg><trkpt lat=", b'<trk><trkseg><trkpt lat="x" lon="y"/></trkseg></trk></gpx>']
)
def test_a_broken_document_is_refused(end):
    with pytest.raises(LogReadError, match="not a GPX document"):
        read(HEAD + end)


def test_a_document_with_entities_is_refused_before_it_is_parsed():
    bomb = b'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaa">]>' + b"<gpx>&a;</gpx>"
    with pytest.raises(LogReadError, match="declares entities"):
        read(bomb)


def test_it_is_recognised_by_content():
    assert identify(STREET, STREET.read_bytes()[:4096]).name == "gpx"
    assert not gpx_track.looks_like(b"time;speed\n0;1\n")
