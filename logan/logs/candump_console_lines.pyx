# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True
"""Console output of candump, read by the grammar of ``logan.logs.candump_console``.

Left are remote requests and error frames.
"""

from libc.stdint cimport int64_t, uint8_t, uint64_t

from logan.logs.line_columns cimport (
    BLANK, CLASSIC_BYTES, EXTENDED, FD, FD_BYTES, HEX_VALUE, LEFT, MAX_EXTENDED_ID, MAX_STANDARD_ID, NEEDS_LONG_ROWS,
    POWER_OF_TEN, TAKEN, Columns, LineColumns, Outcome, Place, clear_payload, days_to, decimal_time,
    in_registers, is_end_of_line, skip_blanks, take_named_bus, whole_number,
)


def read_lines(LineColumns columns not None):
    """Read all lines; False where CAN FD data needs longer rows."""
    return columns.read(_read_line, NULL)


cdef Outcome _read_line(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    return in_registers(_parts, columns, at, grammar)


cdef inline Outcome _parts(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    skip_blanks(at)
    if at[0][0] != c"(":
        return LEFT
    at[0] += 1
    if not _time(at, &columns.time_ns[columns.row]) or at[0][0] != c")":
        return LEFT
    at[0] += 1
    if skip_blanks(at) == 0 or not take_named_bus(columns, at) or skip_blanks(at) == 0:
        return LEFT
    if (at[0][0] == c"R" or at[0][0] == c"T") and at[0][1] == c"X" and not _direction(at):
        return LEFT
    if not _identifier(columns, at) or skip_blanks(at) == 0:
        return LEFT
    return _data(columns, at)


cdef inline bint _time(Place* at, int64_t* time_ns) noexcept nogil:
    """Seconds, or date and time of day, with their decimals."""
    cdef int64_t days, fraction
    cdef int hour, minute, second, decimals
    if at[0][4] != c"-":
        return decimal_time(at, 10, 9, time_ns)
    if not _date(at[0], &days) or at[0][10] != BLANK or at[0][13] != c":" or at[0][16] != c":":
        return False
    hour, minute, second = _number(at[0] + 11, 2), _number(at[0] + 14, 2), _number(at[0] + 17, 2)
    if not (0 <= hour < 24 and 0 <= minute < 60 and 0 <= second < 60) or at[0][19] != c".":
        return False
    at[0] += 20
    decimals = whole_number(at, 9, &fraction)
    if decimals == 0:
        return False
    fraction *= POWER_OF_TEN[9 - decimals]
    time_ns[0] = (86_400 * days + 3_600 * hour + 60 * minute + second) * 1_000_000_000 + fraction
    return True


cdef inline int _number(Place at, int digits) noexcept nogil:
    """So many decimal digits as a number; -1 where one is none."""
    cdef int number = 0
    cdef int place
    for place in range(digits):
        if not c"0" <= at[place] <= c"9":
            return -1
        number = 10 * number + at[place] - c"0"
    return number


cdef inline bint _date(Place at, int64_t* days) noexcept nogil:
    """Days from 1970 of a date such as 2026-03-31; False where it is none, or far from our time."""
    return at[7] == c"-" and days_to(_number(at, 4), _number(at + 5, 2), _number(at + 8, 2), days)


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
    if digits == 0 or number > MAX_EXTENDED_ID:
        return False
    columns.can_id[columns.row] = number
    columns.kind[columns.row] = EXTENDED if digits == 8 or number > MAX_STANDARD_ID else 0
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
