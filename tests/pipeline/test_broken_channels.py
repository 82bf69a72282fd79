"""Whatever a logger or a DBC does to a channel, the analysis answers or refuses; it never fails."""

import numpy as np
import pytest

from logan.analysis import analyse_drive
from logan.channels.vocabulary import CHANNEL_KINDS
from logan.configuration.build import typical_limits
from logan.drive.drive import Channel, Drive
from logan.report.sections.measurements import measurement_blocks
from logan.settings import LimitSheet
from logan.units import DisplayUnits
from tests.rich_drives import limited_town_drive
from tests.twin_drives import build_of, twin_drive


def broken(channel, rng):
    """One channel as a bad wire, scale, sentinel or filter may leave it; None where it is lost."""
    time_s, value, fate = channel.time_s, channel.value.copy(), rng.integers(0, 11)
    if fate == 0:
        return None
    if fate == 1:
        value[rng.uniform(size=value.size) < rng.uniform()] = np.nan
    elif fate == 2:
        value[:] = np.nan
    elif fate == 3:
        value[:] = value[0]
    elif fate == 4:
        value = value * 10.0 ** rng.uniform(-3.0, 6.0)
    elif fate == 5:
        value = -value
    elif fate == 6:
        kept = rng.integers(1, 4)
        time_s, value = time_s[:kept], value[:kept]
    elif fate == 7:
        value[rng.integers(0, value.size, 5)] = rng.choice([1e30, -1e30, 65_535.0])
    elif fate == 8:
        first = rng.integers(0, max(1, value.size - 1))
        time_s, value = time_s[first:], value[first:]
    return Channel(name=channel.name, time_s=time_s, value=value)


def broken_drive(seed):
    rng = np.random.default_rng(seed)
    channels = {name: broken(channel, rng) for name, channel in limited_town_drive().channels.items()}
    for kind in CHANNEL_KINDS:
        if kind.name not in channels and rng.uniform() < 0.2:
            time_s = np.unique(rng.uniform(0.0, 700.0, rng.integers(1, 300)))
            channels[kind.name] = Channel(name=kind.name, time_s=time_s, value=100.0 * rng.normal(size=time_s.size))
    return Drive(channels={name: channel for name, channel in channels.items() if channel is not None})


@pytest.mark.parametrize("seed", range(8))
def test_no_channel_however_broken_breaks_the_analysis_or_its_tables(seed):
    vehicle = twin_drive("urban", 4, duration_s=700.0).vehicle
    analysis = analyse_drive(broken_drive(seed), build_of(vehicle, limits=LimitSheet(limits=typical_limits())))
    assert len(analysis.regen.figures) == 8
    assert all(block for block in measurement_blocks(analysis, DisplayUnits()))
