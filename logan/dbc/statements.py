"""The statements of a DBC, read one by one: what cannot be read costs itself alone and is listed with its line.

Every pattern runs in time linear in the text, and nothing is unfolded: a range of selector values stays
a range, a message of any declared length costs nothing.
"""

import re
from dataclasses import dataclass, field
from typing import Final

MOST_SIGNALS: Final = 250_000
"""A DBC that defines more is refused: no vehicle has so many, and each is held in memory."""
MOST_FAULTS: Final = 1_000
NO_MESSAGE: Final = 0xC000_0000
"""Number that tools give to signals which belong to no message."""

_KEYWORD: Final = (
    r"(?:BA_\w*|BO_(?:TX_BU_)?|BS_|BU_\w*|CAT_\w*|CM_|ENVVAR_DATA_|EV_\w*|FILTER|NS_\w*|SGTYPE_\w*|SG_MUL_VAL_|SG_"
    r"|SIG\w*_|VAL_(?:TABLE_)?|VERSION)"
)
_START: Final = re.compile(rf"(?:\s|//[^\n]*+)*+({_KEYWORD})(?!\w)")
_NEXT: Final = re.compile(rf"^[ \t]*(?={_KEYWORD}(?!\w))", re.MULTILINE)
_STRING: Final = r'"((?:\\"|[^"])*+)"'
_NUMBER: Final = r"([-+]?(?:\d{1,40}+\.?+\d{0,40}+|\.\d{1,40}+)(?:[eE][+-]?\d{1,4}+)?)"
_INTEGER: Final = r"(\d{1,10}+)(?!\d)"
_STATEMENTS: Final = {
    keyword: re.compile(pattern)
    for keyword, pattern in {
        "BO_": rf"\s+{_INTEGER}\s+(\w+)\s*:\s*{_INTEGER}(?:[ \t]+(?!SG_|BO_)\w+)?",
        "SG_": rf"\s*(\w+)(?:\s+(M|m\d{{1,10}}+M?))?\s*:\s*{_INTEGER}\s*\|\s*{_INTEGER}\s*@\s*([01])\s*([+-])"
        rf"\s*\(\s*{_NUMBER}\s*,\s*{_NUMBER}\s*\)\s*\[\s*{_NUMBER}\s*\|\s*{_NUMBER}\s*\]\s*{_STRING}"
        r"(?:(?:[ \t]+|[ \t]*,\s*)(?!SG_|BO_)\w+)*+",
        "CM_": rf"\s*(?:SG_\s+{_INTEGER}\s+(\w+)\s*|BO_\s+{_INTEGER}\s*|(?:BU_|EV_)\s*\w+\s*)?{_STRING}\s*;",
        "VAL_": rf"\s+(?:{_INTEGER}\s+)?(\w+)((?:\s*{_NUMBER}\s*{_STRING})*+)\s*;",
        "SIG_VALTYPE_": rf"\s+{_INTEGER}\s+(\w+)\s*:?\s*([0-3])\s*;",
        "SG_MUL_VAL_": rf"\s+{_INTEGER}\s+(\w+)\s+(\w+)((?:\s*,?\s*\d{{1,10}}+\s*-\s*\d{{1,10}}+)++)\s*;",
        "BA_": rf"\s*{_STRING}\s*(?:(BO_|SG_)\s+{_INTEGER}\s+(?:([A-Za-z_]\w*)\s+)?|(?:BU_|EV_)\s*\w+\s+)?"
        rf"(?:{_STRING}|{_NUMBER})\s*;",
        "BA_DEF_": rf"\s*(?:BO_|SG_|BU_|EV_)?\s*{_STRING}\s*(\w+)((?:\s*,?\s*(?:{_STRING}|{_NUMBER}))*+)\s*;",
        "BA_DEF_DEF_": rf"\s*{_STRING}\s*(?:{_STRING}|{_NUMBER})\s*;",
        "VERSION": rf"\s*{_STRING}",
        "NS_": r"\s*:[\w\s]*?(?=\b(?:BS_|BU_)\s*:|\bBO_\s+\d|\Z)",
        "BS_": r"\s*:[^\n]*+",
        "BU_": rf"\s*:(?:\s*(?!{_KEYWORD}(?!\w))\w++)*+",
    }.items()
}
_OTHER: Final = re.compile(rf'(?:"(?:\\"|[^"])*+"|[^";\n]|\n(?!\s*{_KEYWORD}(?!\w)))*+;')
_PAIR: Final = re.compile(rf"{_NUMBER}\s*{_STRING}")
_RANGE: Final = re.compile(r"(\d+)\s*-\s*(\d+)")
_TEXT: Final = re.compile(_STRING)
_GAP: Final = re.compile(r"\s*+")
_BLANK: Final = re.compile(r"[\s\x00\x1a]*+\Z")
_FRAME_FORMATS: Final = ["StandardCAN", "ExtendedCAN", "reserved", "J1939PG"]


