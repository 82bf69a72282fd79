# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True
"""Rows of a table of raw frames, read by the grammar of ``logan.logs.raw_table``; rows with quotes are left."""

from libc.stdint cimport int64_t, uint8_t, uint32_t, uint64_t

from logan.logs.line_columns cimport (
    BLANK, CLASSIC_BYTES, ERROR, EXTENDED, FD, FD_BYTES, HEX_VALUE, LEFT, MAX_EXTENDED_ID, MAX_STANDARD_ID,
    NEEDS_LONG_ROWS, NEWLINE, POWER_OF_TEN, REMOTE, RETURN, TAKEN, Columns, LineColumns, Outcome, Place,
    clear_payload, hex_number, in_registers, is_word, take_bus, whole_number,
)

cdef enum:
    MOST_CELLS = 128
    QUOTE = 34
    LAST_PLAIN = 126
    NO_COLUMN = -1

cdef int64_t END_OF_TIME_NS = 1 << 62

cdef struct Layout:
    # Columns, ``NO_COLUMN`` where there is none.
    int time, identifier, extended, remote, error, fd, bus, length, data, bytes_from
    int cell_count, byte_count, byte_base
    int64_t unit_ns
    bint is_decimal
    uint8_t delimiter
    Place bus_name
    Py_ssize_t bus_name_width

cdef struct Cell:
    Place start
    Place end


def read_lines(LineColumns columns not None, layout not None, bytes bus_name not None):
    """Read all lines; False where CAN FD data needs longer rows.

    Parameters
    ----------
    layout : RawTableLayout
        Which column holds what.
    bus_name : bytes
        Of every frame, where there is no column for it.
    """
    cdef Layout plan
    plan.time, plan.identifier, plan.extended = layout.time, layout.identifier, _column(layout.extended)
    plan.remote, plan.error, plan.fd = _column(layout.remote), _column(layout.error), _column(layout.fd)
    plan.bus, plan.length, plan.data = _column(layout.bus), _column(layout.length), _column(layout.data)
    plan.bytes_from, plan.byte_count = _column(layout.bytes_from), min(layout.byte_count, FD_BYTES)
    plan.byte_base, plan.unit_ns, plan.is_decimal = layout.byte_base, layout.unit_ns, layout.id_base == 10
    plan.delimiter, plan.bus_name, plan.bus_name_width = ord(layout.delimiter), bus_name, len(bus_name)
    last = max(plan.time, plan.identifier, plan.extended, plan.remote, plan.error, plan.fd, plan.bus, plan.length,
               plan.data, plan.bytes_from + plan.byte_count - 1)
    plan.cell_count = last + 1 if last < MOST_CELLS else 0
    return columns.read(_read_line, &plan)


def _column(column):
    return NO_COLUMN if column is None else column


