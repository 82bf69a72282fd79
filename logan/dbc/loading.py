"""Load a DBC, or say precisely why not."""

import codecs
import hashlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logan.dbc.statements import (
    MOST_SIGNALS,
    NO_MESSAGE,
    MessageStatement,
    SignalStatement,
    Statements,
    read_statements,
)
from logan.errors import DbcError
from logan.frames.signal_layout import ByteOrder, MessageLayout, MuxCondition, SignalLayout

MAX_DBC_BYTES: Final = 64 * 1024 * 1024
"""A DBC larger than this is refused. [bytes]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Dbc:
    """What a DBC says, as far as it can be used.

    Parameters
    ----------
    path : Path
        The file.
    sha256 : str
        Of its content.
    size_bytes : int
        Its size. [bytes]
    messages : tuple of MessageLayout
        In the order of the file.
    faults : tuple of str
        What is wrong with it, one line each; every fault costs only the message or signal it names.
    """

    path: Path
    sha256: str
    size_bytes: int
    messages: tuple[MessageLayout, ...]
    faults: tuple[str, ...] = ()


def load_dbc(path: Path) -> Dbc:
    """Load a DBC.

    Parameters
    ----------
    path : Path
        DBC file, UTF-8, Windows-1252, or UTF-16 with its mark.

    Raises
    ------
    DbcError
        If there is no such file, or nothing in it can be used; with the line where it is known.
    """
    content = _content(path)
    messages, faults = compile_dbc(content, path)
    sha256 = hashlib.sha256(content).hexdigest()
    return Dbc(path=path, sha256=sha256, size_bytes=len(content), messages=messages, faults=faults)


def compile_dbc(content: bytes, path: Path) -> tuple[tuple[MessageLayout, ...], tuple[str, ...]]:
    """Turn the bytes of a DBC into message layouts and faults.

    Raises
    ------
    DbcError
        If nothing in it can be used.
    """
    text = _decoded(content)
    if "BO_" not in text and "BO_" in text.replace("\0", ""):
        raise DbcError("the DBC is written in UTF-16 or UTF-32", "Save it as UTF-8 in a text editor", path)
    if "BO_" not in text:
        raise DbcError("this is no DBC: it defines no message (BO_)", "Give the DBC that belongs to the log", path)
    said = read_statements(text)
    if said.signal_count > MOST_SIGNALS:
        raise DbcError(f"the DBC defines more than {MOST_SIGNALS} signals", "Give the DBC of one vehicle", path)
    messages = message_layouts(said)
    faults = tuple(said.faults)
    if said.fault_count > len(faults):
        faults = (*faults, f"and {said.fault_count - len(faults)} more faults")
    if not any(message.signals for message in messages):
        detail = f" ({'; '.join(faults[:3])})" if faults else ""
        raise DbcError(f"the DBC defines no signal that can be decoded{detail}", "Give a DBC with signals (SG_)", path)
    return messages, faults


def _content(path: Path) -> bytes:
    if not path.exists():
        raise DbcError("there is no such DBC", "Check the path", path)
    if not path.is_file():
        raise DbcError("this is not a file", "Give the path of a DBC file", path)
    if path.stat().st_size > MAX_DBC_BYTES:
        raise DbcError("this is too large to be a DBC", "Give the DBC, not the log", path)
    try:
        return path.read_bytes()
    except OSError as error:
        raise DbcError(f"the DBC cannot be opened ({error.strerror})", "Check its permissions", path) from error


def _decoded(content: bytes) -> str:
    """DBCs are Windows-1252 by custom, but many are saved as UTF-8, and some as UTF-16, which its mark tells."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content.decode("utf-16", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


_MAX_PAYLOAD_BITS: Final = 64 * 8
_MOST_LEVELS: Final = 8
_FLOAT_BITS: Final = (16, 32, 64)
_EXTENDED: Final = 0x8000_0000
_WITHOUT_MESSAGE: Final = "VECTOR__INDEPENDENT_SIG_MSG"
_Selectors = dict[str, tuple[str, list[tuple[int, int]]]]


def message_layouts(said: Statements) -> tuple[MessageLayout, ...]:
    """Layouts of all messages in the order of the file; what is left out or doubtful is noted as a fault."""
    return tuple(
        _message(message, said)
        for message in said.messages
        if message.name != _WITHOUT_MESSAGE and message.number != NO_MESSAGE and _is_identifier(message, said)
    )


def _is_identifier(message: MessageStatement, said: Statements) -> bool:
    """False for a number that is no identifier; one of more than 11 bits is an extended one, marked so or not."""
    number = message.number
    if number > 0x9FFF_FFFF or 0x2000_0000 <= number < _EXTENDED:
        said.fault(f"frame id 0x{number:x} is no identifier in message {message.name}, which is left out")
        return False
    if 0x7FF < number < _EXTENDED:
        said.fault(f"frame id 0x{number:x} is more than 11 bits in message {message.name}: taken as an extended one")
    return True


def _message(message: MessageStatement, said: Statements) -> MessageLayout:
    name = message.long_name or message.name
    selectors = _selectors(message)
    kept: list[SignalStatement] = []
    for signal in message.signals:
        if fault := _fault(signal, message, selectors):
            said.fault(f"{name}.{signal.long_name or signal.name}: {fault}, so it is left out")
        else:
            kept.append(signal)
    kept.sort(key=_first_bit)
    _note_overlaps(name, message, kept, selectors, said)
    is_extended = message.number > 0x7FF
    frame_format = message.frame_format or said.frame_format
    is_j1939 = frame_format == "J1939PG" or (said.protocol.strip().lower() == "j1939" and not message.frame_format)
    return MessageLayout(
        name=name,
        can_id=message.number & 0x1FFF_FFFF,
        is_extended=is_extended,
        length=message.length,
        signals=tuple(_signal(signal, message, selectors) for signal in kept),
        is_j1939=is_extended and is_j1939,
        comment=message.comment,
    )


