# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True
"""Rows of python-can's CSV, read by the grammar of ``logan.logs.can_csv``; exponents are left."""

from libc.stdint cimport int64_t, uint8_t, uint32_t, uint64_t
from libc.string cimport memset

from logan.logs.line_columns cimport (
    CLASSIC_BYTES, ERROR, EXTENDED, FD, FD_BYTES, LEFT, MAX_EXTENDED_ID, MAX_STANDARD_ID, NEEDS_LONG_ROWS, REMOTE,
    TAKEN, Columns, LineColumns, Outcome, Place, clear_payload, decimal_time, hex_number, in_registers, take_bus,
    whole_number,
)

# Six bits by their character in base64 (RFC 4648, table 1); 255 for all others.
cdef uint8_t[256] BASE64_VALUE


cdef void _fill_base64_values():
    cdef bytes characters = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
    cdef int value
    memset(BASE64_VALUE, 255, 256)
    for value in range(64):
        BASE64_VALUE[<uint8_t>characters[value]] = <uint8_t>value


_fill_base64_values()

cdef struct Bus:
    Place name
    Py_ssize_t width


def read_lines(LineColumns columns not None, bytes bus_name not None):
    """Read all lines; False where CAN FD data needs longer rows.

    Parameters
    ----------
    bus_name : bytes
        Of every frame.
    """
    cdef Bus bus
    bus.name, bus.width = bus_name, len(bus_name)
    return columns.read(_read_line, &bus)


cdef Outcome _read_line(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    return in_registers(_parts, columns, at, grammar)


cdef inline Outcome _parts(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    cdef const Bus* bus = <const Bus*>grammar
    cdef Py_ssize_t row = columns.row
    cdef uint64_t number
    cdef int64_t length
    cdef uint8_t kind = 0
    if not _time(at, &columns.time_ns[row]) or at[0][0] != c"," or at[0][1] != c"0" or at[0][2] != c"x":
        return LEFT
    at[0] += 3
    if hex_number(at, 8, &number) == 0:
        return LEFT
    if not _flag(at, EXTENDED, &kind) or not _flag(at, REMOTE, &kind) or not _flag(at, ERROR, &kind):
        return LEFT
    if number > <uint64_t>(MAX_EXTENDED_ID if kind & EXTENDED else MAX_STANDARD_ID) or at[0][0] != c",":
        return LEFT
    at[0] += 1
    if whole_number(at, 2, &length) == 0 or length > FD_BYTES or at[0][0] != c",":
        return LEFT
    at[0] += 1
    columns.can_id[row], columns.kind[row] = <uint32_t>number, kind
    return _data(columns, at, <int>length) if take_bus(columns, bus.name, bus.width) else LEFT


cdef inline bint _time(Place* at, int64_t* time_ns) noexcept nogil:
    """Seconds, with or without decimals."""
    cdef Place start = at[0]
    cdef int64_t whole
    if decimal_time(at, 10, 9, time_ns):
        return True
    at[0] = start
    if whole_number(at, 9, &whole) == 0:
        return False
    time_ns[0] = whole * 1_000_000_000
    return True


cdef inline bint _flag(Place* at, uint8_t flag, uint8_t* kind) noexcept nogil:
    """A comma, and then 0 or 1."""
    if at[0][0] != c"," or (at[0][1] != c"0" and at[0][1] != c"1"):
        return False
    if at[0][1] == c"1":
        kind[0] |= flag
    at[0] += 2
    return True


cdef inline Outcome _data(Columns* columns, Place* at, int most) noexcept nogil:
    """Base64, of at most so many bytes; a remote frame carries none."""
    cdef uint8_t* payload = clear_payload(columns)
    cdef uint32_t group
    cdef int count = 0, group_bytes
    while True:
        group_bytes = _base64_group(at, &group)
        if group_bytes == 0:
            break
        if count + group_bytes > most:
            return LEFT
        if count + group_bytes > columns.payload_bytes:
            return NEEDS_LONG_ROWS
        payload[count] = <uint8_t>(group >> 16)
        if group_bytes > 1:
            payload[count + 1] = <uint8_t>(group >> 8)
        if group_bytes > 2:
            payload[count + 2] = <uint8_t>group
        count += group_bytes
        if group_bytes < 3:
            break
    if count > CLASSIC_BYTES:
        columns.kind[columns.row] |= FD
    if columns.kind[columns.row] & REMOTE:
        clear_payload(columns)
        count = 0
    columns.length[columns.row] = count
    return TAKEN


cdef inline int _base64_group(Place* at, uint32_t* group) noexcept nogil:
    """Four characters, the last two perhaps ``=``; how many bytes they hold, 0 where they are none."""
    cdef uint32_t first = BASE64_VALUE[at[0][0]], second, third, fourth
    if first > 63:
        return 0
    second = BASE64_VALUE[at[0][1]]
    if second > 63:
        return 0
    third, fourth = BASE64_VALUE[at[0][2]], BASE64_VALUE[at[0][3]]
    group[0] = first << 18 | second << 12 | (third & 63) << 6 | (fourth & 63)
    if (third | fourth) <= 63:
        at[0] += 4
        return 3
    if at[0][3] != c"=" or (third > 63 and at[0][2] != c"="):
        return 0
    at[0] += 4
    return 1 if third > 63 else 2
