"""BLF files object by object, for what python-can's writer does not write."""

from __future__ import annotations

import struct
import zlib

HEADER_BYTES = 144


def file_header(start: tuple[int, ...] = (2024, 5, 3, 15, 12, 30, 30, 250)) -> bytes:
    """A file header as a logger leaves it that lost power: no sizes, no counts, no stop time."""
    fields = [b"LOGG", HEADER_BYTES, 5, 0, 0, 0, 2, 6, 8, 1, 0, 0, 0, 0, *start, *([0] * 8)]
    return struct.pack("<4sLBBBBBBBBQQLL8H8H", *fields).ljust(HEADER_BYTES, b"\0")


START_NS = 1_715_776_230_250_000_000
"""15 May 2024 12:30:30.250 UTC, the start in ``file_header``. [ns]"""


def an_object(
    kind: int, body: bytes, *, ticks: int = 0, flags: int = 2, version: int = 1, padding: bool = True
) -> bytes:
    header_bytes = 32 if version == 1 else 40
    size = header_bytes + len(body)
    base = struct.pack("<4sHHLL", b"LOBJ", header_bytes, version, size, kind)
    times = struct.pack("<LHHQ", flags, 0, 0, ticks) if version == 1 else struct.pack("<LBxHQ8x", flags, 0, 0, ticks)
    return base + times + body + bytes(size % 4 if padding else 0)


def container(content: bytes, *, method: int = 2) -> bytes:
    packed = zlib.compress(content) if method == 2 else content
    size = 32 + len(packed)
    header = struct.pack("<4sHHLLH6xL4x", b"LOBJ", 16, 1, size, 10, method, len(content))
    return header + packed + bytes(size % 4)


def classic(
    can_id: int, data: bytes, *, channel: int = 1, flags: int = 0, dlc: int | None = None, **header: int
) -> bytes:
    body = struct.pack("<HBBL8s", channel, flags, len(data) if dlc is None else dlc, can_id, data)
    return an_object(1, body, **header)  # type: ignore[arg-type]


def marker(text: bytes) -> bytes:
    body = struct.pack("<LLL3xBLLL12x", 0, 0xFFFFFF, 0xFF3300, 0, len(text), 6, 0) + text + b"marker"
    return an_object(96, body)