def _selectors(message: MessageStatement) -> _Selectors:
    """For every multiplexed signal the signal that selects it, and at which of its values."""
    multiplexers = [signal.name for signal in message.signals if signal.marker.endswith("M")]
    found: _Selectors = {}
    for signal in message.signals:
        chosen = next(iter(signal.ranges), multiplexers[0] if len(multiplexers) == 1 else "")
        if not signal.marker or (signal.marker == "M" and not signal.ranges) or signal.name == chosen:
            continue
        if signal.marker.endswith("M") and not signal.ranges:
            continue
        ranges = list(signal.ranges.get(chosen, ()))
        if signal.marker != "M" and len(multiplexers) == 1 and (value := signal.marker[1:].rstrip("M")):
            ranges.append((int(value), int(value)))
        found[signal.name] = (chosen, _merged(ranges))
    return found


def _merged(ranges: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Ranges in rising order, those that touch joined: 1, 2, 3, 7 become (1, 3), (7, 7)."""
    merged: list[tuple[int, int]] = []
    for first, last in sorted(ranges):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
        elif first <= last:
            merged.append((first, last))
    return merged


def _fault(signal: SignalStatement, message: MessageStatement, selectors: _Selectors) -> str:
    if not 1 <= signal.length <= 64:
        return f"it is {signal.length} bits long, and 1 to 64 can be decoded"
    if signal.is_float and signal.length not in _FLOAT_BITS:
        return f"it is a float of {signal.length} bits"
    if _first_bit(signal) + signal.length > _MAX_PAYLOAD_BITS:
        return "it does not fit in 64 bytes"
    if not math.isfinite(signal.scale) or not math.isfinite(signal.offset):
        return "its scale or offset is no number"
    levels = list(_levels(signal, selectors))
    if len(levels) > _MOST_LEVELS:
        return f"its multiplexers are nested more than {_MOST_LEVELS} deep"
    for _, selector, ranges in levels:
        if selector not in message.by_name or not ranges:
            return "its multiplexer is not defined"
    return ""


def _first_bit(signal: SignalStatement) -> int:
    """Place of a signal's first bit, counted through the payload as it is sent."""
    byte, bit = divmod(signal.start, 8)
    return signal.start if signal.is_little_endian else 8 * byte + 7 - bit


def _levels(signal: SignalStatement, selectors: _Selectors) -> Iterator[tuple[str, str, list[tuple[int, int]]]]:
    """A multiplexed signal with its selector and the values, then that selector if it is multiplexed, and so on."""
    name, seen = signal.name, set[str]()
    while name in selectors and name not in seen and len(seen) <= _MOST_LEVELS:
        seen.add(name)
        selector, ranges = selectors[name]
        yield name, selector, ranges
        name = selector


def _note_overlaps(
    name: str, message: MessageStatement, signals: list[SignalStatement], selectors: _Selectors, said: Statements
) -> None:
    """Say which signals share bits, or lie behind the declared end; they are used all the same."""
    owners: dict[tuple[object, ...], dict[int, str]] = {(): {}}
    pairs: dict[tuple[str, str], None] = {}
    for signal in signals:
        if _first_bit(signal) + signal.length > 8 * message.length:
            said.fault(
                f"{name}.{signal.name} does not fit in the {message.length} bytes of its message; used where sent"
            )
        where = selectors.get(signal.name)
        place = (where[0], tuple(where[1])) if where else ()
        own = owners.setdefault(place, {})
        for bit in _bits(signal):
            other = own.get(bit) or owners[()].get(bit)
            if other is not None:
                pairs[other, signal.name] = None
            own.setdefault(bit, signal.name)
    if pairs:
        first, second = next(iter(pairs))
        more = f" (and {len(pairs) - 1} more pairs)" if len(pairs) > 1 else ""
        said.fault(f"the signals {first} and {second}{more} are overlapping in message {name}; all are used")


def _bits(signal: SignalStatement) -> Iterable[int]:
    """Bits of the payload that a signal takes, in the numbering of ``start``."""
    first = _first_bit(signal)
    sent = range(first, first + signal.length)
    return sent if signal.is_little_endian else (8 * (bit // 8) + 7 - bit % 8 for bit in sent)


def _signal(signal: SignalStatement, message: MessageStatement, selectors: _Selectors) -> SignalLayout:
    has_range = not signal.minimum == signal.maximum == 0
    return SignalLayout(
        name=signal.long_name or signal.name,
        start_bit=signal.start,
        bit_length=signal.length,
        byte_order=ByteOrder.LITTLE_ENDIAN if signal.is_little_endian else ByteOrder.BIG_ENDIAN,
        is_signed=signal.is_signed,
        is_float=signal.is_float,
        scale=signal.scale,
        offset=signal.offset,
        unit=signal.unit,
        comment=signal.comment,
        minimum=float(signal.minimum) if has_range and math.isfinite(signal.minimum) else None,
        maximum=float(signal.maximum) if has_range and math.isfinite(signal.maximum) else None,
        choices=signal.choices,
        conditions=tuple(
            MuxCondition(message.by_name[selector].long_name or selector, tuple(ranges))
            for _, selector, ranges in _levels(signal, selectors)
        ),
    )
