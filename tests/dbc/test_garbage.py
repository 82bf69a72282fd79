import gc

import pytest

from logan.dbc.garbage import collector_paused


def fail_while_paused():
    with collector_paused():
        assert not gc.isenabled()
        raise RuntimeError


def test_the_collector_is_as_it_was_afterwards_whatever_happens():
    assert gc.isenabled()
    with pytest.raises(RuntimeError):
        fail_while_paused()
    assert gc.isenabled()


def test_a_collector_that_was_off_stays_off():
    gc.disable()
    try:
        with collector_paused():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()
