"""Cut bit fields out of payload columns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from logan.frames.signal_layout import ByteOrder, SignalLayout

WORD_BITS: Final = 64
_WORD_BYTES: Final = 8

Words: TypeAlias = NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class BitField:
    """Where a field's bits lie, counted from the first bit of the payload.

    Parameters
    ----------
    first_byte, last_byte : int
        Bytes that hold it, both included.
    skip_bits : int
        Bits before it in ``first_byte``: below it for little endian, above it for big endian.
    bit_length : int
        1 to 64.
    is_big_endian, is_signed : bool
        How it is read.
    """

    first_byte: int
    last_byte: int
    skip_bits: int
    bit_length: int
    is_big_endian: bool
    is_signed: bool

    @property
    def needed_bytes(self) -> int:
        """Bytes that a frame must have for the field to be there."""
        return self.last_byte + 1

    @classmethod
    def of(cls, layout: SignalLayout) -> BitField:
        """Bit field of a signal, from the start bit as a DBC numbers it."""
        first_byte, bit = divmod(layout.start_bit, 8)
        is_big_endian = layout.byte_order is ByteOrder.BIG_ENDIAN
        skip_bits = 7 - bit if is_big_endian else bit
        last_byte = first_byte + (skip_bits + layout.bit_length - 1) // 8
        return cls(first_byte, last_byte, skip_bits, layout.bit_length, is_big_endian, layout.is_signed)


class PayloadWords:
    """Payload columns as 64-bit words, one window of eight bytes at a time.

    Parameters
    ----------
    payload : ndarray of uint8, shape (n, width)
        Width of 8 or more.
    """

    def __init__(self, payload: NDArray[np.uint8]) -> None:
        self._payload = payload
        self._windows: dict[tuple[int, bool], Words] = {}

    def window(self, first_byte: int, is_big_endian: bool) -> tuple[Words, int]:
        """Words that hold ``first_byte``, and the byte they start at."""
        start = min(first_byte, self._payload.shape[1] - _WORD_BYTES)
        key = (start, is_big_endian)
        if key not in self._windows:
            if is_big_endian:
                self._windows[key] = self.window(start, False)[0].byteswap()
            else:
                columns = np.ascontiguousarray(self._payload[:, start : start + _WORD_BYTES])
                self._windows[key] = columns.view("<u8").reshape(-1)
        return self._windows[key], start

    def byte(self, index: int) -> Words:
        """One byte of every row, as words."""
        return self._payload[:, index].astype(np.uint64)

    def raw(self, field: BitField, out: Words) -> Words:
        """Raw value of a field in every row.

        Parameters
        ----------
        field : BitField
            Must end inside the width of the payload.
        out : ndarray of uint64, shape (n,)
            Takes the result; a signed field is sign-extended to 64 bits.

        Returns
        -------
        ndarray of uint64, shape (n,)
            ``out``.
        """
        words, start = self.window(field.first_byte, field.is_big_endian)
        skip = field.skip_bits + 8 * (field.first_byte - start)
        spare = WORD_BITS - field.bit_length
        if skip + field.bit_length > WORD_BITS:
            return self._raw_of_nine_bytes(field, words, out)
        # The field is moved to the top of the word, then down again with or without its sign.
        up = skip if field.is_big_endian else spare - skip
        if not field.is_signed and not field.is_big_endian:
            np.right_shift(words, np.uint64(skip), out=out)
            return np.bitwise_and(out, np.uint64((1 << field.bit_length) - 1), out=out) if up else out
        np.left_shift(words, np.uint64(up), out=out)
        return _move_down(out, spare, field.is_signed)

    def _raw_of_nine_bytes(self, field: BitField, words: Words, out: Words) -> Words:
        """A field of more than 56 bits that is not aligned to bytes reaches into a ninth byte."""
        ninth = self.byte(field.last_byte)
        skip, spare = field.skip_bits, WORD_BITS - field.bit_length
        if field.is_big_endian:
            np.left_shift(words, np.uint64(skip), out=out)
            out |= ninth >> np.uint64(8 - skip)
        else:
            np.right_shift(words, np.uint64(skip), out=out)
            out |= ninth << np.uint64(WORD_BITS - skip)
            np.left_shift(out, np.uint64(spare), out=out)
        return _move_down(out, spare, field.is_signed)


def _move_down(words: Words, bits: int, is_signed: bool) -> Words:
    if is_signed:
        signed = words.view(np.int64)
        np.right_shift(signed, np.int64(bits), out=signed)
    else:
        np.right_shift(words, np.uint64(bits), out=words)
    return words
