"""Faults of the bus, counted over blocks of frames."""

from __future__ import annotations

import numpy as np
import pytest

from logan.frames.table import FrameTable
from logan.quality import FrameWatch, find_frame_flags

_NS = 1_000_000_000


def _frames(count: int = 1000, **changes: np.ndarray) -> FrameTable:
    """Ten identifiers in turn, a frame every millisecond, payloads that count."""
    index = np.arange(count)
    payload = np.zeros((count, 8), dtype=np.uint8)
    payload[:, 0], payload[:, 1] = index % 256, index // 256
    content = {
        "time_ns": index.astype(np.int64) * 1_000_000,
        "can_id": (0x100 + index % 10).astype(np.uint32),
        "is_extended": np.zeros(count, dtype=bool),
        "is_fd": np.zeros(count, dtype=bool),
        "is_remote": np.zeros(count, dtype=bool),
        "is_error": np.zeros(count, dtype=bool),
        "bus": np.zeros(count, dtype=np.uint8),
        "length": np.full(count, 8, dtype=np.uint8),
        "payload": payload,
    }
    content.update(changes)
    return FrameTable(**content, buses=("can0",))


def _codes(frames: FrameTable) -> list[str]:
    return [flag.code for flag in find_frame_flags([frames])]


def test_a_sound_bus_has_no_flags() -> None:
    assert find_frame_flags([_frames()]) == ()


def test_no_frames_have_no_flags() -> None:
    assert find_frame_flags([]) == ()
    assert find_frame_flags([_frames(0)]) == ()


def test_error_frames_are_counted_with_their_spans() -> None:
    errors = np.zeros(1000, dtype=bool)
    errors[300:340] = True
    (flag,) = find_frame_flags([_frames(is_error=errors)])
    assert flag.code == "error_frames"
    assert "40 of 1000" in flag.evidence
    assert flag.spans[0].start_s == pytest.approx(0.300)
    assert flag.spans[0].end_s == pytest.approx(0.339)


def test_silence_of_the_whole_bus_is_found_across_blocks() -> None:
    late = _frames(time_ns=np.arange(1000, dtype=np.int64) * 1_000_000 + 8 * _NS)
    (flag,) = find_frame_flags([_frames(), late])
    assert flag.code == "bus_silent"
    assert flag.spans[0].duration_s == pytest.approx(7.0, abs=0.01)


def test_an_identifier_used_in_both_lengths_is_named() -> None:
    extended = np.zeros(1000, dtype=bool)
    extended[3::20] = True
    (flag,) = find_frame_flags([_frames(is_extended=extended)])
    assert flag.code == "identifier_clash"
    assert "0x103" in flag.evidence


def test_echoes_of_a_second_logger_are_found() -> None:
    frames = _frames(500)
    twice = np.repeat(np.arange(500), 2)
    time_ns = frames.time_ns[twice] + np.where(np.arange(1000) % 2 == 1, 200_000, 0)
    echoed = _frames(1000, time_ns=time_ns, can_id=frames.can_id[twice], payload=frames.payload[twice])
    assert _codes(echoed) == ["frames_echoed"]


def test_a_flood_of_one_identifier_is_found() -> None:
    flooded = (0x100 + np.arange(1000) % 10).astype(np.uint32)
    flooded[200:300] = 0x7DF
    assert _codes(_frames(can_id=flooded)) == ["identifier_burst"]


def test_memory_stays_bounded_however_many_errors_come() -> None:
    watch = FrameWatch()
    for block in range(200):
        time_ns = (np.arange(10, dtype=np.int64) * 3 + block * 30) * _NS
        watch.add(_frames(10, time_ns=time_ns, is_error=np.ones(10, dtype=bool)))
    assert all(len(flag.spans) <= 50 for flag in watch.flags())
    assert watch.error_count == 2000
