# cython: language_level=3
"""What the compiled readers of text logs share: the columns that they fill, and how they read a line's parts.

Text is walked by pointer. Every line ends in a newline and ``PADDING`` zeros follow the text. No step moves on
behind a character that it does not take, and none looks ahead further than ``LOOK_AHEAD``: so no reader leaves the
buffer.
"""

from libc.stdint cimport int64_t, uint8_t, uint32_t, uint64_t
from libc.string cimport memchr, memcmp, memcpy, memset

cdef extern from *:
    """
    #define NO 255
    /* Value of a hexadecimal digit by its character; NO for all others. */
    static const unsigned char logan_hex_value[256] = {
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
         0,  1,  2,  3,  4,  5,  6,  7,  8,  9, NO, NO, NO, NO, NO, NO,
        NO, 10, 11, 12, 13, 14, 15, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, 10, 11, 12, 13, 14, 15, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
        NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO
    };
    #undef NO
    static const long long logan_power_of_ten[10] = {
        1, 10, 100, 1000, 10000, 100000, 1000000, 10000000, 100000000, 1000000000
    };
    """
    const uint8_t[256] HEX_VALUE "logan_hex_value"
    const int64_t[10] POWER_OF_TEN "logan_power_of_ten"
    const char* FOUR_BLANKS "\"    \""
    const int64_t MAX_SECONDS "9223372036LL"  # from 1970 to the end of int64 nanoseconds

ctypedef const uint8_t* Place

cdef enum Outcome:
    LEFT = 0  # for the strict way
    TAKEN = 1
    NEEDS_LONG_ROWS = 2

cdef enum Kind:
    EXTENDED = 1
    FD = 2
    REMOTE = 4
    ERROR = 8

cdef enum:
    MAX_STANDARD_ID = 0x7FF
    MAX_EXTENDED_ID = 0x1FFFFFFF
    CLASSIC_BYTES = 8
    FD_BYTES = 64
    MAX_BUSES = 200
    BUS_CHARACTERS = 64
    LOOK_AHEAD = 64  # more than any step looks ahead
    BLANK = 32
    TAB = 9
    NEWLINE = 10
    RETURN = 13
    FIRST_YEAR = 1970
    LAST_YEAR = 2200
    DAYS_TO_1970 = 719468  # from 1 March of the year 0

cdef struct Columns:
    # The frames, one row a line; ``row`` is the line being read.
    Py_ssize_t row
    int64_t* time_ns
    uint32_t* can_id
    uint8_t* kind
    uint8_t* bus
    uint8_t* length
    uint8_t* payload
    Py_ssize_t payload_bytes
    # The lines that were left.
    Py_ssize_t left_count
    int64_t* left_row
    int64_t* left_start
    int64_t* left_end
    # Names of buses, in the order that they turned up.
    int bus_count
    int last_bus
    uint8_t[200][64] bus_name
    uint8_t[200] bus_width

ctypedef Outcome (*LineReader)(Columns* columns, Place* at, const void* grammar) noexcept nogil

cdef class LineColumns:
    cdef Columns columns
    cdef Place text
    cdef Py_ssize_t size
    cdef readonly Py_ssize_t line_count
    cdef readonly object time_ns, can_id, kind, bus, length, payload
    cdef object _text, _left
    cdef Py_ssize_t _count_lines(self) noexcept
    cdef void _point(self)
    cdef bint read(self, LineReader reader, const void* grammar) noexcept


cdef inline Outcome in_registers(LineReader reader, Columns* columns, Place* at, const void* grammar) noexcept nogil:
    """Read a line from a place of one's own, which can stay in a register; the caller's is stored at every step."""
    cdef Place here = at[0]
    cdef Outcome outcome = reader(columns, &here, grammar)
    at[0] = here
    return outcome


cdef inline Py_ssize_t skip_blanks(Place* at) noexcept nogil:
    """Move behind blanks and tabs; how many there were."""
    cdef Place start = at[0]
    while memcmp(at[0], FOUR_BLANKS, 4) == 0:
        at[0] += 4
    while at[0][0] == BLANK or at[0][0] == TAB:
        at[0] += 1
    return at[0] - start


