"""Where signals lie in CAN messages, as a DBC says it; and which message a frame is."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

PGN_MASK_BROADCAST: Final = 0x03FF_FF00
"""Bits of a J1939 identifier that name the parameter group, where PDU format >= 240 (SAE J1939-21, from memory)."""

PGN_MASK_ADDRESSED: Final = 0x03FF_0000
"""The same where PDU format < 240: the next byte is a destination address (SAE J1939-21, from memory)."""


class ByteOrder(StrEnum):
    """How a signal runs through the bytes of a message."""

    LITTLE_ENDIAN = "little_endian"
    BIG_ENDIAN = "big_endian"


@dataclass(frozen=True, slots=True)
class MuxCondition:
    """A signal is there when the selector's raw value lies in one of the ranges.

    Parameters
    ----------
    selector : str
        Signal of the same message.
    ranges : tuple of (int, int)
        First and last raw value, both included.
    """

    selector: str
    ranges: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalLayout:
    """One signal of a message.

    Parameters
    ----------
    name : str
        As declared.
    start_bit : int
        In DBC numbering: least significant bit for little endian, most significant for big endian.
    bit_length : int
        1 to 64.
    byte_order : ByteOrder
        How it runs through the bytes.
    is_signed : bool
        Two's complement.
    is_float : bool
        IEEE 754 of 16, 32 or 64 bits.
    scale, offset : float or int
        Physical value is ``raw * scale + offset``.
    unit, comment : str
        As declared.
    minimum, maximum : float or None
        Range as declared.
    choices : mapping of int to str
        Value table.
    conditions : tuple of MuxCondition
        All must hold for the signal to be in the frame; nested multiplexing lists every level.
    """

    name: str
    start_bit: int
    bit_length: int
    byte_order: ByteOrder = ByteOrder.LITTLE_ENDIAN
    is_signed: bool = False
    is_float: bool = False
    scale: float = 1
    offset: float = 0
    unit: str = ""
    comment: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: Mapping[int, str] = field(default_factory=dict)
    conditions: tuple[MuxCondition, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLayout:
    """One message of a DBC.

    Parameters
    ----------
    name : str
        As declared.
    can_id : int
        Identifier without flag bits.
    is_extended : bool
        29-bit identifier.
    length : int
        Bytes as declared; frames may be shorter or longer.
    signals : tuple of SignalLayout
        Those that can be decoded.
    is_j1939 : bool
        The DBC declares it as a J1939 parameter group: source (and destination) address do not count.
    comment : str
        As declared.
    """

    name: str
    can_id: int
    is_extended: bool
    length: int
    signals: tuple[SignalLayout, ...]
    is_j1939: bool = False
    comment: str = ""

    def signal(self, name: str) -> SignalLayout | None:
        """Return a signal by name; None where there is none."""
        for layout in self.signals:
            if layout.name == name:
                return layout
        return None


def parameter_group(can_id: int) -> int:
    """Identifier with everything masked out that does not name the J1939 parameter group."""
    is_broadcast = (can_id >> 16) & 0xFF >= 240
    return can_id & (PGN_MASK_BROADCAST if is_broadcast else PGN_MASK_ADDRESSED)


class LayoutIndex:
    """Which message a frame's identifier stands for, on one bus.

    Parameters
    ----------
    messages : iterable of MessageLayout
        In order of preference: of two with the same identifier the first counts.
    """

    def __init__(self, messages: Iterable[MessageLayout]) -> None:
        self._exact: dict[tuple[int, bool], MessageLayout] = {}
        self._groups: dict[int, MessageLayout] = {}
        for message in messages:
            self._exact.setdefault((message.can_id, message.is_extended), message)
            if message.is_j1939 and message.is_extended:
                self._groups.setdefault(parameter_group(message.can_id), message)

    def __len__(self) -> int:
        return len(self._exact)

    @property
    def messages(self) -> tuple[MessageLayout, ...]:
        """Messages that count, in order."""
        return tuple(self._exact.values())

    def find(self, can_id: int, is_extended: bool) -> MessageLayout | None:
        """Message of an identifier: the exact one, else the J1939 parameter group's; else None."""
        exact = self._exact.get((can_id, is_extended))
        if exact is not None or not is_extended:
            return exact
        return self._groups.get(parameter_group(can_id))
