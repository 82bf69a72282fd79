# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True
"""Lines of a candump log file, read by the grammar of ``logan.logs.candump``."""

from libc.stdint cimport uint8_t, uint64_t

from logan.logs.line_columns cimport (
    CLASSIC_BYTES, ERROR, EXTENDED, FD, FD_BYTES, HEX_VALUE, LEFT, MAX_EXTENDED_ID, MAX_STANDARD_ID,
    NEEDS_LONG_ROWS, REMOTE, TAKEN, Columns, LineColumns, Outcome, Place, clear_payload, decimal_time, eight_bytes,
    hex_number, in_registers, skip_blanks, take_named_bus,
)

cdef enum:
    ERROR_FLAG = 0x20000000


def read_lines(LineColumns columns not None):
    """Read all lines; False where CAN FD data needs longer rows."""
    return columns.read(_read_line, NULL)


cdef Outcome _read_line(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    return in_registers(_parts, columns, at, grammar)


cdef inline Outcome _parts(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    cdef Outcome outcome
    skip_blanks(at)
    if at[0][0] != c"(":
        return LEFT
    at[0] += 1
    if not decimal_time(at, 10, 9, &columns.time_ns[columns.row]) or at[0][0] != c")":
        return LEFT
    at[0] += 1
    if skip_blanks(at) == 0 or not take_named_bus(columns, at) or skip_blanks(at) == 0 or not _identifier(columns, at):
        return LEFT
    outcome = _data(columns, at)
    if skip_blanks(at) and (at[0][0] | 32 == c"r" or at[0][0] | 32 == c"t"):
        at[0] += 1
        skip_blanks(at)
    return outcome


cdef inline bint _identifier(Columns* columns, Place* at) noexcept nogil:
    """Up to eight digits and the hash behind them; with eight it is extended, or above 7FF."""
    cdef uint64_t number
    cdef int digits = hex_number(at, 8, &number)
    cdef uint8_t kind = 0
    if at[0][0] != c"#":
        return False
    at[0] += 1
    if digits == 0 or number > (MAX_EXTENDED_ID | ERROR_FLAG):
        return False
    if digits == 8 or number > MAX_STANDARD_ID:
        kind = ERROR if number & ERROR_FLAG else EXTENDED
    columns.can_id[columns.row] = number & MAX_EXTENDED_ID
    columns.kind[columns.row] = kind
    return True


cdef inline Outcome _data(Columns* columns, Place* at) noexcept nogil:
    cdef uint8_t* payload = clear_payload(columns)
    cdef int count = 0
    cdef int most = CLASSIC_BYTES
    cdef uint8_t high, low
    if at[0][0] == c"#":
        if HEX_VALUE[at[0][1]] > 15:
            return LEFT
        at[0] += 2
        columns.kind[columns.row] |= FD
        most = FD_BYTES
    elif at[0][0] | 32 == c"r":
        return _request(columns, at)
    if eight_bytes(at[0], 2, payload):
        count = CLASSIC_BYTES
        at[0] += 2 * CLASSIC_BYTES
    while True:
        high = HEX_VALUE[at[0][0]]
        if high > 15:
            break
        low = HEX_VALUE[at[0][1]]
        if low > 15 or count == most:
            return LEFT
        if count == columns.payload_bytes:
            return NEEDS_LONG_ROWS
        payload[count] = <uint8_t>(high << 4 | low)
        count += 1
        at[0] += 2
        if at[0][0] == c"." and HEX_VALUE[at[0][1]] <= 15:
            at[0] += 1
    if at[0][0] == c"_" and count == CLASSIC_BYTES == most and 9 <= HEX_VALUE[at[0][1]] <= 15:
        at[0] += 2
    columns.length[columns.row] = count
    return TAKEN


cdef inline Outcome _request(Columns* columns, Place* at) noexcept nogil:
    """A remote frame: ``R``, the length that it asks for, and the raw DLC."""
    columns.kind[columns.row] |= REMOTE
    columns.length[columns.row] = 0
    at[0] += 1
    if c"0" <= at[0][0] <= c"8":
        at[0] += 1
        if at[0][0] == c"_" and 9 <= HEX_VALUE[at[0][1]] <= 15:
            at[0] += 2
    return TAKEN