cdef inline bint is_end_of_line(Place at) noexcept nogil:
    return at[0] == NEWLINE or (at[0] == RETURN and at[1] == NEWLINE)


cdef inline bint is_word(Place at, const char* word, int width) noexcept nogil:
    """Whether a word of small letters stands here, in letters of either case."""
    cdef int place
    for place in range(width):
        if at[place] | 32 != <uint8_t>word[place]:
            return False
    return True


cdef inline int whole_number(Place* at, int most_digits, int64_t* value) noexcept nogil:
    """Decimal digits; how many there were, 0 where there are none or too many."""
    cdef Place start = at[0]
    cdef uint64_t number = 0  # which may run over where there are too many digits
    cdef uint8_t digit
    while True:
        digit = <uint8_t>(at[0][0] - c"0")
        if digit > 9:
            break
        number = 10 * number + digit
        at[0] += 1
    value[0] = <int64_t>number
    return <int>(at[0] - start) if at[0] - start <= most_digits else 0


cdef inline int hex_number(Place* at, int most_digits, uint64_t* value) noexcept nogil:
    """Hexadecimal digits; how many there were, 0 where there are none or too many (at most 16)."""
    cdef Place start = at[0]
    cdef uint64_t number = 0
    cdef uint8_t digit
    while True:
        digit = HEX_VALUE[at[0][0]]
        if digit > 15:
            break
        number = number << 4 | digit
        at[0] += 1
    value[0] = number
    return <int>(at[0] - start) if at[0] - start <= most_digits else 0


cdef inline bint decimal_time(Place* at, int most_digits, int unit_decimals, int64_t* time_ns) noexcept nogil:
    """``whole.fraction`` in a unit of ``10**unit_decimals`` ns; False where there is none, or one finer than 1 ns."""
    cdef int64_t whole, fraction
    cdef int decimals
    if whole_number(at, most_digits, &whole) == 0 or at[0][0] != c".":
        return False
    if whole >= MAX_SECONDS * POWER_OF_TEN[9 - unit_decimals]:
        return False
    at[0] += 1
    decimals = whole_number(at, unit_decimals, &fraction)
    if decimals == 0:
        return False
    time_ns[0] = whole * POWER_OF_TEN[unit_decimals] + fraction * POWER_OF_TEN[unit_decimals - decimals]
    return True


cdef inline bint days_to(int year, int month, int day, int64_t* days) noexcept nogil:
    """Days from 1970 to a date; False where it is none, or far from our time.

    Years are counted from March, so that the leap day is the last (H. Hinnant, "chrono-compatible low-level date
    algorithms", from memory).
    """
    cdef int days_of_month
    if not (FIRST_YEAR <= year <= LAST_YEAR and 1 <= month <= 12 and day >= 1):
        return False
    if month == 2:
        days_of_month = 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    else:
        days_of_month = 30 if month == 4 or month == 6 or month == 9 or month == 11 else 31
    if day > days_of_month:
        return False
    if month <= 2:
        year, month = year - 1, month + 12
    days[0] = 365 * year + year // 4 - year // 100 + year // 400 + (153 * (month - 3) + 2) // 5 + day - 1 - DAYS_TO_1970
    return True


cdef inline bint take_bus(Columns* columns, Place name, Py_ssize_t width) noexcept nogil:
    """Give the row its bus; False where the name is too long, or there are too many."""
    cdef int bus = columns.last_bus
    if width >= BUS_CHARACTERS:
        return False
    if bus >= columns.bus_count or not _is_bus(columns, bus, name, width):
        for bus in range(columns.bus_count):
            if _is_bus(columns, bus, name, width):
                break
        else:
            if columns.bus_count == MAX_BUSES:
                return False
            bus = columns.bus_count
            columns.bus_count += 1
            memcpy(&columns.bus_name[bus][0], name, width)
            columns.bus_width[bus] = <uint8_t>width
        columns.last_bus = bus
    columns.bus[columns.row] = <uint8_t>bus
    return True


