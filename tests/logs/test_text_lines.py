"""Where lines lie, against the plain way to find them."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logan.logs.packed_text import gather
from logan.logs.text_lines import positions, split_lines
from tests.logs.harness import chunk_of

endings = st.sampled_from([b"", b"\r"])
strange = st.lists(st.sampled_from(b"a\r\t\x00\x7f\xe4 "), max_size=6).map(bytes)
bodies = st.text("ab 1", max_size=20).map(str.encode) | strange


def is_plain(line, *, allow_tabs):
    return all(32 <= character <= 126 or (allow_tabs and character == 9) for character in line)


@settings(deadline=None, max_examples=300)
@given(
    lines=st.lists(st.tuples(bodies, endings), min_size=1, max_size=12),
    ending=st.none() | endings,
    allow_tabs=st.booleans(),
)
def test_lines_are_found_whatever_ends_them(lines, ending, allow_tabs):
    # Mostly every line of a file ends alike, which has a way of its own.
    whole = [body + (own if ending is None else ending) for body, own in lines]
    text, size = chunk_of(whole)
    found = split_lines(text, size, allow_tabs=allow_tabs)
    expected = [line[:-1] if line.endswith(b"\r") else line for line in whole]
    assert [text[a:b].tobytes() for a, b in zip(found.start, found.end, strict=True)] == expected
    assert found.is_plain.tolist() == [is_plain(line, allow_tabs=allow_tabs) for line in expected]


@settings(deadline=None, max_examples=200)
@given(bits=st.lists(st.booleans(), max_size=80))
def test_positions_are_those_of_the_true_ones(bits):
    mask = np.array([*bits, *[False] * (-len(bits) % 8)], np.bool_)
    assert positions(mask).tolist() == np.flatnonzero(mask).tolist()


@settings(deadline=None, max_examples=50)
@given(places=st.lists(st.integers(0, 200), min_size=1, max_size=30), count=st.integers(1, 5))
def test_words_are_gathered_as_they_lie(places, count):
    text = np.random.default_rng(1).integers(0, 256, 300).astype(np.uint8)
    words = gather(text, np.array(places), count).reshape(count, -1)
    for row, place in enumerate(places):
        assert words[:, row].tobytes() == text[place : place + 8 * count].tobytes()
