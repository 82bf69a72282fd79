"""Damage a log of the demo as a bad DBC or plug would, frame by frame: text in, text out, no code of the reader's."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType

Bytes = Callable[[bytearray], None]


def _swap(first: int) -> Bytes:
    def change(data: bytearray) -> None:
        data[first], data[first + 1] = data[first + 1], data[first]

    return change


def _reverse(data: bytearray) -> None:
    amperes = int.from_bytes(data[2:4], "little", signed=True)
    data[2:4] = max(-amperes, -32768).to_bytes(2, "little", signed=True)


def _tenth(data: bytearray) -> None:
    data[0:2] = round(int.from_bytes(data[0:2], "little") / 10).to_bytes(2, "little")


FAULTS: Mapping[str, tuple[str, Bytes]] = MappingProxyType(
    {
        "swapped speed bytes": ("310", _swap(0)),
        "reversed sign": ("120", _reverse),
        "voltage x 0.1": ("120", _tenth),
        "wrong byte order of the current": ("120", _swap(2)),
    }
)
"""Identifier of the message, and what becomes of its bytes."""


def damaged(text: str, *names: str) -> str:
    """A candump log with some of the faults in every frame of their messages."""
    for name in names:
        identifier, change = FAULTS[name]

        def rewritten(match: re.Match[str], change: Bytes = change) -> str:
            data = bytearray.fromhex(match[2])
            change(data)
            return f"{match[1]}{data.hex().upper()}"

        text = re.sub(rf"( {identifier}#)([0-9A-F]+)", rewritten, text)
    return text