cdef inline bint _is_bus(Columns* columns, int bus, Place name, Py_ssize_t width) noexcept nogil:
    return columns.bus_width[bus] == width and memcmp(&columns.bus_name[bus][0], name, width) == 0


cdef inline bint take_named_bus(Columns* columns, Place* at) noexcept nogil:
    """A bus name up to the next blank; False where there is none."""
    cdef Place start = at[0]
    while BLANK < at[0][0] < 127:
        at[0] += 1
    return at[0] > start and take_bus(columns, start, at[0] - start)


cdef inline bint take_numbered_bus(Columns* columns, Place* at) noexcept nogil:
    """A bus number of up to three digits, named without leading zeros; False where there is none."""
    cdef Place start = at[0]
    cdef int64_t number
    if whole_number(at, 3, &number) == 0:
        return False
    while start[0] == c"0" and start + 1 < at[0]:
        start += 1
    return take_bus(columns, start, at[0] - start)


cdef inline uint8_t* clear_payload(Columns* columns) noexcept nogil:
    """The data of the row, all zeros."""
    cdef uint8_t* payload = columns.payload + columns.row * columns.payload_bytes
    if columns.payload_bytes == CLASSIC_BYTES:
        memset(payload, 0, CLASSIC_BYTES)  # one store, where the size is known to the compiler
    else:
        memset(payload, 0, FD_BYTES)
    return payload


cdef inline bint eight_bytes(Place at, int step, uint8_t* payload) noexcept nogil:
    """Eight pairs of hexadecimal digits, one every ``step`` characters, at once; False, and nothing done, else.

    One look at all of them, as they nearly always are there, is much faster than one at each.
    """
    cdef uint8_t[8] data
    cdef int place
    cdef uint8_t high, low, seen = 0
    for place in range(CLASSIC_BYTES):
        high, low = HEX_VALUE[at[step * place]], HEX_VALUE[at[step * place + 1]]
        seen |= high | low
        data[place] = <uint8_t>(high << 4 | low)
    if seen > 15:
        return False
    memcpy(payload, data, CLASSIC_BYTES)
    return True


cdef inline bint _eight_spaced_bytes(Place at, uint8_t* payload) noexcept nogil:
    """As ``eight_bytes``, with one blank before each."""
    cdef int place
    cdef uint8_t difference = 0
    for place in range(CLASSIC_BYTES):
        difference |= at[3 * place] ^ BLANK
    return difference == 0 and eight_bytes(at + 1, 3, payload)


cdef inline bint spaced_bytes(Place* at, int count, uint8_t* payload, int* found) noexcept nogil:
    """Up to ``count`` pairs of hexadecimal digits, blanks before each; fewer where the line ends.

    Stops behind the last of them; False where something else is in their place.
    """
    cdef uint8_t high, low
    found[0] = 0
    if count >= CLASSIC_BYTES:
        while at[0][0] == BLANK and at[0][1] == BLANK:
            at[0] += 1
        if _eight_spaced_bytes(at[0], payload):
            found[0] = CLASSIC_BYTES
            at[0] += 3 * CLASSIC_BYTES
    while found[0] < count:
        if at[0][0] == BLANK and HEX_VALUE[at[0][1]] <= 15:
            at[0] += 1
        elif skip_blanks(at) == 0:
            return is_end_of_line(at[0])
        elif is_end_of_line(at[0]):
            return True
        high, low = HEX_VALUE[at[0][0]], HEX_VALUE[at[0][1]]
        if (high | low) > 15:
            return False
        payload[found[0]] = <uint8_t>(high << 4 | low)
        found[0] += 1
        at[0] += 2
    return at[0][0] == BLANK or at[0][0] == TAB or is_end_of_line(at[0])


cdef inline void skip_to_end_of_line(Place* at) noexcept nogil:
    """Move to the line end, so that whatever stands before it is passed over."""
    while not is_end_of_line(at[0]):
        at[0] += 1
