"""Damage to bytes, as loggers, cables, editors and enemies do it; the same for the same random numbers."""

from __future__ import annotations

import re
from collections.abc import Sequence
from random import Random

TOKENS = (
    *(b"", b"-1", b"0", b"00", b"1e309", b"-1e-400", b"nan", b"inf", b"null", b"true", b"9" * 20, b"9" * 400),
    *(b"\x00", b"\xff" * 4, b"\xff" * 8, b"\x7f\xff\xff\xff", b"\x80" + b"\x00" * 7, b"\x00" * 64, b"\x01\x00\x00\x00"),
    *(
        b"\n",
        b"\r\n",
        b"\n\n\n",
        b"\t",
        b" " * 40,
        b",",
        b";;;;",
        b'"',
        b"'",
        b"[",
        b"[" * 200,
        b"{",
        b"}",
        b"<",
        b"&x;",
    ),
    *("³".encode(), "٣".encode(), b"\xef\xbb\xbf", b"\xff\xfe", b"\xc3\x28", "é".encode(), b"2424-01-01T00:00:00Z"),
    *(b"ErrorFrame", b"CANFD", b"Rx", b"7FFFFFFF", b"80000000", b"FFFFFFFFFFFFFFFF", b"#", b"##", b"R", b"x" * 300),
)
"""What readers stumble over: limits of numbers, odd digits, marks of structure."""

NUMBER = re.compile(rb"[0-9]+")


def damaged(random: Random, seeds: Sequence[bytes]) -> bytes:
    """One seed with one to twelve faults, most often few."""
    content = bytearray(random.choice(seeds))
    for _ in range(min(int(random.expovariate(0.5)) + 1, 12)):
        random.choice(_FAULTS)(random, content, seeds)
        if len(content) > 1 << 17:
            del content[1 << 17 :]
    return bytes(content)


def _span(random: Random, content: bytearray) -> slice:
    start = random.randrange(len(content) + 1)
    return slice(start, min(start + int(random.expovariate(1 / 12)) + 1, len(content)))


def _flip(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    if content:
        content[random.randrange(len(content))] ^= 1 << random.randrange(8)


def _set(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    if content:
        content[random.randrange(len(content))] = random.choice((0, 9, 10, 13, 32, 48, 127, 255, random.randrange(256)))


def _insert(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    at = random.randrange(len(content) + 1)
    content[at:at] = random.choice(TOKENS)


def _overwrite(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    token = random.choice(TOKENS)
    at = random.randrange(len(content) + 1)
    content[at : at + len(token)] = token


def _delete(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    del content[_span(random, content)]


def _repeat(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    span = _span(random, content)
    content[span.stop : span.stop] = content[span] * random.choice((1, 2, 30))


def _cut(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    del content[random.randrange(len(content) + 1) :]


def _splice(random: Random, content: bytearray, seeds: Sequence[bytes]) -> None:
    other = random.choice(seeds)
    start = random.randrange(len(other) + 1)
    content[_span(random, content)] = other[start : start + int(random.expovariate(1 / 60)) + 1]


def _number(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    found = list(NUMBER.finditer(content))
    if found:
        one = random.choice(found)
        number = int(one[0][:30])
        said = random.choice((number + 1, -number, number * 1000, 2**31, 2**63, 2**64, 10**30, number // 2, 0))
        content[one.start() : one.end()] = str(said).encode()


def _lines(random: Random, content: bytearray, _: Sequence[bytes]) -> None:
    lines = bytes(content).split(b"\n")
    one, other = random.randrange(len(lines)), random.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    content[:] = b"\n".join(lines)


_FAULTS = (_flip, _flip, _flip, _set, _insert, _overwrite, _delete, _repeat, _cut, _splice, _number, _number, _lines)
