import numpy as np
import pytest

from logan.drive_cycles.route import load_route
from logan.errors import ConfigurationError

METRES_PER_DEGREE = np.pi / 180.0 * 6_371_008.8


def gpx_text(latitude, longitude, elevation=None, seconds=None):
    points = []
    for index in range(len(latitude)):
        height = "" if elevation is None else f"<ele>{elevation[index]:.2f}</ele>"
        moment = ""
        if seconds is not None:
            whole = int(seconds[index])
            moment = f"<time>2026-01-01T{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}Z</time>"
        points.append(f'<trkpt lat="{latitude[index]:.7f}" lon="{longitude[index]:.7f}">{height}{moment}</trkpt>')
    body = "".join(points)
    return (
        '<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><trkseg>{body}</trkseg></trk></gpx>"
    )


def straight_north(tmp_path, *, seconds=None, elevation=None, count=401, spacing_m=25.0):
    latitude = 45.0 + np.arange(count) * spacing_m / METRES_PER_DEGREE
    path = tmp_path / "route.gpx"
    path.write_text(gpx_text(latitude, np.full(count, 7.0), elevation, seconds))
    return path


def test_a_straight_track_has_its_length_course_and_time(tmp_path):
    schedule = load_route(straight_north(tmp_path), speed_m_per_s=20.0)
    assert schedule.distance_m == pytest.approx(10_000.0, rel=1e-5)
    assert schedule.duration_s == pytest.approx(500.0, rel=1e-5)
    assert schedule.elevation_m is None
    assert "level" in schedule.source
    np.testing.assert_allclose(np.minimum(schedule.heading_deg, 360.0 - schedule.heading_deg), 0.0, atol=1e-3)


def test_heights_are_taken_without_the_climb_of_their_noise(tmp_path):
    along = np.arange(401) * 25.0
    truth = 100.0 * along / 10_000.0
    noisy = truth + 2.5 * np.random.default_rng(3).standard_normal(along.size)
    schedule = load_route(straight_north(tmp_path, elevation=noisy), speed_m_per_s=20.0)
    steps = np.diff(schedule.elevation_m)
    assert np.diff(noisy)[np.diff(noisy) > 0].sum() > 400.0
    assert steps[steps > 0].sum() == pytest.approx(100.0, abs=8.0)


def test_a_recorded_track_keeps_its_own_speed_and_its_stops(tmp_path):
    seconds = np.arange(401) * 2.0
    seconds[200:] += 60.0
    schedule = load_route(straight_north(tmp_path, seconds=seconds))
    assert schedule.distance_m == pytest.approx(10_000.0, rel=1e-3)
    assert schedule.duration_s == pytest.approx(860.0)
    assert np.median(schedule.speed_m_per_s) == pytest.approx(12.5, rel=1e-3)
    assert np.count_nonzero(schedule.speed_m_per_s < 0.5) > 40


ODD_ZONE = "<time>2024-05-01T10:00:00+99:99</time>"


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "not a GPX file"),
        ("hello", "not a GPX file"),
        (gpx_text([45.0, 45.1], [7.0, 7.0]).replace("</trkpt>", f"{ODD_ZONE}</trkpt>"), "not a GPX file"),
        ("<gpx></gpx>", "holds no track"),
        ('<!DOCTYPE gpx [<!ENTITY a "b">]><gpx/>', "declares XML entities"),
        (gpx_text([45.0, 45.0], [7.0, 7.00001]), "the track is 1.m long"),
        (gpx_text([45.0, 45.1], [7.0, 7.0]), "has no times"),
        (gpx_text([45.0, 95.0], [7.0, 7.0]), "nowhere on Earth"),
        (gpx_text([45.0, float("nan")], [7.0, 7.0]), "nowhere on Earth"),
        (gpx_text([45.0, 45.1], [7.0, 7.0], [0.0, float("inf")]), "heights that no road has"),
        (gpx_text([45.0, 45.1], [7.0, 7.0], [0.0, 1e6]), "heights that no road has"),
        (gpx_text([45.0, 45.001, 45.002], [7.0] * 3, [0.0, 4000.0, 0.0]), "% steep"),
    ],
)
def test_a_file_that_is_no_route_is_refused_in_one_line(tmp_path, text, problem):
    path = tmp_path / "route.gpx"
    path.write_text(text)
    with pytest.raises(ConfigurationError, match=problem) as caught:
        load_route(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_binary_and_missing_files_are_refused(tmp_path):
    path = tmp_path / "route.gpx"
    with pytest.raises(ConfigurationError, match="cannot be read"):
        load_route(path)
    path.write_bytes(bytes(range(256)))
    with pytest.raises(ConfigurationError, match="cannot be read"):
        load_route(path)
