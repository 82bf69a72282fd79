"""Read and write ``channels.toml``: which signal is which channel."""

from __future__ import annotations

from pathlib import Path

from logan.settings import ChannelMap


def read_channel_map(path: Path) -> ChannelMap:
    """Read a channel map; every problem in one message.

    Raises
    ------
    ConfigurationError
        If the file cannot be read or any entry is wrong.
    """
    raise NotImplementedError


def write_channel_map(path: Path, channel_map: ChannelMap) -> None:
    """Write a channel map; comments and order of an existing file are kept."""
    raise NotImplementedError
