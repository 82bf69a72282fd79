"""Seeded CAN traffic for the ingest benchmarks: 25 identifiers, 179 signals, 1510 frames a second.

Three identifiers are extended; signals are Intel and Motorola, signed and unsigned, one of 64 bits,
some float32; three messages are multiplexed simply and one twice over.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logan.frames.table import FrameTable

START_US = 1_700_000_000 * 10**6
CACHE = Path(__file__).resolve().parents[3] / ".test-cache" / "ingest-benchmark"

# A child's ru_maxrss starts at what its parent had, so the peak is taken from where the kernel keeps the process's own.
PEAK_MB = "int(Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0]) / 1024"

# Code that keeps all frames of `log` in `out`, decoding nothing, with `n` threads.
KEEP_RAW = """
from logan.drive_library.raw_file import RawFileWriter
from logan.pipeline.ingest import read_logs
from logan.pipeline.logs_reader import Reading
with RawFileWriter(out) as raw:
    read_logs([log], Reading(dbcs=[dbc], threads=n), wanted=(), keep=raw, is_hashed=False)
    raw.finish()
"""

_PLAIN_SPLITS = (
    [[64], *[["f", "f"]] * 2, *[["f", 16, 16]] * 2, *[[16, 12, 12, 8, 8, 4, 4]] * 14, *[[8] * 8] * 2]
)  # fmt: skip
_RATES_HZ = [100] * 13 + [20] * 9 + [10] * 3


@dataclass(frozen=True)
class Traffic:
    """Frames of a log, as columns."""

    time_us: np.ndarray
    can_id: np.ndarray
    is_extended: np.ndarray
    payload: np.ndarray

    def table(self) -> FrameTable:
        count = self.time_us.size
        no = np.broadcast_to(np.False_, count)
        return FrameTable(
            time_ns=self.time_us * 1000,
            can_id=self.can_id.astype(np.uint32),
            is_extended=self.is_extended,
            is_fd=no,
            is_remote=no,
            is_error=no,
            bus=np.broadcast_to(np.uint8(0), count),
            length=np.broadcast_to(np.uint8(8), count),
            payload=self.payload,
            buses=("can0",),
        )


def identifiers() -> list[tuple[int, bool]]:
    return [(0x100 + 7 * i, False) for i in range(22)] + [(0x18FF0100 + 0x1100 * i, True) for i in range(3)]


def dbc_text() -> str:
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: X", ""]
    tail: list[str] = []
    for number, (can_id, is_extended) in enumerate(identifiers()):
        dbc_id = can_id | (0x80000000 if is_extended else 0)
        lines.append(f"BO_ {dbc_id} M{number}: 8 X")
        if number < len(_PLAIN_SPLITS):
            lines += _plain_signals(number, _PLAIN_SPLITS[number], tail, dbc_id)
        elif number < 24:
            lines += _simple_mux(number)
        else:
            lines += _extended_mux(number, tail, dbc_id)
        lines.append("")
    return "\n".join(lines + tail) + "\n"


def _start(position: int, order: int) -> int:
    return position if order == 1 else 8 * (position // 8) + 7 - position % 8


def _plain_signals(number: int, split: list, tail: list[str], dbc_id: int) -> list[str]:
    order, position, rows = number % 2, 0, []
    for index, width in enumerate(split):
        bits = 32 if width == "f" else width
        name = f"S{number}_{index}"
        sign = "-" if width == "f" or index % 3 == 1 else "+"
        scale = "1,0" if bits in (64, 4) else ("1,0" if width == "f" else f"0.{index + 1},-{10 * index}")
        rows.append(f' SG_ {name} : {_start(position, order)}|{bits}@{order}{sign} ({scale}) [0|0] "V" X')
        if width == "f":
            tail.append(f"SIG_VALTYPE_ {dbc_id} {name} : 1;")
        position += bits
    return rows


def _simple_mux(number: int) -> list[str]:
    rows = [f' SG_ Sel{number} M : 0|8@1+ (1,0) [0|0] "" X', f' SG_ Com{number} : 8|8@1+ (0.5,-40) [0|0] "degC" X']
    for value in range(4):
        for part in range(3):
            name = f"P{number}_{value}_{part}"
            rows.append(f' SG_ {name} m{value} : {16 + 16 * part}|16@1- (0.01,0) [0|0] "A" X')
    return rows


def _extended_mux(number: int, tail: list[str], dbc_id: int) -> list[str]:
    rows = [f' SG_ Top{number} M : 0|8@1+ (1,0) [0|0] "" X', f' SG_ Sub{number} m0M : 8|8@1+ (1,0) [0|0] "" X']
    tail.append(f"SG_MUL_VAL_ {dbc_id} Sub{number} Top{number} 0-0;")
    for value in range(4):
        for part in range(2):
            name = f"Q{number}_{value}_{part}"
            rows.append(f' SG_ {name} m{value} : {16 + 16 * part}|16@1+ (0.1,0) [0|0] "V" X')
            tail.append(f"SG_MUL_VAL_ {dbc_id} {name} Sub{number} {value}-{value};")
    for part in range(2):
        name = f"R{number}_{part}"
        rows.append(f' SG_ {name} m1 : {16 + 16 * part}|16@1+ (0.1,0) [0|0] "V" X')
        tail.append(f"SG_MUL_VAL_ {dbc_id} {name} Top{number} 1-1;")
    return rows


def traffic(duration_s: float, seed: int = 7) -> Traffic:
    rng = np.random.default_rng(seed)
    times, numbers, payloads = [], [], []
    for number, rate_hz in enumerate(_RATES_HZ):
        count = int(duration_s * rate_hz)
        period_us = 1_000_000 // rate_hz
        times.append(np.arange(count) * period_us + rng.integers(0, period_us // 4) + rng.integers(0, 200, count))
        numbers.append(np.full(count, number))
        payloads.append(_payload(number, count, rng))
    time_us = np.concatenate(times)
    order = np.argsort(time_us, kind="stable")
    number_of = np.concatenate(numbers)[order]
    ids = np.array([can_id for can_id, _ in identifiers()], np.uint32)
    extended = np.array([is_extended for _, is_extended in identifiers()])
    return Traffic(START_US + time_us[order], ids[number_of], extended[number_of], np.concatenate(payloads)[order])


def _payload(number: int, count: int, rng: np.random.Generator) -> np.ndarray:
    phase = np.linspace(0.0, count / 300.0, count)[:, None] * (1.0 + np.arange(8) / 3.0)
    payload = (127 + 110 * np.sin(phase + number) + rng.integers(0, 12, (count, 8))).astype(np.uint8)
    for index, width in enumerate(_PLAIN_SPLITS[number] if number < len(_PLAIN_SPLITS) else []):
        if width == "f":
            values = (400.0 * np.sin(phase[:, index])).astype("<f4" if number % 2 else ">f4")
            payload[:, 4 * index : 4 * index + 4] = values.view(np.uint8).reshape(-1, 4)
    if number >= len(_PLAIN_SPLITS):
        steps = np.arange(count)
        payload[:, 0] = steps % (2 if number == 24 else 4)
        payload[:, 1] = (steps // 2) % 4 if number == 24 else payload[:, 1]
    return payload


def candump_bytes(frames: Traffic, bus: str = "can0") -> bytes:
    seconds, micros = np.divmod(frames.time_us, 1_000_000)
    hexed = frames.payload.tobytes().hex().upper()
    ids = [
        f"{can_id:08X}" if extended else f"{can_id:03X}"
        for can_id, extended in zip(frames.can_id.tolist(), frames.is_extended.tolist(), strict=True)
    ]
    rows = zip(seconds.tolist(), micros.tolist(), ids, range(0, len(hexed), 16), strict=True)
    return "".join(f"({s}.{us:06d}) {bus} {i}#{hexed[at : at + 16]}\n" for s, us, i, at in rows).encode()


def _tabbed_text(frames: Traffic) -> str:
    """Tabs, milliseconds, padded identifiers, data in one column."""
    rows = zip(frames.time_us.tolist(), frames.can_id.tolist(), frames.payload, strict=True)
    lines = [f"RX\t{time_us // 1000}\t0x{can_id:08x}\t8\t{data.tobytes().hex(' ')}" for time_us, can_id, data in rows]
    return "\n".join(["Dir\tTime\tCAN ID\tLen\tData", *lines, ""])


def _byte_columns(frames: Traffic) -> str:
    """Commas, microseconds, a flag, one column a byte."""
    rows = zip(
        frames.time_us.tolist(), frames.can_id.tolist(), frames.is_extended.tolist(), frames.payload, strict=True
    )
    lines = [
        f"{time_us},{can_id:08X},{str(is_extended).lower()},Rx,0,8,{data.tobytes().hex(',').upper()},"
        for time_us, can_id, is_extended, data in rows
    ]
    return "\n".join(["Time Stamp,ID,Extended,Dir,Bus,LEN,D1,D2,D3,D4,D5,D6,D7,D8", *lines, ""])


INFERRED = {".tabs.txt": _tabbed_text, ".bytes.csv": _byte_columns}


def write_dbc() -> Path:
    CACHE.mkdir(parents=True, exist_ok=True)
    path = CACHE / "benchmark.dbc"
    path.write_text(dbc_text())
    return path


def write_log(suffix: str, duration_s: int, *, irregular_share: float = 0.0) -> Path:
    """A log of the traffic, kept for the next run; python-can writes all but candump."""
    CACHE.mkdir(parents=True, exist_ok=True)
    path = CACHE / f"traffic-{duration_s}s{'-irregular' if irregular_share else ''}{suffix}"
    if path.exists():
        return path
    part = path.with_name(f"part-{path.name}")
    if suffix == ".log":
        _write_candump(part, duration_s, irregular_share)
    elif suffix in INFERRED:
        part.write_text(INFERRED[suffix](traffic(duration_s)))
    else:
        _write_with_python_can(part, traffic(duration_s))
    part.rename(path)
    return path


def _write_candump(path: Path, duration_s: int, irregular_share: float) -> None:
    block_s = min(duration_s, 600)
    text = candump_bytes(traffic(block_s))
    if irregular_share:
        text = _made_irregular(text, irregular_share)
    with path.open("wb") as file:
        for start_s in range(0, duration_s, block_s):
            file.write(_moved(text, start_s))


def _moved(text: bytes, seconds: int) -> bytes:
    """The same lines, later: the ten digits of the seconds of every line are written anew."""
    characters = np.frombuffer(text, np.uint8).copy()
    starts = np.concatenate([[0], np.flatnonzero(characters == ord("\n"))[:-1] + 1])
    digits = starts[:, None] + np.arange(1, 11)
    moved = (characters[digits] - ord("0")) @ (10 ** np.arange(9, -1, -1)) + seconds
    characters[digits] = moved[:, None] // 10 ** np.arange(9, -1, -1) % 10 + ord("0")
    return characters.tobytes()


def _made_irregular(text: bytes, share: float) -> bytes:
    rng = np.random.default_rng(3)
    lines = text.splitlines(keepends=True)
    for at in np.flatnonzero(rng.random(len(lines)) < share).tolist():
        time = lines[at].split(b" ", 1)[0]
        tail = (b"can0 20000004#0000000000000000\n", b"can0 123##1" + b"AB" * 24 + b"\n", b"can0 123#R4\n")[at % 3]
        lines[at] = time + b" " + tail
    return b"".join(lines)


def _write_with_python_can(path: Path, frames: Traffic) -> None:
    import can

    with can.Logger(str(path)) as writer:
        rows = zip(
            frames.time_us.tolist(), frames.can_id.tolist(), frames.is_extended.tolist(), frames.payload, strict=True
        )
        for time_us, can_id, is_extended, payload in rows:
            writer(
                can.Message(
                    timestamp=time_us / 1e6,
                    arbitration_id=can_id,
                    is_extended_id=is_extended,
                    data=payload.tobytes(),
                    channel=0,
                )
            )


def write_mixed_blf(duration_s: int) -> Path:
    """Half of the frames CAN FD of 16 bytes, and a text marker that looks like an object every 500 frames."""
    import can

    CACHE.mkdir(parents=True, exist_ok=True)
    path = CACHE / f"mixed-{duration_s}s.blf"
    if path.exists():
        return path
    frames = traffic(duration_s)
    with can.BLFWriter(path) as writer:
        for number, (time_us, can_id) in enumerate(zip(frames.time_us.tolist(), frames.can_id.tolist(), strict=True)):
            is_fd = number % 2 == 0
            data = frames.payload[number].tobytes() * (2 if is_fd else 1)
            is_long = can_id > 0x7FF
            writer(can.Message(time_us / 1e6, can_id, is_extended_id=is_long, is_fd=is_fd, data=data, channel=0))
            if number % 500 == 0:
                writer.log_event("LOBJ in a remark", time_us / 1e6)
    return path


def into_page_cache(path: Path) -> float:
    """Read a file once; returns the seconds it took."""
    start_s = time.perf_counter()
    with path.open("rb") as file:
        while file.read(1 << 24):
            pass
    return time.perf_counter() - start_s
