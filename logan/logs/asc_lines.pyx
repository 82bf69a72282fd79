# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True
"""Frames of an ASC log, read by the grammar of ``logan.logs.asc``; symbolic names are left."""

from libc.stdint cimport int64_t, uint8_t, uint64_t

from logan.logs.line_columns cimport (
    BLANK, CLASSIC_BYTES, ERROR, EXTENDED, FD, FD_BYTES, LEFT, MAX_EXTENDED_ID, MAX_STANDARD_ID, NEEDS_LONG_ROWS,
    REMOTE, TAB, TAKEN, Columns, LineColumns, Outcome, Place, clear_payload, decimal_time, hex_number, in_registers,
    is_end_of_line, is_word, skip_blanks, skip_to_end_of_line, spaced_bytes, take_numbered_bus, whole_number,
)

cdef struct Header:
    bint is_decimal
    int64_t start_ns


def read_lines(LineColumns columns not None, bint is_decimal, int64_t start_ns):
    """Read all lines; False where CAN FD data needs longer rows.

    Parameters
    ----------
    is_decimal : bool
        Identifiers and data are decimal numbers, not hexadecimal ones.
    start_ns : int
        Added to every time. [ns]
    """
    cdef Header header
    header.is_decimal, header.start_ns = is_decimal, start_ns
    return columns.read(_read_line, &header)


cdef Outcome _read_line(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    return in_registers(_parts, columns, at, grammar)


cdef inline Outcome _parts(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    cdef const Header* header = <const Header*>grammar
    cdef Py_ssize_t row = columns.row
    skip_blanks(at)
    if not decimal_time(at, 8, 9, &columns.time_ns[row]) or skip_blanks(at) == 0:
        return LEFT
    columns.time_ns[row] += header.start_ns
    if is_word(at[0], b"canfd", 5):
        at[0] += 5
        return _fd(columns, at, header) if skip_blanks(at) else LEFT
    if not take_numbered_bus(columns, at) or skip_blanks(at) == 0:
        return LEFT
    if is_word(at[0], b"errorframe", 10):
        at[0] += 10
        return _error(columns, at, 0)
    columns.kind[row] = 0
    if not _identifier(columns, at, header) or skip_blanks(at) == 0:
        return LEFT
    if not _direction(at) or skip_blanks(at) == 0:
        return LEFT
    if at[0][0] | 32 == c"r":
        return _request(columns, at)
    if at[0][0] | 32 != c"d":
        return LEFT
    at[0] += 1
    return _classic(columns, at, header)


cdef inline bint _direction(Place* at) noexcept nogil:
    if (at[0][0] | 32 != c"r" and at[0][0] | 32 != c"t") or at[0][1] | 32 != c"x":
        return False
    at[0] += 2
    return True


cdef inline Outcome _error(Columns* columns, Place* at, uint8_t kind) noexcept nogil:
    """An error frame, behind its word; with a direction behind it, it may be the name of a frame instead."""
    if not (at[0][0] == BLANK or at[0][0] == TAB or is_end_of_line(at[0])):
        return LEFT
    skip_blanks(at)
    if kind == 0 and _direction(at):
        return LEFT
    clear_payload(columns)
    columns.can_id[columns.row], columns.length[columns.row] = 0, 0
    columns.kind[columns.row] = kind | ERROR
    skip_to_end_of_line(at)
    return TAKEN


cdef inline Outcome _request(Columns* columns, Place* at) noexcept nogil:
    """A remote frame; what stands behind its letter does not matter."""
    at[0] += 1
    if not (at[0][0] == BLANK or at[0][0] == TAB or is_end_of_line(at[0])):
        return LEFT
    clear_payload(columns)
    columns.length[columns.row] = 0
    columns.kind[columns.row] |= REMOTE
    skip_to_end_of_line(at)
    return TAKEN


cdef inline bint _identifier(Columns* columns, Place* at, const Header* header) noexcept nogil:
    cdef uint64_t number
    cdef int64_t whole
    if header.is_decimal:
        if whole_number(at, 10, &whole) == 0:
            return False
        number = <uint64_t>whole
    elif hex_number(at, 8, &number) == 0:
        return False
    if at[0][0] | 32 == c"x":
        at[0] += 1
        columns.kind[columns.row] |= EXTENDED
        if number > MAX_EXTENDED_ID:
            return False
    elif number > MAX_STANDARD_ID:
        return False
    columns.can_id[columns.row] = number
    return True


cdef inline Outcome _classic(Columns* columns, Place* at, const Header* header) noexcept nogil:
    """Length and data, behind the letter."""
    cdef uint64_t number
    cdef int64_t whole
    if skip_blanks(at) == 0:
        return LEFT
    if header.is_decimal:
        if whole_number(at, 3, &whole) == 0 or whole > 0xFF:
            return LEFT
        number = <uint64_t>whole
    elif hex_number(at, 2, &number) == 0:
        return LEFT
    return _data(columns, at, header, CLASSIC_BYTES if number > CLASSIC_BYTES else <int>number)


cdef inline Outcome _data(Columns* columns, Place* at, const Header* header, int count) noexcept nogil:
    cdef uint8_t* payload = clear_payload(columns)
    cdef int found
    if header.is_decimal:
        if not _spaced_numbers(at, count, payload, &found):
            return LEFT
    elif not spaced_bytes(at, count, payload, &found):
        return LEFT
    columns.length[columns.row] = found
    skip_to_end_of_line(at)
    return TAKEN


cdef inline bint _spaced_numbers(Place* at, int count, uint8_t* payload, int* found) noexcept nogil:
    """As ``spaced_bytes``, for decimal numbers."""
    cdef int64_t number
    found[0] = 0
    while found[0] < count:
        if skip_blanks(at) == 0 or is_end_of_line(at[0]):
            return is_end_of_line(at[0])
        if whole_number(at, 3, &number) == 0 or number > 0xFF:
            return False
        payload[found[0]] = <uint8_t>number
        found[0] += 1
    return at[0][0] == BLANK or at[0][0] == TAB or is_end_of_line(at[0])


cdef inline Outcome _fd(Columns* columns, Place* at, const Header* header) noexcept nogil:
    """A CAN FD frame, behind its word."""
    cdef uint64_t dlc
    cdef int64_t length
    if not take_numbered_bus(columns, at) or skip_blanks(at) == 0 or not _direction(at) or skip_blanks(at) == 0:
        return LEFT
    if is_word(at[0], b"errorframe", 10):
        at[0] += 10
        return _error(columns, at, FD)
    columns.kind[columns.row] = FD
    if not _identifier(columns, at, header) or not _flag(at) or not _flag(at) or skip_blanks(at) == 0:
        return LEFT
    if hex_number(at, 2, &dlc) == 0 or skip_blanks(at) == 0:
        return LEFT
    # Whether a frame without data is a request is told by its flags, further on.
    if whole_number(at, 2, &length) == 0 or length < 1 or length > FD_BYTES:
        return LEFT
    return _data(columns, at, header, <int>length) if length <= columns.payload_bytes else NEEDS_LONG_ROWS


cdef inline bint _flag(Place* at) noexcept nogil:
    """A blank, and then 0 or 1 by itself."""
    if skip_blanks(at) == 0 or not (at[0][0] == c"0" or at[0][0] == c"1"):
        return False
    at[0] += 1
    return at[0][0] == BLANK or at[0][0] == TAB
