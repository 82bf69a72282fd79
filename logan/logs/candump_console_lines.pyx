# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True
"""Console output of candump, read by the grammar of ``logan.logs.candump_console``.

Left are dates, remote requests and error frames.
"""

from libc.stdint cimport int64_t, uint8_t, uint64_t

from logan.logs.line_columns cimport (
    BLANK, CLASSIC_BYTES, EXTENDED, FD, FD_BYTES, HEX_VALUE, LEFT, MAX_EXTENDED_ID, MAX_STANDARD_ID,
    NEEDS_LONG_ROWS, TAKEN, Columns, LineColumns, Outcome, Place,
    clear_payload, decimal_time, hex_number, is_end_of_line, skip_blanks, take_bus, whole_number,
)


def read_lines(LineColumns columns not None):
    """Read all lines; False where CAN FD data needs longer rows."""
    return columns.read(_read_line, NULL)


cdef Outcome _read_line(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    # A place of its own can stay in a register; the caller's would be stored at every step.
    cdef Place here = at[0]
    cdef Outcome outcome = _parts(columns, &here, grammar)
    at[0] = here
    return outcome


cdef inline Outcome _parts(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    skip_blanks(at)
    if at[0][0] != c"(":
        return LEFT
    at[0] += 1
    if not decimal_time(at, 10, 9, &columns.time_ns[columns.row]) or at[0][0] != c")":
        return LEFT
    at[0] += 1
    if skip_blanks(at) == 0 or not _bus(columns, at) or skip_blanks(at) == 0:
        return LEFT
    if (at[0][0] == c"R" or at[0][0] == c"T") and at[0][1] == c"X" and not _direction(at):
        return LEFT
    if not _identifier(columns, at) or skip_blanks(at) == 0:
        return LEFT
    return _data(columns, at)


cdef inline bint _bus(Columns* columns, Place* at) noexcept nogil:
    cdef Place start = at[0]
    while BLANK < at[0][0] < 127:
        at[0] += 1
    return at[0] > start and take_bus(columns, start, at[0] - start)


cdef inline bint _direction(Place* at) noexcept nogil:
    """``RX`` or ``TX``, and then two flags, each a letter or a dash."""
    at[0] += 2
    if skip_blanks(at) == 0 or (at[0][0] != c"B" and at[0][0] != c"-"):
        return False
    at[0] += 1
    if skip_blanks(at) == 0 or (at[0][0] != c"E" and at[0][0] != c"-"):
        return False
    at[0] += 1
    return skip_blanks(at) > 0


cdef inline bint _is_digit(uint8_t character) noexcept nogil:
    """A hexadecimal digit as candump prints it: with capital letters."""
    return HEX_VALUE[character] <= 15 and character < c"a"


cdef inline bint _identifier(Columns* columns, Place* at) noexcept nogil:
    cdef uint64_t number = 0
    cdef int digits = 0
    while digits < 8 and _is_digit(at[0][0]):
        number = number << 4 | HEX_VALUE[at[0][0]]
        digits += 1
        at[0] += 1
    # Above the largest identifier stands an error frame.
    if not (digits == 3 and number <= MAX_STANDARD_ID or digits == 8 and number <= MAX_EXTENDED_ID):
        return False
    columns.can_id[columns.row] = number
    columns.kind[columns.row] = EXTENDED if digits == 8 else 0
    return True


cdef inline Outcome _data(Columns* columns, Place* at) noexcept nogil:
    """``[length]``, in two digits for CAN FD, the data, and perhaps the same as text."""
    cdef Py_ssize_t blanks
    cdef int64_t length
    cdef int count = 0, digits
    cdef uint8_t* payload
    if at[0][0] != c"[":
        return LEFT
    at[0] += 1
    digits = whole_number(at, 2, &length)
    if digits == 0 or at[0][0] != c"]" or length > (CLASSIC_BYTES if digits == 1 else FD_BYTES):
        return LEFT
    at[0] += 1
    if digits == 2:
        columns.kind[columns.row] |= FD
    if length > columns.payload_bytes:
        return NEEDS_LONG_ROWS
    payload = clear_payload(columns)
    blanks = skip_blanks(at)
    while blanks and count < length and _is_digit(at[0][0]) and _is_digit(at[0][1]):
        payload[count] = <uint8_t>(HEX_VALUE[at[0][0]] << 4 | HEX_VALUE[at[0][1]])
        count += 1
        at[0] += 2
        blanks = skip_blanks(at)
    if blanks and at[0][0] == c"'":
        while not is_end_of_line(at[0]):
            at[0] += 1
    columns.length[columns.row] = count
    return TAKEN
