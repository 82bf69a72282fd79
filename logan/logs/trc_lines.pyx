# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True
"""Data frames of a TRC log, read by the grammar of ``logan.logs.trc``; requests and error frames are left."""

from libc.stdint cimport int64_t, uint8_t, uint64_t

from logan.logs.line_columns cimport (
    BLANK, CLASSIC_BYTES, EXTENDED, FD, FD_BYTES, LEFT, MAX_EXTENDED_ID, MAX_STANDARD_ID, NEEDS_LONG_ROWS, TAKEN,
    Columns, LineColumns, Outcome, Place, clear_payload, decimal_time, hex_number, in_registers, skip_blanks,
    spaced_bytes, take_bus, take_numbered_bus, whole_number,
)

cdef enum:
    MOST_COLUMNS = 16
    MOST_STANDARD_DIGITS = 4
    DLC_COUNT = 16

cdef extern from *:
    """
    /* Data bytes of a CAN FD frame by its DLC. */
    static const int logan_fd_length[16] = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64};
    """
    const int[16] FD_LENGTH "logan_fd_length"

cdef const char* ONLY_BUS = b"1"

cdef struct Header:
    char[16] columns
    int column_count
    bint has_bus
    int64_t start_ns


def read_lines(LineColumns columns not None, bytes letters not None, int64_t start_ns):
    """Read all lines; False where CAN FD data needs longer rows.

    Parameters
    ----------
    letters : bytes
        One for each column; the last is ``D``.
    start_ns : int
        Added to every time. [ns]
    """
    cdef Header header
    cdef int place
    if len(letters) > MOST_COLUMNS or not letters.endswith(b"D"):
        raise ValueError("there must be a column of data, behind at most 15 others")
    header.column_count = len(letters) - 1
    for place in range(header.column_count):
        header.columns[place] = letters[place]
    header.has_bus, header.start_ns = b"B" in letters, start_ns
    return columns.read(_read_line, &header)


cdef Outcome _read_line(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    return in_registers(_parts, columns, at, grammar)


cdef inline Outcome _parts(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    cdef const Header* header = <const Header*>grammar
    cdef int place
    columns.kind[columns.row] = 0
    # Without a column for it, a length is missing; a line without a type is a classic frame.
    columns.length[columns.row] = 0
    skip_blanks(at)
    for place in range(header.column_count):
        if place and skip_blanks(at) == 0:
            return LEFT
        if not _read_column(columns, at, header.columns[place]):
            return LEFT
    if not header.has_bus and not take_bus(columns, <Place>ONLY_BUS, 1):
        return LEFT
    columns.time_ns[columns.row] += header.start_ns
    return _data(columns, at)


cdef inline bint _read_column(Columns* columns, Place* at, char letter) noexcept nogil:
    if letter == c"O":
        return _time(columns, at)
    elif letter == c"I":
        return _identifier(columns, at)
    elif letter == c"T":
        return _kind(columns, at)
    elif letter == c"B":
        return take_numbered_bus(columns, at)
    elif letter == c"d":
        return _direction(at)
    elif letter == c"l" or letter == c"L":
        return _length(columns, at, letter == c"L")
    elif letter == c"N":
        return _number(at)
    return _word(at)


cdef inline bint _number(Place* at) noexcept nogil:
    """The line's number, which does not matter, in version 1 with a bracket behind it."""
    cdef Place start = at[0]
    while c"0" <= at[0][0] <= c"9":
        at[0] += 1
    if at[0] == start:
        return False
    at[0] += at[0][0] == c")"
    return True


cdef inline bint _time(Columns* columns, Place* at) noexcept nogil:
    """Milliseconds, with or without decimals."""
    cdef Place start = at[0]
    cdef int64_t whole
    if decimal_time(at, 12, 6, &columns.time_ns[columns.row]):
        return True
    at[0] = start
    if whole_number(at, 12, &whole) == 0:
        return False
    columns.time_ns[columns.row] = whole * 1_000_000
    return at[0][0] != c"."


cdef inline bint _identifier(Columns* columns, Place* at) noexcept nogil:
    cdef uint64_t number
    cdef int digits = hex_number(at, 8, &number)
    if digits == 0 or number > <uint64_t>(MAX_EXTENDED_ID if digits > MOST_STANDARD_DIGITS else MAX_STANDARD_ID):
        return False
    if digits > MOST_STANDARD_DIGITS:
        columns.kind[columns.row] |= EXTENDED
    columns.can_id[columns.row] = number
    return True


cdef inline bint _direction(Place* at) noexcept nogil:
    if (at[0][0] != c"R" and at[0][0] != c"T") or at[0][1] != c"x":
        return False
    at[0] += 2
    return True


cdef inline bint _kind(Columns* columns, Place* at) noexcept nogil:
    """A type of data frame: DT, Rx and Tx are classic, FD, FB, FE and BI are CAN FD."""
    cdef uint8_t first = at[0][0], second = at[0][1]
    if first == c"F" and (second == c"D" or second == c"B" or second == c"E") or first == c"B" and second == c"I":
        columns.kind[columns.row] |= FD
    elif not (first == c"D" and second == c"T" or (first == c"R" or first == c"T") and second == c"x"):
        return False
    at[0] += 2
    return True


cdef inline bint _length(Columns* columns, Place* at, bint is_dlc) noexcept nogil:
    """Length or DLC, which stand behind the type."""
    cdef int64_t number
    cdef bint is_fd = columns.kind[columns.row] & FD
    if whole_number(at, 2, &number) == 0:
        return False
    if is_dlc and number < DLC_COUNT:
        number = FD_LENGTH[number] if is_fd else min(number, <int64_t>CLASSIC_BYTES)
    if number > (FD_BYTES if is_fd else CLASSIC_BYTES):
        return False
    columns.length[columns.row] = <uint8_t>number
    return True


cdef inline bint _word(Place* at) noexcept nogil:
    """A column that does not matter."""
    cdef Place start = at[0]
    while BLANK < at[0][0] < 127:
        at[0] += 1
    return at[0] > start


cdef inline Outcome _data(Columns* columns, Place* at) noexcept nogil:
    cdef uint8_t* payload
    cdef int length = columns.length[columns.row], found
    if length > columns.payload_bytes:
        return NEEDS_LONG_ROWS
    payload = clear_payload(columns)
    if not spaced_bytes(at, length, payload, &found):
        return LEFT
    columns.length[columns.row] = found
    skip_blanks(at)  # more data than the length says is broken: the line does not end here
    return TAKEN
