from concurrent.futures import ThreadPoolExecutor

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logan.frames.perfect_hash import PerfectHash
from logan.logs import identifiers
from logan.logs.identifiers import Identifiers, KnownIdentifiers

words = st.lists(st.integers(0, 2**64 - 1) | st.integers(0, 40), max_size=60)


def halved(words):
    """Stands for a grammar: even words are identifiers of half their value."""
    half = (words >> np.uint64(1)).astype(np.uint32)
    return Identifiers(half, words % 3 == 0, (words % 8).astype(np.uint8), words % 2 == 1)


def assert_same(one, other):
    for name in Identifiers.__slots__:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


@settings(deadline=None, max_examples=100)
@given(chunks=st.lists(words, max_size=5))
def test_what_is_looked_up_is_what_would_be_worked_out(chunks):
    known = KnownIdentifiers(halved)
    for chunk in chunks:
        array = np.array(chunk, np.uint64)
        assert_same(known(array), halved(array))


def test_words_that_are_known_are_not_worked_out_again():
    seen = []
    known = KnownIdentifiers(lambda words: seen.append(words.size) or halved(words))
    array = np.arange(50, dtype=np.uint64).repeat(20)
    for _ in range(3):
        known(array)
    assert seen == [50]


def test_noise_does_not_fill_the_memory(monkeypatch):
    monkeypatch.setattr(identifiers, "_MAX_KNOWN", 10)
    known = KnownIdentifiers(halved)
    array = np.arange(1000, dtype=np.uint64)
    for _ in range(2):
        assert_same(known(array), halved(array))


def test_several_threads_may_look_up_at_once():
    known = KnownIdentifiers(halved)
    chunks = [np.random.default_rng(seed).integers(0, 300, 500).astype(np.uint64) for seed in range(20)]
    with ThreadPoolExecutor(4) as pool:
        for chunk, found in zip(chunks, pool.map(known, chunks), strict=True):
            assert_same(found, halved(chunk))


@settings(deadline=None, max_examples=60)
@given(keys=st.sets(st.integers(0, 2**64 - 1), min_size=1, max_size=200), others=words)
def test_every_key_has_a_slot_of_its_own_and_strangers_are_told(keys, others):
    table = PerfectHash.of(np.array(sorted(keys), np.uint64))
    slots, is_known = table.slots(table.keys)
    assert is_known.all()
    assert table.index_of_slot[slots].tolist() == list(range(len(keys)))
    _, is_known = table.slots(np.array(others, np.uint64))
    assert is_known.tolist() == [other in keys for other in others]
