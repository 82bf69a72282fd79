"""Invented ways to write a log of CAN frames as text: random separators, columns, orders, widths, units and flags.

The traffic is invented too: a few identifiers, each with its own length and period. What a dialect keeps of the times
is its resolution; all else must come back exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from random import Random

from tests.logs.harness import Frame

NS = {"s": 1_000_000_000, "ms": 1_000_000, "us": 1_000, "ns": 1}
START_NS = 1_715_776_230_250_000_000


def traffic(random: Random, count: int = 150, *, has_extended: bool | None = None) -> list[Frame]:
    """Frames in order of time, with identifiers of any number of digits."""
    ids = random.sample(range(0x10, 0x7FF), random.randint(3, 9))
    with_long = random.random() < 0.5 if has_extended is None else has_extended
    long_ids = [random.randrange(0x10000000, 0x1FFFFFFF) for _ in range(random.randint(1, 3))] if with_long else []
    # A bus of electric parts has one message at least that comes every 10 to 100 ms.
    kinds = [
        (
            each,
            each > 0x7FF,
            random.choice((8, 8, 8, 8, 6, 4, 2, 1, 3, 7)),
            random.choice((10, 20, 50, 100, 200)) * 1_000_000,
        )
        for each in (*ids, *long_ids)
    ]
    kinds[0] = (*kinds[0][:3], 10_000_000)
    frames = []
    for can_id, is_extended, length, period_ns in kinds:
        phase, data = random.randrange(period_ns), bytearray(random.randbytes(length))
        for step in range(count * 10_000_000 // period_ns):
            data[random.randrange(length)] = random.randrange(256)
            jitter = random.randrange(-period_ns // 50, period_ns // 50)
            time_ns = max(phase + step * period_ns + jitter, 0) // 1000 * 1000
            frames.append(Frame(time_ns, can_id, bytes(data), is_extended))
    frames.sort(key=lambda frame: frame.time_ns)
    return frames


@dataclass
class Dialect:
    """One way to write frames; ``resolution_ns`` is what it keeps of the times."""

    name: str
    resolution_ns: int
    write: Callable[[list[Frame]], str]
    is_dated: bool = False
    has_bus: bool = False
    columns: list[str] = field(default_factory=list)


def _time_writer(random: Random) -> tuple[str, int, Callable[[int], str], bool]:
    """Name, resolution, writer of a time, and whether it is absolute."""
    unit = random.choice(("s", "s", "ms", "ms", "us", "ns"))
    kind = random.choice(("number", "number", "number", "number", "clock", "date"))
    shift_ns = random.choice((0, 0, 48_650_000_000_000, 1_493_397_000_000_000, START_NS))
    if kind == "number":
        decimals = {"s": random.choice((3, 4, 6)), "ms": random.choice((0, 0, 1, 3)), "us": 0, "ns": 0}[unit]
        comma = random.random() < 0.15
        sign = -1 if random.random() < 0.05 and not decimals else 1
        keeps_ns = NS[unit] // 10**decimals

        def number(time_ns: int) -> str:
            ticks = (time_ns + shift_ns) // keeps_ns
            if sign < 0:
                return f"-{(4_000_000_000_000_000_000 - time_ns) // keeps_ns}"
            whole, part = divmod(ticks, 10**decimals)
            text = f"{whole}.{part:0{decimals}d}" if decimals else f"{whole}"
            return text.replace(".", ",") if comma else text

        return f"{unit}{decimals}{',' if comma else ''}", keeps_ns, number, sign > 0
    mark, digits = random.choice((".", ".", ":", ",")), random.choice((3, 6))
    form = random.choice(("%Y-%m-%d {}", "%Y-%m-%dT{}", "%Y/%m/%d {}", "%d.%m.%Y {}")) if kind == "date" else "{}"

    def clock(time_ns: int) -> str:
        seconds, rest = divmod(time_ns + START_NS, NS["s"])
        moment = datetime.fromtimestamp(seconds, tz=UTC)
        of_day = f"{moment:%H:%M:%S}{mark}{rest // 10 ** (9 - digits):0{digits}d}"
        return moment.strftime(form).format(of_day)

    return f"{kind}{mark}{digits}", 10 ** (9 - digits), clock, kind == "date"


def _id_writer(random: Random) -> tuple[str, Callable[[Frame], str]]:
    prefix, upper = random.choice(("", "", "0x")), random.random() < 0.6
    pad = random.choice(("none", "none", "three or eight", "eight"))
    mark = random.choice(("", "", "", "x"))

    def write(frame: Frame) -> str:
        width = {"none": 1, "eight": 8}.get(pad, 8 if frame.is_extended else 3)
        text = f"{frame.can_id:0{width}{'X' if upper else 'x'}}"
        return prefix + text + (mark if frame.is_extended and pad == "none" else "")

    return f"id {prefix}{pad}{mark}", write


def _flag_writers(random: Random) -> list[tuple[str, str, Callable[[Frame], str]]]:
    words = random.choice(
        (("Std", "Ext"), ("STD", "EXT"), ("Standard frame", "Extended frame"), ("FALSE", "TRUE"), ("0", "1"))
    )
    return [
        ("Extended", "extended", lambda frame: words[frame.is_extended]),
        (random.choice(("Dir", "Direction")), "-", lambda frame: "Rx"),
        (random.choice(("Ch", "Bus", "Channel")), "bus", lambda frame: "1"),
    ]


def random_dialect(seed: int) -> tuple[Dialect, list[Frame]]:
    """A dialect and frames to write in it."""
    random = Random(seed)
    frames = traffic(random)
    delimiter = random.choice(("\t", ";", ",", ",", "|", " ", " ", "  ", "\0", "; ", ", "))
    is_blank = not delimiter.strip(" ")
    time_name, keeps_ns, time_of, is_dated = _time_writer(random)
    if "," in delimiter and "," in time_name:
        delimiter = ";"
    id_name, id_of = _id_writer(random)
    byte_form = random.choice(("{:02X}", "{:02X}", "{:02x}", "{:X}", "0x{:02X}"))
    columns: list[tuple[str, Callable[[Frame], str]]] = []
    columns.append((random.choice(("Time", "Timestamp", "Time Stamp", "time")), lambda frame: time_of(frame.time_ns)))
    columns.append((random.choice(("ID", "CAN ID", "Id", "Identifier", "can_id")), id_of))
    flags = [flag for flag in _flag_writers(random) if random.random() < 0.4]
    if is_blank:
        flags = [flag for flag in flags if flag[0] != "Extended"]
    columns += [(name, write) for name, _, write in flags]
    has_length = random.random() < 0.75
    if has_length:
        columns.append((random.choice(("LEN", "DLC", "Length")), lambda frame: str(len(frame.data))))
    has_counter = random.random() < 0.25
    if has_counter:
        columns.append(("No", lambda frame: "#"))
    random.shuffle(columns)
    has_header = random.random() < 0.6
    data_form = random.choice(("columns", "spaced", "joined", "dashed"))
    if delimiter.strip() in ("", "\0") and data_form == "columns":
        data_form = "spaced"
    joiner = {"spaced": " ", "joined": "", "dashed": "-"}.get(data_form, delimiter)
    if data_form == "joined":
        byte_form = random.choice(("{:02X}", "{:02x}"))
    bytes_last = data_form == "columns" or (is_blank and data_form == "spaced") or random.random() < 0.8
    data_at = len(columns) if bytes_last else random.randrange(1, len(columns) + 1)
    is_filled = data_form == "columns" and random.random() < 0.5
    tail = [("Note", lambda frame: "default")] if data_form == "columns" and is_filled and random.random() < 0.3 else []
    preamble = random.choice(("", "", "", "logger 2.1\n", "# written by a logger\n", "boot ok\nready\n"))
    brackets = random.random() < 0.2 and not has_header

    def line(number: int, frame: Frame) -> str:
        cells = [write(frame) for _, write in columns]
        cells = [str(number) if cell == "#" else cell for cell in cells]
        if brackets:
            at = next(k for k, (name, _) in enumerate(columns) if name.lower().startswith("time"))
            cells[at] = f"({cells[at]})"
        data = [byte_form.format(byte) for byte in frame.data]
        if is_filled:
            data += [""] * (8 - len(data))
        cells.insert(data_at, joiner.join(data))
        return delimiter.join([*cells, *(write(frame) for _, write in tail)])

    def write(written: list[Frame]) -> str:
        names = [name for name, _ in columns]
        names.insert(data_at, delimiter.join(f"D{k}" for k in range(1, 9)) if data_form == "columns" else "Data")
        header = delimiter.join([*names, *(name for name, _ in tail)]) + "\n" if has_header else ""
        return preamble + header + "".join(f"{line(number, frame)}\n" for number, frame in enumerate(written))

    name = (
        f"{seed}: {delimiter!r} {time_name} {id_name} {data_form} {byte_form} header={has_header} length={has_length}"
    )
    return Dialect(name, keeps_ns, write, is_dated, any(role == "bus" for _, role, _ in flags)), frames