@dataclass(slots=True)
class SignalStatement:
    """``SG_``, with what other statements say about the signal."""

    name: str
    marker: str
    start: int
    length: int
    is_little_endian: bool
    is_signed: bool
    scale: float
    offset: float
    minimum: float
    maximum: float
    unit: str
    comment: str = ""
    long_name: str = ""
    is_float: bool = False
    choices: dict[int, str] = field(default_factory=dict)
    ranges: dict[str, list[tuple[int, int]]] = field(default_factory=dict)


@dataclass(slots=True)
class MessageStatement:
    """``BO_``, with its signals and what other statements say about it."""

    number: int
    name: str
    length: int
    signals: list[SignalStatement] = field(default_factory=list)
    comment: str = ""
    long_name: str = ""
    frame_format: str = ""
    by_name: dict[str, SignalStatement] = field(default_factory=dict)


@dataclass(slots=True)
class Statements:
    """What a DBC says, before it is judged."""

    messages: list[MessageStatement] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    fault_count: int = 0
    signal_count: int = 0
    protocol: str = ""
    frame_format: str = ""
    enumerations: dict[str, list[str]] = field(default_factory=dict)

    def fault(self, text: str) -> None:
        """Note one thing that is wrong."""
        self.fault_count += 1
        if len(self.faults) < MOST_FAULTS:
            self.faults.append(text)


def read_statements(text: str) -> Statements:
    """Read every statement of a DBC that can be read; the others are in ``faults``, with their line.

    Parameters
    ----------
    text : str
        Content of the file. Reading stops behind 250,000 signals.
    """
    said = Statements()
    later: list[tuple[str, re.Match[str], int]] = []
    at = counted = 0
    line = 1
    while not _BLANK.match(text, at) and said.signal_count <= MOST_SIGNALS:
        start = _START.match(text, at)
        found = _STATEMENTS.get(start[1], _OTHER).match(text, start.end()) if start else None
        place = start.start(1) if start else at + len(_GAP.match(text, at)[0])  # type: ignore[index]
        line += text.count("\n", counted, place)
        counted = place
        if start is None or found is None:
            end = text.find("\n", place)
            end = end if end >= 0 else len(text)
            said.fault(f"line {line} cannot be read and is left out: {text[place : min(end, place + 60)].strip()}")
            follows = _NEXT.search(text, end)
            at = follows.start() if follows else len(text)
            continue
        at = found.end()
        if start[1] == "BO_":
            said.messages.append(MessageStatement(int(found[1]), found[2], int(found[3])))
        elif start[1] == "SG_":
            _add_signal(said, found, line)
        elif start[1] in _ABOUT:
            later.append((start[1], found, line))
    messages: dict[int, list[MessageStatement]] = {}
    for message in said.messages:
        messages.setdefault(message.number, []).append(message)
    for keyword, found, line in sorted(later, key=lambda each: each[0] == "BA_"):
        _ABOUT[keyword](said, messages, found, line)
    return said


def number(text: str) -> float:
    """A number as written: whole where it is written so, because whole scales keep whole values whole."""
    try:
        return int(text)
    except ValueError:
        return float(text)


def _unquoted(text: str) -> str:
    return text.replace('\\"', '"')


