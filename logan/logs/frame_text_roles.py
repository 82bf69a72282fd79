"""Find the columns of a text with a frame in each line, from the lines themselves, and say why.

The data bytes come first: there are as many as another column says, in every line. The identifier is hexadecimal,
comes again and again, and always with as many bytes. The time rises, and is no counter. Names above the columns speak
for a role and settle none; what the user says settles it. Of all separators that one wins under which the most lines
are frames.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from logan.frames.table import FrameTable
from logan.frames.times import unit_of_frames
from logan.logs.frame_text import READER, Grammar
from logan.logs.frame_text_ids import (
    ID,
    LETTER,
    SPREADSHEET_ID,
    Draft,
    are_padded_extended,
    base_of_bytes,
    base_of_identifiers,
    compact,
    data_drafts,
    find_identifier,
    header_roles,
)
from logan.logs.frame_text_layout import (
    FLAG_ROLES,
    STRIPPED,
    Bytes,
    FlagColumn,
    FrameTextLayout,
    Wishes,
    bits_of,
    wishes_of,
)
from logan.logs.frame_text_times import find_time, has_date
from logan.logs.text_lines import FD_LENGTHS, BrokenLineError, LinesParser, is_frame_like

_DELIMITERS: Final = "\t;\0|, "
_DELIMITER_NAMES: Final = {"\t": "tabs", ";": "semicolons", "\0": "NUL bytes", "|": "|", ",": "commas", " ": "blanks"}
_DELIMITER_SCORES: Final = {" ": 0.0, ",": 0.5}
_SAMPLE_LINES: Final = 120
_PREAMBLE_LINES: Final = 60
_SURE_SCORE: Final = 20.0
_LEAST_READ: Final = 0.3
_BUS_WORD: Final = re.compile(r"(?:v?can|ch|bus|channel|port|[rt]x)[ _#-]?\d{1,2}", re.I)
_LABEL: Final = re.compile(r"[A-Za-z_]*[G-Zg-z_][A-Za-z_]*[:=][ \t]*(?=\S)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Inferred:
    """What was found.

    Parameters
    ----------
    layout : FrameTextLayout
        Complete where there is no problem.
    preamble : frozenset of bytes
        Lines before the first frame.
    reasons, notes : tuple of str
        What was taken and why, one line each; and what had to be assumed.
    is_dated : bool
        A time of day has its date.
    problem, remedy : str
        What is open, and what to say about it; empty where nothing is.
    """

    layout: FrameTextLayout
    preamble: frozenset[bytes] = frozenset()
    reasons: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    is_dated: bool = False
    problem: str = ""
    remedy: str = ""


@lru_cache(maxsize=8)
def infer_layout(head: bytes, said: str = "", known: frozenset[tuple[int, bool]] = frozenset()) -> Inferred | None:
    """Layout of a text; None where its lines are no frames.

    Parameters
    ----------
    head : bytes
        First bytes of the file.
    said : str
        What the user says about columns.
    known : frozenset of (int, bool)
        Identifiers of the DBC.

    Raises
    ------
    UsageError
        If what the user says is no description.
    """
    wishes = wishes_of(said)
    lines = [line.removesuffix("\r") for line in head.removeprefix(b"\xef\xbb\xbf").decode("latin-1").split("\n")]
    if len(lines) > 3:
        lines.pop()  # blank, or cut off: half a cell of data would make its whole column something else
    sample = [line for line in lines if is_frame_like(line) or (wishes.is_whole and line.strip())]
    sample = _of_usual_shape(sample) if sample else []
    if len(sample) > _SAMPLE_LINES:
        half = _SAMPLE_LINES // 2
        sample = sample[:half] + sample[half :: len(sample) // half]
    if not sample:
        return None
    found: list[tuple[float, Draft, FrameTextLayout]] = []
    for delimiter in _DELIMITERS:
        found += _seen(lines, sample, delimiter, wishes, known)
        if any(read > 0.97 and draft.score > _SURE_SCORE and not draft.problem for read, draft, _ in found):
            break
    if not found:
        return None
    read, draft, layout = max(found, key=_merit)
    if read < _LEAST_READ and not (draft.problem or wishes.is_whole):
        return None
    assert draft.time is not None  # _settled found it, or a problem
    if not draft.time.kind and not draft.time.problem:
        layout = _with_unit(lines, draft, layout)
    draft.reasons = _reasons(draft, layout)
    return _finished(lines, draft, layout)


def _of_usual_shape(lines: Sequence[str]) -> list[str]:
    """The lines that have the usual separators: others come from another program, and must not blur the columns."""
    shapes = [tuple(min(line.count(mark), 2) for mark in _DELIMITERS[:-1]) for line in lines]
    usual = Counter(shapes).most_common(1)[0][0]
    kept = [line for line, shape in zip(lines, shapes, strict=True) if shape == usual]
    return kept if len(kept) > 0.5 * len(lines) else list(lines)


def _merit(seen: tuple[float, Draft, FrameTextLayout]) -> float:
    """How well a draft fits: lines that it reads, and what speaks for its columns."""
    read, draft, _ = seen
    return 10.0 * read + 0.4 * draft.score - 8.0 * bool(draft.problem)


def _with_unit(lines: Sequence[str], draft: Draft, layout: FrameTextLayout) -> FrameTextLayout:
    """The layout with the unit of its times, by how often the frames of all lines come."""
    assert draft.time is not None  # infer_layout looked
    decimals = draft.time.decimals
    frames = _frames(layout, [line for line in lines if line != draft.header])
    raw_times = frames.time_ns / (1000.0 if decimals else 1.0)
    unit, reason = unit_of_frames(raw_times, frames.can_id, decimals=decimals)
    draft.time = replace(draft.time, reason=f"column {layout.time + 1}, in {unit}: {reason}")
    if not unit and not draft.problem:
        draft.problem = f"column {layout.time + 1} does not tell the unit of its times"
        draft.remedy = "Say it with --columns time=s, time=ms, time=us or time=ns"
    return replace(layout, time_kind=unit or "s")


def _finished(lines: Sequence[str], draft: Draft, layout: FrameTextLayout) -> Inferred:
    preamble = []
    grammar = Grammar(layout)
    for line in lines[:_PREAMBLE_LINES]:
        if is_frame_like(line) and line != draft.header and _is_frame(grammar, line):
            break
        preamble += [line] if line.strip() and (line == draft.header or not is_frame_like(line)) else []
    if len(preamble) == len([line for line in lines if line.strip()]):
        preamble = []
    spoken = [line for line in preamble if not line.lstrip(STRIPPED).startswith(("#", "//"))]
    counted = len(spoken) - bool(draft.names)
    if counted > 0:
        draft.notes.append(f"{counted} line{'s' * (counted > 1)} before the first frame hold none")
    time = draft.time
    return Inferred(
        layout=layout,
        preamble=frozenset(
            line.encode("latin-1").strip() for line in (*preamble, "\xef\xbb\xbf" + (preamble or [""])[0])
        ),
        reasons=(*draft.reasons, f"the same as --columns {layout.described}"),
        notes=tuple(draft.notes),
        is_dated=time is not None and time.is_dated,
        problem=draft.problem,
        remedy=draft.remedy,
    )


def _is_frame(grammar: Grammar, line: str) -> bool:
    try:
        return grammar.parse_line(line.encode("latin-1")) is not None
    except BrokenLineError:
        return False


def _seen(
    lines: Sequence[str], sample: Sequence[str], delimiter: str, wishes: Wishes, known: frozenset[tuple[int, bool]]
) -> Iterator[tuple[float, Draft, FrameTextLayout]]:
    """The likeliest ways to see the lines under one delimiter: share of lines that are frames, draft, layout."""
    if delimiter != " " and sum(delimiter in line for line in sample) < 0.5 * len(sample):
        return
    names, header = header_roles(lines[:_PREAMBLE_LINES], delimiter)
    sample = [line for line in sample if line != header]
    if not sample:
        return
    has_labels = sum(any(_LABEL.match(word) for word in _words(line, delimiter)) for line in sample) > 0.3 * len(sample)
    rows = [_cells(line, delimiter, has_labels) for line in sample]
    timed = next((column for column, (role, _) in names.items() if role == "time"), None)
    if delimiter == " " and timed is not None and has_date([row[timed : timed + 2] for row in rows]):
        # One name stands above both.
        names = {column + (column > timed): name for column, name in names.items()}
    drafts = sorted(data_drafts(rows, delimiter, names, wishes), key=lambda draft: -draft.score)
    for draft in drafts[:4]:
        draft.has_labels, draft.header = has_labels, header
        draft.score += _DELIMITER_SCORES.get(delimiter, 1.0)
        compact(draft, rows, names)
        layout = _settled(draft, wishes, known)
        if layout is not None:
            yield _share_read(layout, sample), draft, layout


def _share_read(layout: FrameTextLayout, sample: Sequence[str]) -> float:
    """Share of lines that are frames under a layout."""
    return len(_frames(layout, sample)) / len(sample)


def _frames(layout: FrameTextLayout, lines: Sequence[str]) -> FrameTable:
    content = "".join(f"{line}\n" for line in lines).encode("latin-1")
    return LinesParser(Grammar(layout).parse_line, READER, (layout, b"")).parse(content)


def _words(line: str, delimiter: str) -> list[str]:
    return line.split() if delimiter == " " else [word.strip() for word in line.split(delimiter)]


def _cells(line: str, delimiter: str, has_labels: bool) -> list[str]:
    cells = [
        word.strip(STRIPPED)
        for word in (re.split("[ \t]+", line.strip(" \t")) if delimiter == " " else line.split(delimiter))
    ]
    return [_LABEL.sub("", cell, count=1) if has_labels and _LABEL.match(cell) else cell for cell in cells]


def _settled(draft: Draft, wishes: Wishes, known: frozenset[tuple[int, bool]]) -> FrameTextLayout | None:
    """Find the other roles of a draft; None where it has no identifier, or too little speaks for it."""
    places = dict(wishes.places)
    byte_base, id_base = base_of_bytes(draft, wishes), 0
    draft.identifier, id_score = find_identifier(draft, places.get("id"), known)
    if draft.identifier < 0:
        return None
    draft.score += id_score
    taken = {draft.data, draft.identifier, *([] if draft.length is None else [draft.length])}
    named = {role for role, _ in draft.names.values()}
    is_named = "id" in named and bool(named & {"data", "bytes"})
    ids = draft.column(draft.identifier)
    if not (wishes.is_whole or is_named) and not _is_evident(draft, ids):
        return None
    columns = [draft.column(column) for column in range(max(map(len, draft.rows)))]
    draft.time = find_time(columns, draft.names, taken, wishes, draft.delimiter)
    draft.score += draft.time.score
    id_base = base_of_identifiers(draft, ids, byte_base, wishes, known)
    _note_open(draft, ids, byte_base, id_base)
    taken |= set(range(draft.time.column, draft.time.column + draft.time.cells))
    flags, bus = _flags_and_bus(draft, taken, wishes)
    return FrameTextLayout(
        delimiter=draft.delimiter,
        time=max(draft.time.column, 0),
        time_kind=draft.time.kind or ("us" if draft.time.decimals else "ns"),
        time_cells=draft.time.cells,
        fraction_digits=draft.time.fraction_digits,
        is_day_first=draft.time.is_day_first,
        identifier=draft.identifier,
        id_base=id_base or 16,
        are_padded_extended=are_padded_extended(ids, known),
        data=draft.data,
        byte_base=byte_base or 16,
        byte_count=draft.byte_count,
        bytes_are=draft.bytes_are,
        length=draft.length,
        length_is_dlc=_is_dlc(draft),
        bus=bus,
        flags=flags,
        has_labels=draft.has_labels,
    )


def _note_open(draft: Draft, ids: Sequence[str], byte_base: int, id_base: int) -> None:
    """Keep the first thing that nothing tells, and what a spreadsheet did."""
    assert draft.time is not None  # _settled has just found it
    draft.problem, draft.remedy = draft.time.problem, draft.time.remedy
    for role, what, is_found in (("id", "identifiers", id_base), ("bytes", "data bytes", byte_base)):
        if not is_found and not draft.problem:
            draft.problem = f"the {what} may be hexadecimal or decimal, nothing tells which"
            draft.remedy = f"Say it with --columns {role}=hex or --columns {role}=dec"
    spoiled = next((cell for cell in ids if SPREADSHEET_ID.fullmatch(cell)), "")
    if spoiled:
        turned = SPREADSHEET_ID.sub(r"\1E\2", spoiled)
        draft.notes.append(
            f"a spreadsheet turned identifier {turned} into {spoiled}; it is read as {turned} again "
            "(export the log without opening it there)"
        )
    if draft.time.note:
        draft.notes.append(draft.time.note)


def _is_evident(draft: Draft, ids: Sequence[str]) -> bool:
    """Whether columns without names are frames, and not a table of channels or plain text."""
    number = len(draft.rows)
    has_letters = any(LETTER.search(text) for text in draft.bytes_text) or draft.has_labels
    has_hex_ids = any(LETTER.search(cell) or cell[:2] in ("0x", "0X") for cell in ids)
    lengths = Counter(draft.counts)
    if draft.length is None:
        return number >= 3 and has_letters and (has_hex_ids or max(map(len, ids)) >= 3)
    return number >= 3 and (has_letters or has_hex_ids or (number >= 8 and len(lengths) > 1))


def _is_dlc(draft: Draft) -> bool:
    if draft.length is None:
        return False
    told = draft.column(draft.length)
    pairs = [(int(cell), count) for cell, count in zip(told, draft.counts, strict=True) if cell.isdecimal()]
    return any(8 < number < 16 and FD_LENGTHS[number] == count for number, count in pairs)


def _flags_and_bus(draft: Draft, taken: set[int], wishes: Wishes) -> tuple[tuple[FlagColumn, ...], int | None]:
    """Columns that tell the kind of frame, and the bus."""
    if wishes.is_whole:
        said = [(place, role) for role, place in wishes.places.items() if role in FLAG_ROLES]
        return tuple(_flag_column(draft, column, role) for column, role in said), wishes.places.get("bus")
    flags, bus = [], wishes.places.get("bus")
    for column in range(max(map(len, draft.rows))):
        words = Counter(draft.column(column))
        if (
            column in taken
            or len(words) > 16
            or (column > draft.data and draft.bytes_are is Bytes.REST and draft.length is None)
        ):
            continue
        role = next(
            (role for role, place in wishes.places.items() if place == column), draft.names.get(column, ("", ""))[0]
        )
        if role in FLAG_ROLES:
            flags.append(_flag_column(draft, column, role))
        elif bus is None and (role == "bus" or (not role and all(_BUS_WORD.fullmatch(word) for word in words))):
            bus = column
        elif not role and any(bits_of("kind", word) and not ID.fullmatch(word) for word in words):
            flags.append(_flag_column(draft, column, "kind"))
    return tuple(flags[:8]), bus


def _flag_column(draft: Draft, column: int, role: str) -> FlagColumn:
    counted = Counter(draft.column(column))
    met = {word: bits_of(role, word) for word, _ in counted.most_common(16)}
    spoken = {word: bits for word, bits in met.items() if bits is not None}
    is_strict = role != "kind" or sum(counted[word] for word in spoken) > 0.7 * len(draft.rows)
    return FlagColumn(
        column=column, role=role, words=spoken if is_strict else {w: bits or 0 for w, bits in met.items()}
    )


def _reasons(draft: Draft, layout: FrameTextLayout) -> list[str]:
    """What was taken and why, one line each."""
    assert draft.time is not None  # _settled has found it
    base = {16: "hexadecimal", 10: "decimal"}
    reasons = [f"columns are separated by {_DELIMITER_NAMES[draft.delimiter]}", f"time: {draft.time.reason}"]
    distinct = len(set(draft.column(draft.identifier)))
    reasons.append(
        f"identifier: column {draft.identifier + 1}, {base[layout.id_base]}; {distinct} in {len(draft.rows)} lines"
    )
    told = "" if draft.length is None else f", as many as column {draft.length + 1} says"
    reasons.append(f"data: from column {draft.data + 1} on, {base[layout.byte_base]}, {draft.bytes_are.value}{told}")
    if layout.bus is not None:
        reasons.append(f"bus: column {layout.bus + 1}")
    reasons += [f"kind of frame: column {flag.column + 1} ({', '.join(list(flag.words)[:4])})" for flag in layout.flags]
    return reasons