cdef Outcome _read_line(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    return in_registers(_parts, columns, at, grammar)


cdef inline Outcome _parts(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    cdef const Layout* plan = <const Layout*>grammar
    cdef Cell[128] cells
    cdef uint8_t kind = 0
    cdef Py_ssize_t row = columns.row
    if plan.cell_count == 0 or not _split(at, plan, cells):
        return LEFT
    if not _time(cells[plan.time], plan.unit_ns, &columns.time_ns[row]):
        return LEFT
    if not _identifier(cells, plan, &columns.can_id[row], &kind):
        return LEFT
    if not _flag(cells, plan.remote, REMOTE, &kind) or not _flag(cells, plan.error, ERROR, &kind):
        return LEFT
    if not _flag(cells, plan.fd, FD, &kind):
        return LEFT
    columns.kind[row] = kind
    if plan.bus == NO_COLUMN:
        if not take_bus(columns, plan.bus_name, plan.bus_name_width):
            return LEFT
    elif not take_bus(columns, cells[plan.bus].start, cells[plan.bus].end - cells[plan.bus].start):
        return LEFT
    return _data(columns, cells, plan)


cdef inline bint _split(Place* at, const Layout* plan, Cell* cells) noexcept nogil:
    """Find the cells, without the blanks around them, and move to the line end; those missing are empty."""
    cdef int count = 0
    cdef Place start = at[0]
    cdef Place place = at[0]
    cdef uint8_t character
    while True:
        character = place[0]
        if character == plan.delimiter or character == NEWLINE or (character == RETURN and place[1] == NEWLINE):
            if count < plan.cell_count:
                cells[count] = _stripped(start, place)
                count += 1
            if character != plan.delimiter:
                break
            start = place + 1
        elif character < BLANK or character > LAST_PLAIN or character == QUOTE:
            return False
        place += 1
    at[0] = place
    while count < plan.cell_count:
        cells[count].start = cells[count].end = place
        count += 1
    return True


cdef inline Cell _stripped(Place start, Place end) noexcept nogil:
    cdef Cell cell
    while start < end and start[0] == BLANK:
        start += 1
    while end > start and (end - 1)[0] == BLANK:
        end -= 1
    cell.start, cell.end = start, end
    return cell


cdef inline bint _time(Cell cell, int64_t unit_ns, int64_t* time_ns) noexcept nogil:
    cdef Place at = cell.start
    cdef int64_t whole, fraction = 0
    cdef int decimals = 0
    if whole_number(&at, 18, &whole) == 0 or whole > END_OF_TIME_NS // unit_ns - 1:
        return False
    if at[0] == c"." or at[0] == c",":
        if at == cell.end:  # the delimiter behind a whole number
            time_ns[0] = whole * unit_ns
            return True
        at += 1
        decimals = whole_number(&at, 9, &fraction)
        if decimals == 0:
            return False
    if at != cell.end:
        return False
    fraction *= unit_ns
    # What is finer than a nanosecond is rounded, which the grammar does.
    if fraction % POWER_OF_TEN[decimals]:
        return False
    time_ns[0] = whole * unit_ns + fraction // POWER_OF_TEN[decimals]
    return True


cdef inline bint _identifier(Cell* cells, const Layout* plan, uint32_t* can_id, uint8_t* kind) noexcept nogil:
    cdef Cell cell = cells[plan.identifier]
    cdef Place at = cell.start
    cdef uint64_t number
    cdef int64_t whole
    cdef int digits
    if plan.is_decimal:
        if whole_number(&at, 10, &whole) == 0:
            return False
        number, digits = <uint64_t>whole, 0
    else:
        if cell.end - at > 2 and at[0] == c"0" and at[1] | 32 == c"x":
            at += 2
        digits = hex_number(&at, 8, &number)
        if digits == 0:
            return False
    if at != cell.end:
        return False
    if plan.extended != NO_COLUMN:
        if not _flag(cells, plan.extended, EXTENDED, kind):
            return False
    elif number > MAX_STANDARD_ID or digits == 8:
        kind[0] |= EXTENDED
    if number > <uint64_t>(MAX_EXTENDED_ID if kind[0] & EXTENDED else MAX_STANDARD_ID):
        return False
    can_id[0] = <uint32_t>number
    return True


cdef inline bint _flag(Cell* cells, int column, uint8_t flag, uint8_t* kind) noexcept nogil:
    """0, 1, true or false; False where a cell holds something else."""
    cdef Place at
    cdef Py_ssize_t width
    if column == NO_COLUMN:
        return True
    at, width = cells[column].start, cells[column].end - cells[column].start
    if (width == 1 and at[0] == c"1") or (width == 4 and is_word(at, b"true", 4)):
        kind[0] |= flag
        return True
    return (width == 1 and at[0] == c"0") or (width == 5 and is_word(at, b"false", 5))


cdef inline Outcome _data(Columns* columns, Cell* cells, const Layout* plan) noexcept nogil:
    cdef int64_t most = FD_BYTES
    cdef Place at
    cdef uint8_t[64] data
    cdef int count
    cdef uint8_t* payload
    if plan.length != NO_COLUMN:
        at = cells[plan.length].start
        if whole_number(&at, 2, &most) == 0 or at != cells[plan.length].end or most > FD_BYTES:
            return LEFT
    if plan.bytes_from == NO_COLUMN:
        count = _one_field(cells[plan.data], <int>most, data)
    else:
        count = _byte_cells(cells + plan.bytes_from, plan, <int>min(most, <int64_t>plan.byte_count), data)
    if count < 0:
        return LEFT
    if count > CLASSIC_BYTES:
        columns.kind[columns.row] |= FD
    if columns.kind[columns.row] & REMOTE:
        count = 0
    if count > columns.payload_bytes:
        return NEEDS_LONG_ROWS
    payload = clear_payload(columns)
    for place in range(count):
        payload[place] = data[place]
    columns.length[columns.row] = count
    return TAKEN


cdef inline int _one_field(Cell cell, int most, uint8_t* data) noexcept nogil:
    """Pairs of hexadecimal digits, with or without a mark between them; how many, -1 where they are none."""
    cdef Place at = cell.start
    cdef int count = 0
    cdef uint8_t high, low
    if cell.end - at >= 2 and at[0] == c"0" and at[1] | 32 == c"x":
        at += 2
    while at < cell.end:
        if count and (at[0] == BLANK or at[0] == c"-" or at[0] == c":" or at[0] == c"."):
            at += 1
        # No digit stands behind the cell, so a pair never reaches over its end.
        high, low = HEX_VALUE[at[0]], HEX_VALUE[at[1]]
        if (high | low) > 15 or count == most:
            return -1
        data[count] = <uint8_t>(high << 4 | low)
        count += 1
        at += 2
    return count


cdef inline int _byte_cells(Cell* cells, const Layout* plan, int most, uint8_t* data) noexcept nogil:
    """One byte a cell, up to the first that is empty; how many, -1 where one is none."""
    cdef int count = 0
    cdef Place at
    cdef uint64_t number
    cdef int64_t whole
    while count < most and cells[count].end > cells[count].start:
        at = cells[count].start
        if plan.byte_base == 10:
            if whole_number(&at, 3, &whole) == 0:
                return -1
            number = <uint64_t>whole
        elif hex_number(&at, 2, &number) == 0:
            return -1
        if at != cells[count].end or number > 0xFF:
            return -1
        data[count] = <uint8_t>number
        count += 1
    return count
