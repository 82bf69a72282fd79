"""Small signal columns and tables for tests."""

from __future__ import annotations

import numpy as np

from logan.frames.table import SignalColumn, SignalTable


def column(name, value, *, period_s=0.1, start_ns=0, **more):
    """A column at even times."""
    value = np.asarray(value, dtype=np.float64)
    time_ns = start_ns + np.rint(np.arange(value.size) * period_s * 1e9).astype(np.int64)
    return SignalColumn(name=name, time_ns=time_ns, value=value, **more)


def table(*columns):
    """A table of them."""
    return SignalTable(columns=tuple(columns), log_format="test")


def twin_table(drive, *, units=None, signs=None, names=None):
    """The channels of a drive as a logger would export them, in other units, signs and names.

    ``units`` maps a channel to (unit text, factor, offset): the number written is
    ``(value - offset) / factor``.
    """
    columns = []
    for name in drive:
        text, factor, offset = (units or {}).get(name, ("", 1.0, 0.0))
        channel = drive[name]
        value = (signs or {}).get(name, 1) * (np.array(channel.value) - offset) / factor
        columns.append(
            SignalColumn(
                name=(names or {}).get(name, name),
                unit=text or _SI.get(channel.unit, channel.unit),
                time_ns=np.rint(channel.time_s * 1e9).astype(np.int64) + (drive.start_ns or 0),
                value=value,
            )
        )
    return SignalTable(columns=tuple(columns), log_format="test")


_SI = {"ratio": "ratio", "deg": "deg"}
