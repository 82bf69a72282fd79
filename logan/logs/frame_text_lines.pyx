# cython: language_level=3, boundscheck=False, wraparound=False, cdivision=True
"""Lines of a text with a frame in each, read by the grammar of ``logan.logs.frame_text``.

The layout that was found is turned into a plan once a chunk; words that it does not know, dates in words and what a
spreadsheet spoiled are left.
"""

from libc.stdint cimport int64_t, uint8_t, uint32_t, uint64_t
from libc.string cimport memcmp

from logan.logs.line_columns cimport (
    BLANK, CLASSIC_BYTES, EXTENDED, FD, FD_BYTES, HEX_VALUE, LEFT, MAX_EXTENDED_ID, MAX_SECONDS, MAX_STANDARD_ID,
    NEEDS_LONG_ROWS, NEWLINE, POWER_OF_TEN, REMOTE, RETURN, TAB, TAKEN, Columns, LineColumns, Outcome, Place,
    clear_payload, days_to, eight_bytes, hex_number, in_registers, is_end_of_line, skip_blanks, take_bus,
    whole_number,
)

from logan.logs.frame_text_layout import STRIPPED, TIME_UNITS_NS, Bytes

cdef enum:
    MOST_CELLS = 128
    MOST_FLAGS = 8
    MOST_WORDS = 16
    WORD_CHARACTERS = 24
    IS_WIDTH = 16
    NO_COLUMN = -1
    LAST_PLAIN = 126
    DIGITS_OF_LENGTH = 2

cdef enum BytesAre:
    CELL = 0
    COLUMNS = 1
    REST = 2

cdef struct Word:
    uint8_t[24] text
    Py_ssize_t width
    uint8_t bits

cdef struct Flag:
    int column
    int word_count
    Word[16] words

cdef struct Layout:
    # Columns, ``NO_COLUMN`` where there is none.
    int time, time_cells, identifier, bus, length, data
    int cell_count  # as many as are needed
    int byte_count, fraction_digits, flag_count
    BytesAre bytes_are
    int64_t unit_ns  # 0: time of day
    bint is_day_first, is_decimal, are_bytes_decimal, are_padded_extended, length_is_dlc, has_labels
    uint8_t delimiter
    Flag[8] flags
    Place bus_name
    Py_ssize_t bus_name_width

cdef struct Cell:
    Place start
    Place end

cdef struct Data:
    int count
    bint is_broken
    uint8_t[64] content

cdef int[7] FD_LENGTHS = [12, 16, 20, 24, 32, 48, 64]
cdef uint8_t[256] IS_STRIPPED, IS_MARK


cdef void _fill():
    for character in STRIPPED:
        IS_STRIPPED[<uint8_t>ord(character)] = 1
    for character in " -:.,_":
        IS_MARK[<uint8_t>ord(character)] = 1


_fill()


def read_lines(LineColumns columns not None, layout not None, bytes bus_name not None):
    """Read all lines; False where CAN FD data needs longer rows.

    Parameters
    ----------
    layout : FrameTextLayout
        Which column holds what.
    bus_name : bytes
        Of every frame, where there is no column for it.
    """
    cdef Layout plan
    plan.time, plan.time_cells, plan.identifier = layout.time, layout.time_cells, layout.identifier
    plan.bus, plan.length, plan.data = _column(layout.bus), _column(layout.length), layout.data
    plan.byte_count, plan.fraction_digits = min(layout.byte_count, FD_BYTES), layout.fraction_digits
    plan.bytes_are = REST if layout.bytes_are is Bytes.REST else COLUMNS if layout.byte_count > 1 else CELL
    plan.unit_ns = TIME_UNITS_NS.get(layout.time_kind, 0)
    plan.is_day_first = layout.is_day_first
    plan.is_decimal, plan.are_bytes_decimal = layout.id_base == 10, layout.byte_base == 10
    plan.are_padded_extended, plan.length_is_dlc = layout.are_padded_extended, layout.length_is_dlc
    plan.has_labels, plan.delimiter = layout.has_labels, ord(layout.delimiter)
    plan.bus_name, plan.bus_name_width = bus_name, len(bus_name)
    last = max(plan.time + plan.time_cells - 1, plan.identifier, plan.bus, plan.length, plan.data,
               *(flag.column for flag in layout.flags))
    plan.cell_count = last + 1 if last < MOST_CELLS and len(layout.flags) <= MOST_FLAGS else 0
    plan.flag_count = 0
    for flag in layout.flags[:MOST_FLAGS]:
        _put_flag(&plan.flags[plan.flag_count], flag)
        plan.flag_count += 1
    return columns.read(_read_line, &plan)


