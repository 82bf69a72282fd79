"""The CAN messages of the demo vehicle, all invented: packed into frames, and written as a DBC.

The packing shares no code with ``logan.frames``; it is byte-aligned and plain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logan.units import FloatArray


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
        Physical = raw x scale + offset, in ``unit``.
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
    offset: float = 0.0
    unit: str = ""
    factor: float = 1.0
    shift: float = 0.0
    is_signed: bool = False
    is_motorola: bool = False
    multiplex: int | None = None
    comment: str = ""

    def raw(self, value_si: FloatArray) -> NDArray[np.int64]:
        """Raw integers, clipped to what fits."""
        physical = value_si * self.factor + self.shift
        bits = 8 * self.size
        low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if self.is_signed else (0, 2**bits - 1)
        return np.clip(np.round((physical - self.offset) / self.scale), low, high).astype(np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoMessage:
    """One message; its times are those of its first signal's channel."""

    name: str
    can_id: int
    signals: tuple[DemoSignal, ...]
    is_extended: bool = False
    multiplexer: str = ""


_KMH = 3.6
_RPM = 60.0 / (2.0 * np.pi)


def _temperature(name: str, channel: str, byte: int) -> DemoSignal:
    return DemoSignal(name=name, channel=channel, byte=byte, size=1, scale=1.0, offset=-40.0, unit="degC")


DEMO_MESSAGES: Final = (
    DemoMessage(
        name="PackElectrical",
        can_id=0x120,
        signals=(
            DemoSignal(name="PackVolts", channel="pack_voltage", byte=0, size=2, scale=0.1, unit="V"),
            DemoSignal(
                name="PackAmps",
                channel="pack_current",
                byte=2,
                size=2,
                scale=0.1,
                unit="A",
                is_signed=True,
                comment="Pack current, positive while the pack is discharged",
            ),
        ),
    ),
    DemoMessage(
        name="PackCondition",
        can_id=0x121,
        signals=(
            DemoSignal(
                name="StateOfCharge", channel="state_of_charge", byte=0, size=1, scale=0.5, unit="%", factor=100.0
            ),
            _temperature("CellTempLow", "cell_temperature_min", 1),
            _temperature("CellTempHigh", "cell_temperature_max", 2),
            _temperature("PackTemp", "pack_temperature", 3),
            DemoSignal(name="MainContactor", channel="contactor_closed", byte=4, size=1, scale=1.0),
        ),
    ),
    DemoMessage(
        name="CellExtremes",
        can_id=0x122,
        multiplexer="Which",
        signals=(
            DemoSignal(
                name="CellVoltsLow", channel="cell_voltage_min", byte=1, size=2, scale=0.001, unit="V", multiplex=0
            ),
            DemoSignal(
                name="CellVoltsHigh", channel="cell_voltage_max", byte=1, size=2, scale=0.001, unit="V", multiplex=1
            ),
        ),
    ),
    DemoMessage(
        name="DriveUnit",
        can_id=0x210,
        signals=(
            DemoSignal(
                name="ShaftSpeed",
                channel="motor_speed",
                byte=0,
                size=2,
                scale=1.0,
                unit="rpm",
                factor=_RPM,
                is_signed=True,
                is_motorola=True,
            ),
            DemoSignal(
                name="ShaftTorque",
                channel="motor_torque",
                byte=2,
                size=2,
                scale=0.1,
                unit="Nm",
                is_signed=True,
                is_motorola=True,
            ),
            DemoSignal(
                name="TorqueAsked",
                channel="motor_torque_command",
                byte=4,
                size=2,
                scale=0.1,
                unit="Nm",
                is_signed=True,
                is_motorola=True,
            ),
        ),
    ),
    DemoMessage(
        name="DriveUnitHeat",
        can_id=0x211,
        signals=(
            _temperature("StatorTemp", "motor_temperature", 0),
            _temperature("InverterTemp", "inverter_temperature", 1),
            _temperature("CoolantIn", "coolant_temperature", 2),
            _temperature("CoolantOut", "coolant_temperature_outlet", 3),
        ),
    ),
    DemoMessage(
        name="RoadSpeed",
        can_id=0x310,
        signals=(
            DemoSignal(name="Speed", channel="speed", byte=0, size=2, scale=0.01, unit="km/h", factor=_KMH),
            DemoSignal(name="Pedal", channel="accelerator", byte=2, size=1, scale=0.5, unit="%", factor=100.0),
            DemoSignal(name="BrakeLight", channel="brake_switch", byte=3, size=1, scale=1.0),
        ),
    ),
    DemoMessage(
        name="Surroundings",
        can_id=0x320,
        signals=(
            DemoSignal(
                name="OutsideTemp", channel="ambient_temperature", byte=0, size=1, scale=0.5, offset=-40.0, unit="degC"
            ),
            DemoSignal(
                name="AirPressure", channel="barometric_pressure", byte=1, size=2, scale=0.1, unit="hPa", factor=0.01
            ),
            DemoSignal(name="Odometer", channel="odometer", byte=4, size=4, scale=0.1, unit="km", factor=0.001),
        ),
    ),
    DemoMessage(
        name="Consumers",
        can_id=0x330,
        signals=(
            DemoSignal(name="ConverterPower", channel="dcdc_power", byte=0, size=2, scale=1.0, unit="W"),
            DemoSignal(name="HeaterPower", channel="heater_power", byte=2, size=2, scale=1.0, unit="W"),
        ),
    ),
    DemoMessage(
        name="SatellitePlace",
        can_id=0x18FF4010,
        is_extended=True,
        signals=(
            DemoSignal(name="Latitude", channel="latitude", byte=0, size=4, scale=1e-7, unit="deg", is_signed=True),
            DemoSignal(name="Longitude", channel="longitude", byte=4, size=4, scale=1e-7, unit="deg", is_signed=True),
        ),
    ),
    DemoMessage(
        name="SatelliteHeight",
        can_id=0x18FF4110,
        is_extended=True,
        signals=(
            DemoSignal(name="Height", channel="elevation", byte=0, size=2, scale=0.1, offset=-500.0, unit="m"),
            DemoSignal(name="Course", channel="heading", byte=2, size=2, scale=0.01, unit="deg"),
        ),
    ),
    DemoMessage(
        name="SatelliteSpeed",
        can_id=0x18FF4210,
        is_extended=True,
        signals=(
            DemoSignal(name="GroundSpeed", channel="gnss_speed", byte=0, size=2, scale=0.01, unit="km/h", factor=_KMH),
        ),
    ),
)


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
    if message.multiplexer:
        payload[:, 0] = which
    for signal in message.signals:
        raw = signal.raw(np.interp(time_s, *measured[signal.channel]))
        rows = slice(None) if signal.multiplex is None else np.flatnonzero(which == signal.multiplex)
        for k in range(signal.size):
            shift = 8 * (signal.size - 1 - k if signal.is_motorola else k)
            payload[rows, signal.byte + k] = ((raw >> shift) & 0xFF).astype(np.uint8)[rows]
    return time_s, payload