def _add_signal(said: Statements, found: re.Match[str], line: int) -> None:
    if not said.messages:
        said.fault(f"line {line}: the signal {found[1]} belongs to no message and is left out")
        return
    message = said.messages[-1]
    name, marker, start, length, order, sign, *numbers, unit = found.groups()
    scale, offset, minimum, maximum = map(number, numbers)
    is_little_endian, is_signed = order == "1", sign == "-"
    if name in message.by_name:
        said.fault(f"line {line}: {message.name} has two signals {name}; the second is left out")
        return
    place = (int(start), int(length), is_little_endian, is_signed)
    signal = SignalStatement(name, marker or "", *place, scale, offset, minimum, maximum, _unquoted(unit))
    message.signals.append(signal)
    message.by_name[name] = signal
    said.signal_count += 1


_Messages = dict[int, list[MessageStatement]]


def _named(
    said: Statements, messages: _Messages, name: str, frame: str, keyword: str, line: int
) -> list[SignalStatement]:
    """The signals that a statement is about; a fault where there is none."""
    found = [message.by_name[name] for message in messages.get(int(frame), ()) if name in message.by_name]
    if not found and int(frame) != NO_MESSAGE:
        said.fault(f"line {line}: {keyword} is about a signal {frame} {name} that is not defined, and is left out")
    return found


def _comment(said: Statements, messages: _Messages, found: re.Match[str], line: int) -> None:
    frame_of_signal, name, frame, text = found.groups()
    for message in messages.get(int(frame_of_signal or frame or -1), ()):
        about = message.by_name.get(name) if name else message
        if about is not None:
            about.comment = _unquoted(text)


def _choices(said: Statements, messages: _Messages, found: re.Match[str], line: int) -> None:
    if found[1] is None:
        return  # of an environment variable
    # A value that no 64 bits hold is none that a log can have.
    pairs = [(value, text) for number, text in _PAIR.findall(found[3]) if abs(value := float(number)) < 2.0**64]
    for signal in _named(said, messages, found[2], found[1], "VAL_", line):
        signal.choices = {int(value): _unquoted(text) for value, text in pairs}


def _value_type(said: Statements, messages: _Messages, found: re.Match[str], line: int) -> None:
    for signal in _named(said, messages, found[2], found[1], "SIG_VALTYPE_", line):
        signal.is_float = found[3] in "12"


def _selector_values(said: Statements, messages: _Messages, found: re.Match[str], line: int) -> None:
    ranges = [(int(first), int(last)) for first, last in _RANGE.findall(found[4])]
    for signal in _named(said, messages, found[2], found[1], "SG_MUL_VAL_", line):
        signal.ranges[found[3]] = ranges


def _default(said: Statements, messages: _Messages, found: re.Match[str], line: int) -> None:
    name, text, plain = found.groups()
    if name == "VFrameFormat":
        said.frame_format = _choice(said, name, text if text is not None else plain)


def _definition(said: Statements, messages: _Messages, found: re.Match[str], line: int) -> None:
    if found[2] == "ENUM":
        said.enumerations[found[1]] = _TEXT.findall(found[3])


def _attribute(said: Statements, messages: _Messages, found: re.Match[str], line: int) -> None:
    attribute, kind, frame, name, text, plain = found.groups()
    value = _choice(said, attribute, text if text is not None else plain)
    if kind is None and attribute == "ProtocolType":
        said.protocol = value
    for message in messages.get(int(frame), ()) if frame else ():
        if kind == "BO_" and attribute == "SystemMessageLongSymbol":
            message.long_name = value
        elif kind == "BO_" and attribute == "VFrameFormat":
            message.frame_format = value
        elif attribute == "SystemSignalLongSymbol" and name in message.by_name:
            message.by_name[name].long_name = value


def _choice(said: Statements, attribute: str, value: str) -> str:
    """The word of an enumeration that is given by its number."""
    words = said.enumerations.get(attribute) or (_FRAME_FORMATS if attribute == "VFrameFormat" else ())
    return words[int(value)] if value.isdecimal() and int(value) < len(words) else value


_ABOUT: Final = {
    "CM_": _comment,
    "VAL_": _choices,
    "SIG_VALTYPE_": _value_type,
    "SG_MUL_VAL_": _selector_values,
    "BA_DEF_": _definition,
    "BA_DEF_DEF_": _default,
    "BA_": _attribute,
}