def _column(column):
    return NO_COLUMN if column is None else column


cdef void _put_flag(Flag* place, flag):
    cdef int count = 0
    cdef bytes text
    cdef int character
    place.column = flag.column
    for word, bits in flag.words.items():
        text = word.encode("latin-1")
        if len(text) <= WORD_CHARACTERS and count < MOST_WORDS:
            for character in range(len(text)):
                place.words[count].text[character] = text[character]
            place.words[count].width, place.words[count].bits = len(text), bits
            count += 1
    place.word_count = count


cdef Outcome _read_line(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    return in_registers(_parts, columns, at, grammar)


cdef inline Outcome _parts(Columns* columns, Place* at, const void* grammar) noexcept nogil:
    cdef const Layout* plan = <const Layout*>grammar
    cdef Cell[128] cells
    cdef Cell cell
    cdef Data data
    cdef uint8_t kind = 0
    cdef Py_ssize_t row = columns.row
    data.count, data.is_broken = 0, False
    if plan.cell_count == 0:
        return LEFT
    if plan.delimiter == BLANK:
        if not _by_blanks(at, plan, cells, &data):
            return LEFT
    elif not _by_delimiter(at, plan, cells, &data):
        return LEFT
    cell.start, cell.end = cells[plan.time].start, cells[plan.time + plan.time_cells - 1].end
    if plan.unit_ns:
        if not _number(cell, plan, &columns.time_ns[row]):
            return LEFT
    elif not _clock(cell, plan, &columns.time_ns[row]):
        return LEFT
    if not _flags(cells, plan, &kind) or not _identifier(cells[plan.identifier], plan, &columns.can_id[row], &kind):
        return LEFT
    columns.kind[row] = kind & ~IS_WIDTH
    if plan.bus == NO_COLUMN:
        if not take_bus(columns, plan.bus_name, plan.bus_name_width):
            return LEFT
    elif not _bus(columns, cells[plan.bus]):
        return LEFT
    return _take_data(columns, cells, plan, &data)


cdef inline bint _bus(Columns* columns, Cell cell) noexcept nogil:
    cdef Place at = cell.start
    while at < cell.end:
        if at[0] < BLANK or at[0] > LAST_PLAIN:
            return False
        at += 1
    return take_bus(columns, cell.start, cell.end - cell.start)


cdef inline bint _by_blanks(Place* at, const Layout* plan, Cell* cells, Data* data) noexcept nogil:
    """Cut the line at blanks, as far as cells are needed; False where there are too few."""
    cdef int count = 0
    cdef Place start
    while count < plan.cell_count:
        skip_blanks(at)
        if count == plan.data and plan.bytes_are == REST:
            cells[count].start = cells[count].end = at[0]
            _rest(at, plan, cells, data)
            count += 1
            continue
        if is_end_of_line(at[0]):
            return False
        start = at[0]
        while at[0][0] != BLANK and at[0][0] != TAB and not is_end_of_line(at[0]):
            at[0] += 1
        cells[count] = _stripped(start, at[0], plan)
        if count == plan.data:
            _one_cell(cells[count], plan, data)
        count += 1
    _to_end_of_line(at)
    return True


cdef inline void _to_end_of_line(Place* at) noexcept nogil:
    while at[0][0] != NEWLINE and not is_end_of_line(at[0]):
        at[0] += 1


cdef inline bint _by_delimiter(Place* at, const Layout* plan, Cell* cells, Data* data) noexcept nogil:
    """Cut the line at the delimiter, as far as cells are needed; those missing are empty."""
    cdef int count = 0
    cdef bint is_over = False
    while count < plan.cell_count and not is_over:
        if count == plan.data and plan.bytes_are == COLUMNS:
            is_over = _byte_columns(at, plan, cells, data)
            cells[count].start = cells[count].end = at[0]
        else:
            cells[count] = _next_cell(at, plan, &is_over)
            if count == plan.data:
                _one_cell(cells[count], plan, data)
        count += 1
    while count < plan.cell_count:
        cells[count].start = cells[count].end = at[0]
        count += 1
    _to_end_of_line(at)
    return True


cdef inline Cell _next_cell(Place* at, const Layout* plan, bint* is_over) noexcept nogil:
    """The cell up to the next delimiter; moves behind that, or to the line end."""
    cdef Place start = at[0]
    cdef Place place = at[0]
    while place[0] != plan.delimiter and place[0] != NEWLINE and not (place[0] == RETURN and place[1] == NEWLINE):
        place += 1
    is_over[0] = place[0] != plan.delimiter
    at[0] = place if is_over[0] else place + 1
    return _stripped(start, place, plan)


cdef inline Cell _stripped(Place start, Place end, const Layout* plan) noexcept nogil:
    cdef Cell cell
    while start < end and IS_STRIPPED[start[0]]:
        start += 1
    while end > start and IS_STRIPPED[(end - 1)[0]]:
        end -= 1
    if plan.has_labels:
        start = _behind_label(start, end)
    cell.start, cell.end = start, end
    return cell


cdef inline Place _behind_label(Place start, Place end) noexcept nogil:
    """Behind a name and the colon or equals sign after it; letters of hexadecimal digits alone are none."""
    cdef Place at = start
    cdef bint is_name = False
    while at < end and (c"a" <= at[0] | 32 <= c"z" or at[0] == c"_"):
        is_name |= at[0] | 32 > c"f" or at[0] == c"_"
        at += 1
    if not is_name or at >= end or (at[0] != c":" and at[0] != c"="):
        return start
    at += 1
    while at < end and (at[0] == BLANK or at[0] == TAB):
        at += 1
    return at


cdef inline bint _number(Cell cell, const Layout* plan, int64_t* time_ns) noexcept nogil:
    cdef Place at = cell.start
    cdef int64_t whole, fraction = 0
    cdef int digits, decimals = 0
    cdef bint is_negative = at[0] == c"-"
    if cell.end <= at:
        return False
    at += is_negative or at[0] == c"+"
    digits = whole_number(&at, 19, &whole)
    if digits == 0 or whole < 0 or whole >= MAX_SECONDS * 1_000_000_000 // plan.unit_ns:
        return False
    if at < cell.end and (at[0] == c"." or at[0] == c","):
        at += 1
        decimals = whole_number(&at, 9, &fraction)
        if decimals == 0:
            return False
        if decimals < plan.fraction_digits:
            decimals = plan.fraction_digits
    if at != cell.end:
        return False
    fraction *= plan.unit_ns
    # What is finer than a nanosecond is rounded, which the grammar does.
    if decimals > 9 or fraction % POWER_OF_TEN[decimals]:
        return False
    time_ns[0] = whole * plan.unit_ns + fraction // POWER_OF_TEN[decimals]
    if is_negative:
        time_ns[0] = -time_ns[0]
    return True


cdef inline bint _clock(Cell cell, const Layout* plan, int64_t* time_ns) noexcept nogil:
    """Time of day, in the forms that the grammar lists first, perhaps behind a date in digits."""
    cdef Place at = cell.start
    cdef int64_t days = 0, first, second, third = 0, fraction = 0, finer = 0, part = 0
    cdef int digits
    if cell.end <= at or not _date(&at, plan, &days):
        return False
    digits = whole_number(&at, 2, &first)
    if digits == 0 or at[0] != c":":
        return False
    at += 1
    if whole_number(&at, 2, &second) == 0:
        return False
    if at[0] == c":" and at < cell.end:
        at += 1
        if whole_number(&at, 2, &third) == 0:
            return False
    else:
        return False  # minutes and seconds alone
    if at < cell.end and (at[0] == c"." or at[0] == c"," or at[0] == c":"):
        at += 1
        digits = whole_number(&at, 9, &fraction)
        if digits == 0:
            return False
        if digits < plan.fraction_digits:
            digits = plan.fraction_digits
        if digits > 9:
            return False
        fraction *= POWER_OF_TEN[9 - digits]
        if at < cell.end and at[0] == c":":
            at += 1
            if whole_number(&at, 3, &finer) == 0:
                return False
            if at < cell.end and (at[0] == c"." or at[0] == c","):
                at += 1
                digits = whole_number(&at, 3, &part)
                if digits == 0:
                    return False
                part *= POWER_OF_TEN[3 - digits]
    if at != cell.end or first > 23 or second > 59 or third > 59:
        return False
    time_ns[0] = (86_400 * days + 3_600 * first + 60 * second + third) * 1_000_000_000
    time_ns[0] += fraction + 1_000 * finer + part
    return True


cdef inline bint _date(Place* at, const Layout* plan, int64_t* days) noexcept nogil:
    """A date and the blanks, T or delimiter behind it, where there is one; False where it is broken."""
    cdef Place start = at[0]
    cdef int64_t[3] parts
    cdef int64_t year = 0, month = 0, day = 0
    cdef int digits, first_digits, place
    cdef bint is_day_first
    first_digits = digits = whole_number(at, 4, &parts[0])
    if at[0][0] == c":":
        at[0] = start
        return True
    is_day_first = plan.is_day_first or at[0][0] == c"." or parts[0] > 12
    for place in range(1, 3):
        if digits == 0 or (at[0][0] != c"-" and at[0][0] != c"." and at[0][0] != c"/"):
            return False
        is_day_first |= at[0][0] == c"."
        at[0] += 1
        digits = whole_number(at, 4 if place == 2 else 2, &parts[place])
    if digits == 0:
        return False
    if first_digits == 4:
        year, month, day = parts[0], parts[1], parts[2]
        digits = 4
    elif first_digits > 2:
        return False
    elif is_day_first:
        day, month, year = parts[0], parts[1], parts[2]
    else:
        month, day, year = parts[0], parts[1], parts[2]
    if digits == 2:
        year += 2000
    start = at[0]
    while _is_behind_date(at[0][0]):
        at[0] += 1
    return at[0] > start and days_to(<int>year, <int>month, <int>day, days)


cdef inline bint _is_behind_date(uint8_t character) noexcept nogil:
    return (character == BLANK or character == c"T" or character == TAB or character == c"," or character == c";"
            or character == c"|" or character == 0 or character == c"_")


cdef inline bint _identifier(Cell cell, const Layout* plan, uint32_t* can_id, uint8_t* kind) noexcept nogil:
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
    if at < cell.end and at[0] | 32 == c"x":
        at += 1
        if not kind[0] & IS_WIDTH:
            kind[0] |= EXTENDED
    if at != cell.end or number > MAX_EXTENDED_ID:
        return False
    if number > MAX_STANDARD_ID or (digits == 8 and plan.are_padded_extended and not kind[0] & IS_WIDTH):
        kind[0] |= EXTENDED
    can_id[0] = <uint32_t>number
    return True


cdef inline bint _flags(Cell* cells, const Layout* plan, uint8_t* kind) noexcept nogil:
    """Bits of the words in columns of flags; False where a word is new."""
    cdef int number, word
    cdef Cell cell
    cdef const Flag* flag
    for number in range(plan.flag_count):
        flag = &plan.flags[number]
        cell = cells[flag.column]
        for word in range(flag.word_count):
            if (flag.words[word].width == cell.end - cell.start
                    and memcmp(&flag.words[word].text[0], cell.start, flag.words[word].width) == 0):
                kind[0] |= flag.words[word].bits
                break
        else:
            return False
    return True


cdef inline bint _length(Cell cell, const Layout* plan, int* most) noexcept nogil:
    cdef Place at = cell.start
    cdef int64_t length
    if whole_number(&at, DIGITS_OF_LENGTH, &length) == 0 or at != cell.end or length > FD_BYTES:
        return False
    most[0] = <int>length
    if plan.length_is_dlc and CLASSIC_BYTES < length < 16:
        most[0] = FD_LENGTHS[length - 9]
    return True


cdef inline int _most(Cell* cells, const Layout* plan) noexcept nogil:
    """How many data bytes there may be, where that is known before they are read."""
    cdef int most = FD_BYTES
    if plan.length != NO_COLUMN and plan.length < plan.data:
        _length(cells[plan.length], plan, &most)
    return most


cdef inline Outcome _take_data(Columns* columns, Cell* cells, const Layout* plan, Data* data) noexcept nogil:
    cdef int most = FD_BYTES
    cdef int place
    cdef uint8_t* payload
    if columns.kind[columns.row] & REMOTE:
        data.count, data.is_broken = 0, False
    elif plan.length != NO_COLUMN and not _length(cells[plan.length], plan, &most):
        return LEFT
    if data.is_broken:
        return LEFT
    if data.count > most:
        if plan.bytes_are == CELL:
            return LEFT
        data.count = most
    if data.count > CLASSIC_BYTES:
        columns.kind[columns.row] |= FD
    if data.count > columns.payload_bytes:
        return NEEDS_LONG_ROWS
    payload = clear_payload(columns)
    for place in range(data.count):
        payload[place] = data.content[place]
    columns.length[columns.row] = data.count
    return TAKEN


cdef inline bint _one_byte(Place* at, const Layout* plan, uint64_t* number) noexcept nogil:
    cdef int64_t whole
    if plan.are_bytes_decimal:
        if whole_number(at, 3, &whole) == 0:
            return False
        number[0] = <uint64_t>whole
        return whole <= 0xFF
    if at[0][0] == c"0" and at[0][1] | 32 == c"x":
        at[0] += 2
    if hex_number(at, 2, number) == 0:
        return False
    at[0] += at[0][0] | 32 == c"h"
    return True


cdef inline void _one_cell(Cell cell, const Layout* plan, Data* data) noexcept nogil:
    """All bytes in one cell: pairs of digits, or bytes with marks between them."""
    cdef Place at = cell.start
    cdef Place word
    cdef uint64_t number
    if not plan.are_bytes_decimal:
        if cell.end - at == 16 and eight_bytes(at, 2, data.content):
            data.count = 8
            return
        if cell.end - at == 23 and _have_blanks(at) and eight_bytes(at, 3, data.content):
            data.count = 8
            return
    while at < cell.end:
        while at < cell.end and IS_MARK[at[0]]:
            at += 1
        if at == cell.end:
            break
        if not plan.are_bytes_decimal:
            if cell.end - at > 2 and at[0] == c"0" and at[1] | 32 == c"x":
                at += 2
            word = at
            while HEX_VALUE[word[0]] <= 15:
                word += 1
            if word - at > 2:
                while at < word and data.count < FD_BYTES and HEX_VALUE[at[0]] <= 15 and HEX_VALUE[at[1]] <= 15:
                    data.content[data.count] = <uint8_t>(HEX_VALUE[at[0]] << 4 | HEX_VALUE[at[1]])
                    data.count += 1
                    at += 2
                if at != word or (at < cell.end and not IS_MARK[at[0]]):
                    data.is_broken = True
                    return
                continue
            if hex_number(&at, 2, &number) == 0:
                data.is_broken = True
                return
        elif not _one_byte(&at, plan, &number):
            data.is_broken = True
            return
        if data.count == FD_BYTES or (at < cell.end and not IS_MARK[at[0]]):
            data.is_broken = True
            return
        data.content[data.count] = <uint8_t>number
        data.count += 1


cdef inline bint _have_blanks(Place at) noexcept nogil:
    cdef int place
    cdef uint8_t difference = 0
    for place in range(2, 23, 3):
        difference |= at[place] ^ BLANK
    return difference == 0


cdef inline bint _byte_columns(Place* at, const Layout* plan, Cell* cells, Data* data) noexcept nogil:
    """One byte a column, up to the first that is empty; whether the line is over."""
    cdef int most = _most(cells, plan)
    cdef int column
    cdef bint is_over = False, is_done = False
    cdef Cell cell
    cdef uint64_t number
    cdef Place place
    for column in range(plan.byte_count):
        if is_over:
            break
        # Two digits and the delimiter, as nearly always.
        if (column < most and not is_done and not plan.are_bytes_decimal and at[0][2] == plan.delimiter
                and HEX_VALUE[at[0][0]] <= 15 and HEX_VALUE[at[0][1]] <= 15):
            data.content[data.count] = <uint8_t>(HEX_VALUE[at[0][0]] << 4 | HEX_VALUE[at[0][1]])
            data.count += 1
            at[0] += 3
            continue
        cell = _next_cell(at, plan, &is_over)
        if is_done or column >= most:
            continue
        place = cell.start
        if cell.start == cell.end:
            is_done = True
        elif not _one_byte(&place, plan, &number) or place != cell.end:
            data.is_broken = True
            is_done = True
        else:
            data.content[data.count] = <uint8_t>number
            data.count += 1
    return is_over


cdef inline void _rest(Place* at, const Layout* plan, Cell* cells, Data* data) noexcept nogil:
    """Bytes with blanks between them, until there are as many as the length says, or one is none."""
    cdef int most = _most(cells, plan)
    cdef uint64_t number
    cdef Place place
    cdef Place label
    if plan.has_labels:
        place = at[0]
        while not is_end_of_line(place):
            place += 1
        label = _behind_label(at[0], place)
        at[0] = label
    if (most == CLASSIC_BYTES and not plan.are_bytes_decimal and _have_blanks(at[0])
            and (at[0][23] == BLANK or at[0][23] == NEWLINE) and eight_bytes(at[0], 3, data.content)):
        data.count = CLASSIC_BYTES
        at[0] += 23
        while IS_STRIPPED[at[0][0]]:
            at[0] += 1
        return
    while True:
        while IS_STRIPPED[at[0][0]]:
            at[0] += 1
        if data.count == most:
            return
        place = at[0]
        if (not _one_byte(&place, plan, &number)
                or not (IS_STRIPPED[place[0]] or is_end_of_line(place))):
            break
        data.content[data.count] = <uint8_t>number
        data.count += 1
        at[0] = place
    if plan.length != NO_COLUMN and plan.length < plan.data and data.count < most and not is_end_of_line(at[0]):
        data.is_broken = True
