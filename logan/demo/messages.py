"""The CAN messages of the demo vehicle, all invented: ``demo.dbc`` and ``channels.toml`` beside this file, packed here.

The packing shares no code with ``logan.frames``; it is byte-aligned and plain.
"""

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.units import FloatArray

_MESSAGE: Final = re.compile(r"BO_ (\d+) (\w+):")
_SIGNAL: Final = re.compile(r' SG_ (\w+) (?:m(\d) )?: (\d+)\|(\d+)@([01])([+-]) \(([^,]+),([^)]+)\) \[.*?\] "(.*?)"')
_PER_SI: Final = {"%": 100.0, "rpm": 60.0 / (2.0 * np.pi), "km/h": 3.6, "hPa": 0.01, "km": 0.001}
"""Units of the demo's signals that are not those of the twin's channels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoSignal:
    """One byte-aligned signal.

    Parameters
    ----------
    name, channel : str
        Name on the bus, and the twin's channel behind it.
    byte, size : int
        First byte and number of bytes.
    scale, offset : float
        Physical = raw x scale + offset.
    factor : float
        Physical = SI x factor.
    multiplex : int or None
        Multiplexer value under which it is sent.
    """

    name: str
    channel: str
    byte: int
    size: int
    scale: float
    offset: float
    factor: float
    is_signed: bool
    is_motorola: bool
    multiplex: int | None

    def raw(self, value_si: FloatArray) -> NDArray[np.int64]:
        """Raw integers, clipped to what fits."""
        bits = 8 * self.size
        low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if self.is_signed else (0, 2**bits - 1)
        return np.clip(np.round((value_si * self.factor - self.offset) / self.scale), low, high).astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoMessage:
    """One message; its times are those of its first signal's channel, its first byte may choose what it holds."""

    can_id: int
    is_extended: bool
    signals: tuple[DemoSignal, ...]


def demo_text(name: str) -> str:
    """A file of the demo: ``build.toml``, ``channels.toml`` or ``demo.dbc``."""
    return files("logan.demo").joinpath(name).read_text(encoding="utf-8")


@cache
def demo_messages() -> tuple[DemoMessage, ...]:
    """The messages, in the order of the DBC."""
    channels = {about["signal"]: name for name, about in tomllib.loads(demo_text("channels.toml"))["channels"].items()}
    found = []
    for block in demo_text("demo.dbc").split("\n\n"):
        if (head := _MESSAGE.match(block)) is None:
            continue
        signals = tuple(
            DemoSignal(
                name=name,
                channel=channels[f"{head[2]}.{name}"],
                byte=int(start) // 8,
                size=int(bits) // 8,
                scale=float(scale),
                offset=float(offset),
                factor=_PER_SI.get(unit, 1.0),
                is_signed=sign == "-",
                is_motorola=order == "0",
                multiplex=int(multiplex) if multiplex else None,
            )
            for name, multiplex, start, bits, order, sign, scale, offset, unit in _SIGNAL.findall(block)
        )
        can_id = int(head[1])
        found.append(DemoMessage(can_id=can_id & 0x7FFFFFFF, is_extended=can_id >= 2**31, signals=signals))
    return tuple(found)


def pack(
    message: DemoMessage, measured: dict[str, tuple[FloatArray, FloatArray]]
) -> tuple[FloatArray, NDArray[np.uint8]]:
    """Frames of one message.

    Returns
    -------
    time_s : ndarray, shape (n,)
        [s]
    payload : ndarray of uint8, shape (n, 8)
        Data.
    """
    time_s = measured[message.signals[0].channel][0]
    payload = np.zeros((time_s.size, 8), dtype=np.uint8)
    which = np.arange(time_s.size) % 2
    if message.signals[0].multiplex is not None:
        payload[:, 0] = which
    for signal in message.signals:
        raw = signal.raw(np.interp(time_s, *measured[signal.channel]))
        rows = slice(None) if signal.multiplex is None else np.flatnonzero(which == signal.multiplex)
        for k in range(signal.size):
            shift = 8 * (signal.size - 1 - k if signal.is_motorola else k)
            payload[rows, signal.byte + k] = ((raw >> shift) & 0xFF).astype(np.uint8)[rows]
    return time_s, payload


def candump_lines(measured: dict[str, tuple[FloatArray, FloatArray]], start_s: float, bus: str = "can0") -> list[str]:
    """A drive as candump log lines, in the order of time."""
    times, texts = [], []
    for message in demo_messages():
        time_s, payload = pack(message, measured)
        identifier = f"{message.can_id:08X}" if message.is_extended else f"{message.can_id:03X}"
        times.append(time_s)
        data = payload.tobytes().hex().upper()
        texts.append([f" {bus} {identifier}#{data[16 * k : 16 * k + 16]}" for k in range(time_s.size)])
    all_times = np.concatenate(times) + start_s
    flat = [text for part in texts for text in part]
    order = np.argsort(all_times, kind="stable")
    return [f"({all_times[k]:.6f}){flat[k]}" for k in order.tolist()]
