"""Turn the parser's messages into layouts; what cannot be decoded costs only itself."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, Final

from logan.frames.signal_layout import ByteOrder, MessageLayout, MuxCondition, SignalLayout

_MAX_PAYLOAD_BITS: Final = 64 * 8
_FLOAT_BITS: Final = (16, 32, 64)
_J1939: Final = "j1939"


def message_layouts(database: Any) -> tuple[tuple[MessageLayout, ...], tuple[str, ...]]:
    """Layouts of all messages of a parsed database, and what had to be left out.

    Parameters
    ----------
    database : cantools.database.Database
        As parsed.

    Returns
    -------
    messages : tuple of MessageLayout
        In the order of the file.
    faults : tuple of str
        One line for each signal that cannot be decoded.
    """
    faults: list[str] = []
    declares_j1939 = _declares_j1939(database)
    messages = tuple(_message(message, declares_j1939, faults) for message in database.messages)
    return messages, tuple(faults)


def _declares_j1939(database: Any) -> bool:
    """Whether the DBC as a whole is J1939, by its ``ProtocolType`` attribute."""
    specifics = database.dbc
    attribute = specifics.attributes.get("ProtocolType") if specifics is not None else None
    return attribute is not None and str(attribute.value).strip().lower() == _J1939


def _message(message: Any, declares_j1939: bool, faults: list[str]) -> MessageLayout:
    by_name = {signal.name: signal for signal in message.signals}
    signals: list[SignalLayout] = []
    for signal in message.signals:
        if fault := _fault(signal, by_name):
            faults.append(f"{message.name}.{signal.name}: {fault}, so it is left out")
        else:
            signals.append(_signal(signal, by_name))
    has_own_format = message.dbc is not None and "VFrameFormat" in message.dbc.attributes
    return MessageLayout(
        name=message.name,
        can_id=message.frame_id,
        is_extended=bool(message.is_extended_frame),
        length=message.length,
        signals=tuple(signals),
        is_j1939=bool(message.is_extended_frame)
        and (message.protocol == _J1939 or (declares_j1939 and not has_own_format)),
        comment=_text(message.comment),
    )


def _fault(signal: Any, by_name: dict[str, Any]) -> str:
    if not 1 <= signal.length <= 64:
        return f"it is {signal.length} bits long, and 1 to 64 can be decoded"
    if signal.conversion.is_float and signal.length not in _FLOAT_BITS:
        return f"it is a float of {signal.length} bits"
    if signal.start < 0 or _end_bit(signal) > _MAX_PAYLOAD_BITS:
        return "it does not fit in 64 bytes"
    if not math.isfinite(signal.scale) or not math.isfinite(signal.offset):
        return "its scale or offset is no number"
    for level in _levels(signal, by_name):
        if level.multiplexer_ids is None or level.multiplexer_signal not in by_name:
            return "its multiplexer is not defined"
    return ""


def _end_bit(signal: Any) -> int:
    """Bit behind the last one of a signal, counted from the first bit of the payload."""
    byte, bit = divmod(signal.start, 8)
    return int(8 * byte + (7 - bit if signal.byte_order == "big_endian" else bit) + signal.length)


def _levels(signal: Any, by_name: dict[str, Any]) -> Iterable[Any]:
    """The signal itself if it is multiplexed, then its selector if that one is, and so on."""
    seen: set[str] = set()
    while signal is not None and signal.multiplexer_signal is not None and signal.name not in seen:
        seen.add(signal.name)
        yield signal
        signal = by_name.get(signal.multiplexer_signal)


def _signal(signal: Any, by_name: dict[str, Any]) -> SignalLayout:
    conditions = (
        MuxCondition(level.multiplexer_signal, _ranges(level.multiplexer_ids)) for level in _levels(signal, by_name)
    )
    return SignalLayout(
        name=signal.name,
        start_bit=signal.start,
        bit_length=signal.length,
        byte_order=ByteOrder(signal.byte_order),
        is_signed=bool(signal.is_signed),
        is_float=bool(signal.conversion.is_float),
        scale=signal.scale,
        offset=signal.offset,
        unit=_text(signal.unit),
        comment=_text(signal.comment),
        minimum=_bound(signal.minimum),
        maximum=_bound(signal.maximum),
        choices={int(value): str(text) for value, text in (signal.choices or {}).items()},
        conditions=tuple(conditions),
    )


def _ranges(values: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Selector values as ranges: 1, 2, 3, 7 become (1, 3), (7, 7)."""
    ranges: list[tuple[int, int]] = []
    for value in sorted(set(values)):
        if ranges and value == ranges[-1][1] + 1:
            ranges[-1] = (ranges[-1][0], value)
        else:
            ranges.append((value, value))
    return tuple(ranges)


def _bound(value: Any) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _text(value: Any) -> str:
    return "" if value is None else str(value)
