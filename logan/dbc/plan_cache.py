"""Compiled plans of DBCs in the user's cache folder: plain JSON, checked before use.

A plan is found by the hash of its DBC's content and the version of what made it. One that is
damaged, or cannot be written, costs time and nothing else.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
import tempfile
from pathlib import Path
from typing import Any, Final, TypeAlias

from logan.frames.signal_layout import ByteOrder, MessageLayout, MuxCondition, SignalLayout

Plan: TypeAlias = tuple[tuple[MessageLayout, ...], tuple[str, ...]]

_PLAN_VERSION: Final = 2
_BYTE_ORDERS: Final = (ByteOrder.LITTLE_ENDIAN, ByteOrder.BIG_ENDIAN)


def default_folder() -> Path:
    """Cache folder of the user, by the custom of the system; ``LOGAN_CACHE`` overrides it."""
    if given := os.environ.get("LOGAN_CACHE"):
        return Path(given) / "dbc"
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "logan" / "dbc"


def load(sha256: str, folder: Path | None = None) -> Plan | None:
    """Return the plan of a DBC; None where there is none, or it is damaged."""
    try:
        digest, _, body = _plan_path(sha256, folder).read_bytes().partition(b"\n")
        if hashlib.sha256(body).hexdigest().encode() != digest:
            return None
        content = json.loads(body)
        return tuple(_message(row) for row in content["messages"]), tuple(map(str, content["faults"]))
    except (OSError, ValueError, LookupError, TypeError):
        return None


def store(sha256: str, plan: Plan, folder: Path | None = None) -> None:
    """Keep a plan; a folder that cannot be written to is no error."""
    messages, faults = plan
    content = {"messages": [_message_row(message) for message in messages], "faults": list(faults)}
    body = json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()
    path = _plan_path(sha256, folder)
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        # Written beside and renamed, so that no other process ever sees half a plan.
        with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as file:
            file.write(hashlib.sha256(body).hexdigest().encode() + b"\n" + body)
        Path(file.name).replace(path)


def _plan_path(sha256: str, folder: Path | None) -> Path:
    return (folder or default_folder()) / f"{sha256}-{_PLAN_VERSION}.json"


def _message_row(message: MessageLayout) -> list[Any]:
    return [
        message.name,
        message.can_id,
        message.is_extended,
        message.length,
        message.is_j1939,
        message.comment,
        [_signal_row(signal) for signal in message.signals],
    ]


def _message(row: list[Any]) -> MessageLayout:
    name, can_id, is_extended, length, is_j1939, comment, signals = row
    return MessageLayout(
        name=name,
        can_id=can_id,
        is_extended=is_extended,
        length=length,
        is_j1939=is_j1939,
        comment=comment,
        signals=tuple(_signal(signal) for signal in signals),
    )


def _signal_row(signal: SignalLayout) -> list[Any]:
    return [
        signal.name,
        signal.start_bit,
        signal.bit_length,
        _BYTE_ORDERS.index(signal.byte_order),
        signal.is_signed,
        signal.is_float,
        signal.scale,
        signal.offset,
        signal.unit,
        signal.comment,
        signal.minimum,
        signal.maximum,
        list(signal.choices.items()),
        [[condition.selector, condition.ranges] for condition in signal.conditions],
    ]


def _signal(row: list[Any]) -> SignalLayout:
    (name, start, length, order, is_signed, is_float, scale, offset, unit, comment, low, high, choices, mux) = row
    return SignalLayout(
        name=name,
        start_bit=start,
        bit_length=length,
        byte_order=_BYTE_ORDERS[order],
        is_signed=is_signed,
        is_float=is_float,
        scale=scale,
        offset=offset,
        unit=unit,
        comment=comment,
        minimum=low,
        maximum=high,
        choices=dict(choices),
        conditions=tuple(_condition(*each) for each in mux) if mux else (),
    )


def _condition(selector: str, ranges: list[list[int]]) -> MuxCondition:
    return MuxCondition(selector, tuple((first, last) for first, last in ranges))
