"""Lines found and frames put in order, with a compiled reader and without one."""

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from logan.logs import asc, can_csv, candump, candump_console, frame_text, reading, text_lines, trc
from logan.logs.gathering import gather, positions
from logan.logs.log_format import PADDING
from logan.logs.text_lines import finish_chunk, read_lines
from tests.logs.harness import chunk_of, frames_of, read_bytes

endings = st.sampled_from([b"", b"\r"])
strange = st.lists(st.sampled_from(b"a\r\t\x00\x7f\xe4 "), max_size=6).map(bytes)
bodies = st.text("ab 1", max_size=20).map(str.encode) | strange


@settings(deadline=None, max_examples=200)
@given(lines=st.lists(st.tuples(bodies, endings).map(b"".join), min_size=1, max_size=12))
@pytest.mark.parametrize("reader_name", [candump.READER, "not_installed"])
def test_lines_that_are_left_are_found_whatever_ends_them(lines, reader_name):
    text, size = chunk_of(lines)
    frames = read_lines(text, size, reader_name)
    expected = [line[:-1] if line.endswith(b"\r") else line for line in lines]
    places = zip(frames.left_start, frames.left_end, strict=True)
    assert [text[start:end].tobytes() for start, end in places] == expected
    assert frames.left.tolist() == list(range(len(lines)))


@pytest.mark.parametrize("module", [asc, can_csv, candump, candump_console, frame_text, trc])
def test_every_text_format_of_frames_has_its_compiled_reader(module):
    assert text_lines.compiled_reader(module.READER) is not None, "install a C compiler, and then logan again"


def test_a_long_log_read_without_a_compiler_says_so(tmp_path, monkeypatch):
    content = b"(1.000001) can0 123#1122334455667788\n" * 20
    monkeypatch.setattr(text_lines, "compiled_reader", lambda name: None)
    assert not read_bytes(content, candump.FORMAT, tmp_path)[1].notes
    monkeypatch.setattr(reading, "_LONG_TEXT_BYTES", 100)
    assert "C compiler" in read_bytes(content, candump.FORMAT, tmp_path)[1].notes[0]


def test_without_a_compiler_the_grammar_reads_the_same_frames(monkeypatch):
    lines = [f"(1.{k:06d}) can{k % 2} {k:03X}#{'5A' * (k % 9)}".encode() for k in range(100)]
    lines += [b"# a comment", b"(2.0) can0 123##1" + b"5A" * 64, b"(2.0) can0 broken", b"(3.0) can0 20000001#00\r"]
    text, size = chunk_of(lines)
    compiled = finish_chunk(text, read_lines(text, size, candump.READER), candump.parse_line)
    monkeypatch.setattr(text_lines, "compiled_reader", lambda name: None)
    left = read_lines(text, size, candump.READER)
    assert left.left.size == len(lines)
    strict = finish_chunk(text, left, candump.parse_line)
    assert frames_of(strict.frames) == frames_of(compiled.frames)
    assert (strict.line_count, strict.skipped) == (compiled.line_count, compiled.skipped)


@pytest.mark.parametrize(
    ("text", "size"),
    [
        (np.zeros(300, np.uint8), 5),  # no newline at the end
        (np.full(300, 10, np.uint8), 290),  # too little room behind it
        (np.full(300, 10, np.uint8), 0),
        (np.full(600, 10, np.uint8)[::2], 5),
        (np.full(300, 10, np.int64), 5),
    ],
)
def test_a_buffer_that_a_compiled_reader_might_leave_is_refused(text, size):
    from logan.logs.line_columns import LineColumns

    with pytest.raises(ValueError, match="the text must"):
        LineColumns(text, size, 8)
    with pytest.raises(ValueError, match="8 or 64"):
        LineColumns(np.full(300, 10, np.uint8), 5, 16)


def test_more_buses_than_are_told_apart_are_broken_lines():
    lines = [f"(1.0) bus{k} 123#11".encode() for k in range(250)]
    text, size = chunk_of(lines)
    parsed = finish_chunk(text, read_lines(text, size, candump.READER), candump.parse_line)
    assert len(parsed.frames) + parsed.skipped_count == 250
    assert parsed.skipped_count > 0
    assert "bus names" in parsed.skipped[0].reason


def test_a_line_that_ends_the_text_is_read_within_the_room_behind_it():
    # Each cut of a line, as the last of a chunk whose padding holds what would complete it.
    line = b"(1.000000) can0 123##1" + b"5A" * 64
    for size in range(1, len(line)):
        text = np.frombuffer(line[:size] + b"\n" + bytes(PADDING), np.uint8)
        frames = read_lines(text, size + 1, candump.READER)
        assert frames.time_ns.size == 1


@settings(deadline=None, max_examples=200)
@given(bits=st.lists(st.booleans(), max_size=80))
def test_positions_are_those_of_the_true_ones(bits):
    mask = np.array([*bits, *[False] * (-len(bits) % 8)], np.bool_)
    assert positions(mask).tolist() == np.flatnonzero(mask).tolist()


@settings(deadline=None, max_examples=50)
@given(places=st.lists(st.integers(0, 200), min_size=1, max_size=30), count=st.integers(1, 5))
def test_words_are_gathered_as_they_lie(places, count):
    data = np.random.default_rng(1).integers(0, 256, 300).astype(np.uint8)
    words = gather(data, np.array(places), count).reshape(count, -1)
    for row, place in enumerate(places):
        assert words[:, row].tobytes() == data[place : place + 8 * count].tobytes()
