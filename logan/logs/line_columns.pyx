# cython: language_level=3, boundscheck=False, wraparound=False, initializedcheck=False
"""The columns that compiled readers of text logs fill, and the walk over the lines."""

import numpy as np

from libc.stdint cimport int64_t, uint8_t, uint32_t
from libc.string cimport memchr


cdef void* _memory(array):
    return <void*><size_t>array.__array_interface__["data"][0]


cdef class LineColumns:
    """Frames of the lines of a chunk, one row a line, and the lines that were left.

    Parameters
    ----------
    text : ndarray of uint8
        Whole lines up to ``size``, then ``PADDING`` zeros.
    size : int
        Behind the last newline.
    payload_bytes : int
        Room for data in each row: 8 or 64.

    Raises
    ------
    ValueError
        If the text, or the room, is not as said here.
    """

    def __cinit__(self, text not None, Py_ssize_t size, Py_ssize_t payload_bytes):
        if text.dtype != np.uint8 or text.ndim != 1 or not text.flags.c_contiguous:
            raise ValueError("the text must be one row of bytes")
        if not 0 < size <= text.size - LOOK_AHEAD or text[size - 1] != NEWLINE:
            raise ValueError("the text must end in a newline, with room behind it")
        if payload_bytes != CLASSIC_BYTES and payload_bytes != FD_BYTES:
            raise ValueError("there must be room for 8 or 64 bytes of data")
        self._text = text  # holds on to the memory that is pointed to
        self.text, self.size = <Place>_memory(text), size
        self.line_count = self._count_lines()
        self.time_ns = np.empty(self.line_count, np.int64)
        self.can_id = np.empty(self.line_count, np.uint32)
        self.kind, self.bus, self.length = (np.empty(self.line_count, np.uint8) for _ in range(3))
        self.payload = np.empty((self.line_count, payload_bytes), np.uint8)
        self._left = np.empty((3, self.line_count), np.int64)
        self._point()

    cdef Py_ssize_t _count_lines(self) noexcept:
        cdef Place at = self.text
        cdef Place stop = at + self.size
        cdef Py_ssize_t count = 0
        while at < stop:
            at = <Place>memchr(at, NEWLINE, stop - at) + 1
            count += 1
        return count

    cdef void _point(self):
        """Point to the arrays, which this object keeps alive."""
        cdef Columns* columns = &self.columns
        columns.time_ns, columns.can_id = <int64_t*>_memory(self.time_ns), <uint32_t*>_memory(self.can_id)
        columns.kind, columns.bus = <uint8_t*>_memory(self.kind), <uint8_t*>_memory(self.bus)
        columns.length, columns.payload = <uint8_t*>_memory(self.length), <uint8_t*>_memory(self.payload)
        columns.payload_bytes = self.payload.shape[1]
        columns.left_row = <int64_t*>_memory(self._left)
        columns.left_start = columns.left_row + self.line_count
        columns.left_end = columns.left_start + self.line_count

    cdef bint read(self, LineReader reader, const void* grammar) noexcept:
        """Read every line; False where the rows are too short for the data, so that nothing counts."""
        cdef Columns* columns = &self.columns
        cdef Place text = self.text
        cdef Place stop = text + self.size
        cdef Place at = text
        cdef Place start
        cdef Outcome outcome
        with nogil:
            while at < stop:
                start = at
                outcome = reader(columns, &at, grammar)
                if outcome == NEEDS_LONG_ROWS:
                    return False
                if outcome == TAKEN and is_end_of_line(at):
                    at += 1 + (at[0] == RETURN)
                else:
                    at = <Place>memchr(start, NEWLINE, stop - start) + 1
                    columns.left_row[columns.left_count] = columns.row
                    columns.left_start[columns.left_count] = start - text
                    columns.left_end[columns.left_count] = at - text - (1 + (at - start > 1 and (at - 2)[0] == RETURN))
                    columns.left_count += 1
                columns.row += 1
        return True

    @property
    def left(self):
        """Row, start and end of each line that was left; three int64 arrays."""
        return tuple(self._left[:, : self.columns.left_count])

    @property
    def buses(self):
        """Names that ``bus`` points to."""
        return [bytes(self.columns.bus_name[bus][: self.columns.bus_width[bus]]).decode()
                for bus in range(self.columns.bus_count)]
