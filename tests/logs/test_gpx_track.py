from datetime import UTC, datetime, timedelta, timezone
from io import BytesIO
from pathlib import Path

import gpxpy
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


POINT = b'<trkpt lat="%s" lon="9"><ele>%s</ele><time>%s</time></trkpt>'
GOOD = b"".join(POINT % (b"48.%d" % second, b"400", b"2024-01-01T00:00:0%dZ" % second) for second in range(5))


def document(points):
    return HEAD + b"<trk><trkseg>" + points + b"</trkseg></trk></gpx>"


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        (b'<trkpt lat="1" lon="2"/>', "points without a time"),
        (POINT % (b"1", b"2", b"yesterday"), "points without a time, or with one that cannot be read"),
        (POINT % (b"1", b"2", b"2024-05-01T10:00:00+99:99"), "points without a time, or with one that cannot be read"),
        (POINT % (b"1", b"2", b"0000-00-00T00:00:00Z"), "points without a time"),
        (POINT % (b"1", b"2", b"9999-12-31T23:59:59-14:00"), "points of a time beyond the year 2262"),
        (POINT % (b"120.5", b"2", b"2024-05-01T10:00:00Z"), r"nowhere on Earth \(latitude and longitude swapped\?\)"),
        (POINT % (b"inf", b"2", b"2024-05-01T10:00:00Z"), "nowhere on Earth"),
        (POINT % (b"9" * 5000, b"2", b"2024-05-01T10:00:00Z"), "nowhere on Earth"),
        (b'<trkpt lat="x" lon="y"><time>2024-05-01T10:00:00Z</time></trkpt>', "nowhere on Earth"),
        (b"<trkpt lat=", "it is damaged in line 1"),
        (b"", "it has none"),
    ],
)
def test_a_point_that_cannot_be_used_is_left_out_and_told_and_a_document_of_such_alone_is_refused(points, reason):
    with pytest.raises(LogReadError, match=f"no point of the track can be used: .*{reason}"):
        read(document(points))
    if points.endswith(b"</trkpt>"):
        columns, report = read(document(GOOD + points))
        assert columns["latitude"].value.tolist() == [48.0, 48.1, 48.2, 48.3, 48.4]
        assert report.skipped_count == 1
        assert np.isfinite(columns["gnss_speed"].value).all()


def test_a_height_or_speed_that_is_no_number_is_none():
    odd = b"".join(POINT % (b"48", text, b"2024-01-01T00:01:00Z") for text in (b"high", b"nan", b"1e999", b""))
    columns, _ = read(document(odd + GOOD))
    assert columns["elevation"].value.tolist() == [400.0] * 5
    assert columns["latitude"].value.size == 9


def test_what_stands_before_a_cut_or_a_fault_is_there_and_the_rest_is_told():
    whole = document(GOOD)
    for cut in range(len(whole)):
        content = whole[:cut]
        if content.count(b"</trkpt>") == 0:
            continue
        columns, report = read(content)
        assert columns["latitude"].value.size == content.count(b"</trkpt>")
        assert report.is_truncated
    for fault in (b"\0", b"&nbsp;", b"&#1;", b"</trk>", b"<a b='1' b='2'/>"):
        columns, report = read(document(GOOD + fault + GOOD))
        assert columns["latitude"].value.size == 5
        assert report.skipped[0].reason == "the document is damaged here: what follows is not read"
    assert read(document(GOOD) * 2)[0]["latitude"].value.size == 5


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-be"])
def test_the_mark_at_the_begin_says_how_a_track_is_written(encoding):
    text = '<?xml version="1.0" encoding="UTF-16"?>' + document(GOOD).decode().partition("?>")[2]
    content = ("\ufeff" if encoding == "utf-16-be" else "").encode(encoding) + text.encode(encoding)
    assert identify(STREET, content[:4096]).name == "gpx"
    assert read(content)[0]["latitude"].value.size == 5
    with pytest.raises(LogReadError, match="declares entities"):
        read(text.replace("?>", '?><!DOCTYPE gpx [<!ENTITY a "b">]>').encode("utf-16"))


def test_a_track_with_prefixes_nested_parts_and_hostile_depth_is_read():
    prefixed = document(GOOD).replace(b"<gpx", b'<g:gpx xmlns:g="x"').replace(b"</gpx", b"</g:gpx")
    prefixed = prefixed.replace(b"<trkpt", b"<g:trkpt").replace(b"</trkpt", b"</g:trkpt")
    assert identify(STREET, prefixed[:4096]).name == "gpx"
    deep = b"<extensions>" + b"<a>" * 100_000 + b"</a>" * 100_000 + b"</extensions></trkpt>"
    for content in (
        prefixed,
        document(document(GOOD).partition(b"?>")[2]),
        document(GOOD.replace(b"</trkpt>", deep, 1)),
    ):
        assert read(content)[0]["latitude"].value.size == 5


def test_an_element_without_an_end_is_no_element():
    with pytest.raises(LogReadError, match="too large for a track"):
        read(HEAD + b"<trk name='" + b"x" * 5_000_000)


def test_a_document_with_entities_is_refused_before_it_is_parsed():
    bomb = b'<?xml version="1.0"?><!DOCTYPE gpx [<!ENTITY a "aaaa">]>' + b"<gpx>&a;</gpx>"
    with pytest.raises(LogReadError, match="declares entities"):
        read(bomb)


def test_it_is_recognised_by_content():
    assert identify(STREET, STREET.read_bytes()[:4096]).name == "gpx"
    assert not gpx_track.looks_like(b"time;speed\n0;1\n")


@pytest.mark.parametrize("version", ["1.0", "1.1"])
def test_points_are_those_that_gpxpy_reads(version):
    """gpxpy writes the track and reads it again, of which each point that has a time is to be found here."""
    rng, document = np.random.default_rng(11), gpxpy.gpx.GPX()
    zones = (UTC, timezone(timedelta(hours=-7)), timezone(timedelta(hours=5, minutes=30)))
    for part in range(3):
        segment = gpxpy.gpx.GPXTrackSegment()
        for k in range(20):
            moment = datetime(2024, 5, 1, 12 + part, 0, k, 250_000 * (k % 4), UTC).astimezone(zones[k % 3])
            height = None if k % 5 == 0 else rng.uniform(-50.0, 900.0)
            place = rng.uniform(-89.0, 89.0), rng.uniform(-179.0, 179.0)
            speed = rng.uniform(0.0, 30.0) if version == "1.0" else None
            segment.points.append(gpxpy.gpx.GPXTrackPoint(*place, height, None if k == 7 else moment, speed=speed))
        document.tracks.append(gpxpy.gpx.GPXTrack())
        document.tracks[-1].segments.append(segment)
    text = document.to_xml(version=version)
    theirs = [one.point for one in gpxpy.parse(text).get_points_data() if one.point.time is not None]
    columns, report = read(text.encode())
    assert report.skipped_count == 3
    time_s = columns["latitude"].time_ns / 1e9
    assert time_s == pytest.approx([one.time.timestamp() for one in theirs], abs=1e-6)
    assert columns["latitude"].value.tolist() == [one.latitude for one in theirs]
    assert columns["longitude"].value.tolist() == [one.longitude for one in theirs]
    assert columns["elevation"].value.tolist() == [one.elevation for one in theirs if one.elevation is not None]
    if version == "1.0":
        assert columns["gnss_speed"].value.tolist() == [one.speed for one in theirs]