def dbc_text() -> str:
    """The DBC that describes the messages."""
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: Pack Drive Body Logger", ""]
    comments = []
    for message in DEMO_MESSAGES:
        can_id = message.can_id | (0x80000000 if message.is_extended else 0)
        lines.append(f"BO_ {can_id} {message.name}: 8 Body")
        if message.multiplexer:
            lines.append(f' SG_ {message.multiplexer} M : 0|8@1+ (1,0) [0|1] "" Logger')
        for signal in message.signals:
            start = signal.byte * 8 + (7 if signal.is_motorola else 0)
            order, sign = ("0" if signal.is_motorola else "1"), ("-" if signal.is_signed else "+")
            multiplex = f"m{signal.multiplex} " if signal.multiplex is not None else ""
            layout = f"{start}|{8 * signal.size}@{order}{sign} ({signal.scale:.10g},{signal.offset:g})"
            lines.append(f' SG_ {signal.name} {multiplex}: {layout} [0|0] "{signal.unit}" Logger')
            if signal.comment:
                comments.append(f'CM_ SG_ {can_id} {signal.name} "{signal.comment}";')
        lines.append("")
    return "\n".join([*lines, *comments, ""])


def channels_toml() -> str:
    """The channel map of the demo: which signal is which channel."""
    lines = ["# The demo's channel map, as `logan channels LOG --write` would suggest it.", ""]
    for message in DEMO_MESSAGES:
        for signal in message.signals:
            lines += [f"[channels.{signal.channel}]", f'signal = "{message.name}.{signal.name}"']
            if not signal.unit and signal.channel in ("contactor_closed", "brake_switch"):
                lines.append('unit = "1"')
            lines.append("")
    return "\n".join(lines)


def candump_lines(measured: dict[str, tuple[FloatArray, FloatArray]], start_s: float, bus: str = "can0") -> list[str]:
    """A drive as candump log lines, in the order of time."""
    times, texts = [], []
    for message in DEMO_MESSAGES:
        time_s, payload = pack(message, measured)
        identifier = f"{message.can_id:08X}" if message.is_extended else f"{message.can_id:03X}"
        times.append(time_s)
        data = payload.tobytes().hex().upper()
        texts.append([f" {bus} {identifier}#{data[16 * k : 16 * k + 16]}" for k in range(time_s.size)])
    all_times = np.concatenate(times) + start_s
    flat = [text for part in texts for text in part]
    order = np.argsort(all_times, kind="stable")
    return [f"({all_times[k]:.6f}){flat[k]}" for k in order.tolist()]
