"""From mapped channels to a drive: clock repaired, skew corrected, missing channels derived."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from logan.channels.mapped import MappedChannels
from logan.channels.mapping import FIRST_ABSOLUTE_NS
from logan.drive.clock import repair_clock
from logan.drive.drive import Channel, Drive, DriveConditions, LogSource, step_between
from logan.drive.elevation import anchored_to_satellites, barometric_elevation, with_uncertainty
from logan.drive.merge import Channels, merge_sources
from logan.drive.skew import LagEstimate, contactor_open_offset, current_lag
from logan.errors import ChannelError
from logan.numerics import integrate, union_times
from logan.results import DataFlag, Estimate, Step
from logan.settings import AnalysisSettings, BuildSettings
from logan.units.sentences import measure


def assemble_drive(
    mapped: MappedChannels | Sequence[MappedChannels],
    *,
    conditions: DriveConditions | None = None,
    settings: BuildSettings | None = None,
    analysis: AnalysisSettings | None = None,
    sources: tuple[LogSource, ...] = (),
    dbcs: tuple[LogSource, ...] = (),
) -> Drive:
    """Assemble a drive from the channels of one log, or of several whose clocks differ.

    The first source leads: its clock is the drive's, and its channel wins where two
    sources carry the same one. Every repair is a ``Step`` of the drive's history.

    Parameters
    ----------
    mapped : MappedChannels or sequence of them
        One per clock.
    conditions : DriveConditions, optional
        What the driver noted.
    settings : BuildSettings, optional
        Gearing and tyre, for speed from motor speed.
    analysis : AnalysisSettings, optional
        Which corrections may be made.
    sources, dbcs : tuple of LogSource
        Where the channels come from.

    Raises
    ------
    ChannelError
        If there is no sample at all, or the clocks of two sources cannot be aligned.
    """
    parts = (mapped,) if isinstance(mapped, MappedChannels) else tuple(mapped)
    wanted = analysis or AnalysisSettings()
    clocked = [repair_clock(part.channels) for part in parts]
    channels, start_ns, steps, clock_flags = _on_one_clock([repaired for repaired, _ in clocked if repaired])
    own = (step for part, (_, repairs) in zip(parts, clocked, strict=True) for step in (*part.steps, *repairs))
    history = [*own, *steps]
    corrected, steps = _correct(channels, wanted)
    derived, derived_steps = derive_channels(corrected, settings)
    channels = {**corrected, **derived}
    channels, level_steps = _level(channels, wanted)
    return Drive(
        channels=channels,
        start_ns=start_ns,
        sources=sources,
        dbcs=dbcs,
        history=(*history, *steps, *derived_steps, *level_steps),
        conditions=conditions or DriveConditions(),
        import_flags=tuple(clock_flags),
        is_averaged=any(
            channel.is_averaged
            for part in parts
            for name, channel in part.channels.items()
            if name in {"pack_current", "pack_voltage", "pack_power"}
        ),
    )


def _on_one_clock(clocked: Sequence[Channels]) -> tuple[dict[str, Channel], int | None, list[Step], list[DataFlag]]:
    if not clocked:
        raise ChannelError(
            "the log has no sample of any channel in the map",
            "Check the channel map against the log with 'logan channels'",
        )
    merged, steps, flags = merge_sources(clocked)
    origin_ns = min(int(samples.time_ns[0]) for samples in merged.values())
    channels = {
        name: Channel(
            name=name,
            time_s=np.asarray(samples.time_ns - origin_ns, dtype=np.float64) / 1e9,
            value=samples.value,
            source=samples.source,
        )
        for name, samples in merged.items()
    }
    return channels, origin_ns if origin_ns >= FIRST_ABSOLUTE_NS else None, steps, flags


def _correct(channels: Mapping[str, Channel], wanted: AnalysisSettings) -> tuple[dict[str, Channel], list[Step]]:
    """Correct what the data shows to be wrong and the settings allow."""
    current, steps = dict(channels), list[Step]()
    if wanted.correct_skew and {"pack_voltage", "pack_current"} <= current.keys():
        lag = current_lag(current["pack_voltage"], current["pack_current"])
        if isinstance(lag, LagEstimate) and lag.is_significant:
            old = current["pack_current"]
            moved = {**current, "pack_current": replace(old, time_s=old.time_s - lag.lag_s)}
            detail = f"pack_current moved {-lag.lag_s:+.3f} s (90 % interval {-lag.high_s:+.3f} to {-lag.low_s:+.3f} s)"
            reason = f"voltage follows the current of that moment best (R2 {lag.r2_ratio:.2f})"
            steps.append(_measured_step("shift_current", detail, reason, current, moved))
            current = moved
    if wanted.correct_current_zero and "pack_current" in current:
        offset = contactor_open_offset(current)
        if isinstance(offset, Estimate) and offset.sigma is not None and abs(offset.value) > 2.0 * offset.sigma:
            old = current["pack_current"]
            moved = {**current, "pack_current": replace(old, value=old.value - offset.value)}
            detail = f"{-offset.value:+.2f} A on pack_current"
            steps.append(_measured_step("zero_current", detail, offset.source, current, moved))
            current = moved
    return current, steps


def _level(channels: dict[str, Channel], wanted: AnalysisSettings) -> tuple[dict[str, Channel], list[Step]]:
    """Give the elevation its uncertainty, and the barometer's shape where that is better."""
    elevation, pressure = channels.get("elevation"), channels.get("barometric_pressure")
    if elevation is None or elevation.is_derived or not np.isfinite(elevation.value).any():
        return channels, []
    elevation = with_uncertainty(elevation, channels.get("speed"))
    channels = {**channels, "elevation": elevation}
    if pressure is None or not wanted.level_barometer or not np.isfinite(pressure.value).any():
        return channels, []
    levelled = anchored_to_satellites(barometric_elevation(pressure, channels.get("ambient_temperature")), elevation)
    if levelled.sigma is None or elevation.sigma is None or levelled.sigma >= elevation.sigma:
        return channels, []
    step = Step(
        action="level_elevation",
        detail=f"shape from the barometer, level from {elevation.source or 'the logged elevation'}; one standard "
        f"uncertainty {measure(levelled.sigma, 'm', '.1f')} instead of {measure(elevation.sigma, 'm', '.1f')}",
        reason="a barometer follows hills better than satellites do, and satellites do not drift with the weather",
        channels=("elevation",),
    )
    return {**channels, "elevation": levelled}, [step]


def _measured_step(
    action: str, detail: str, reason: str, before: Mapping[str, Channel], after: Mapping[str, Channel]
) -> Step:
    """A step with the net energy before and after, and what that is per distance."""
    step = step_between(before, after, action=action, detail=detail, reason=reason, channels=("pack_current",))
    speed = before.get("speed")
    if step.net_wh_before is None or step.net_wh_after is None or speed is None:
        return step
    distance_m = integrate(speed.time_s, np.abs(speed.value), max_gap_s=speed.max_gap_s).total
    if distance_m <= 100.0:
        return step
    change = measure((step.net_wh_after - step.net_wh_before) * 1000.0 / distance_m, "Wh/km", "+.2f")
    return replace(step, detail=f"{detail}; {change}")


_WHEEL_SLIP_RATIO = 0.01
_PACK_METER_RATIO = 0.014
"""Power and voltage are each good to 1 % (common practice)."""


def derive_channels(
    channels: Mapping[str, Channel], settings: BuildSettings | None
) -> tuple[dict[str, Channel], tuple[Step, ...]]:
    """Work out speed, pack current, and elevation where they are missing and can be had.

    Parameters
    ----------
    channels : mapping of str to Channel
        What was logged.
    settings : BuildSettings or None
        Gearing and tyre, for speed from motor speed.

    Returns
    -------
    derived : dict of str to Channel
        Only the new ones.
    steps : tuple of Step
        One for each.
    """
    derived: dict[str, Channel] = {}
    steps: list[Step] = []
    for name, found in (
        ("speed", _speed(channels, settings)),
        ("pack_current", _current(channels)),
        ("elevation", _elevation(channels)),
    ):
        if name in channels or found is None:
            continue
        derived[name] = found
        sigma = f", one standard uncertainty {found.sigma:.2g} {found.unit}" if found.sigma is not None else ""
        steps.append(
            Step(
                action="derive",
                detail=f"{name} from {found.source}{sigma}",
                reason=f"the log has no {name}",
                channels=(name,),
            )
        )
    return derived, tuple(steps)


def _speed(channels: Mapping[str, Channel], settings: BuildSettings | None) -> Channel | None:
    """Road speed from the wheels, else from satellites, else from motor speed, gearing and tyre. [m/s]"""
    wheels = [channels[name] for name in sorted(channels) if name == "wheel_speed" or name.startswith("wheel_speed_")]
    wheels = [wheel for wheel in wheels if wheel.time_s.size]
    if wheels:
        time_s = wheels[0].time_s
        values = np.stack([wheel.at(time_s) for wheel in wheels])
        known = np.isfinite(values)
        total = np.where(known, values, 0.0).sum(axis=0)
        mean = np.where(known.any(axis=0), total / np.maximum(known.sum(axis=0), 1), np.nan)
        return Channel(
            name="speed", time_s=time_s, value=mean, source=f"mean of {len(wheels)} wheel speeds", is_derived=True,
            sigma=_relative_sigma(mean, _WHEEL_SLIP_RATIO),
        )  # fmt: skip
    gnss = channels.get("gnss_speed")
    if gnss is not None and gnss.time_s.size:
        return Channel(
            name="speed", time_s=gnss.time_s, value=gnss.value, source="gnss_speed", is_derived=True, sigma=gnss.sigma
        )
    motor = channels.get("motor_speed")
    if motor is None or settings is None or not motor.time_s.size:
        return None
    circumference = settings.vehicle.tyre_rolling_circumference_m
    metres_per_rad = circumference.value / (2.0 * np.pi * settings.powertrain.gearing.total_ratio)
    value = np.abs(motor.value) * metres_per_rad
    ratio = float(np.hypot(circumference.sigma / circumference.value, _WHEEL_SLIP_RATIO))
    return Channel(
        name="speed", time_s=motor.time_s, value=value, source="motor_speed, gearing and tire circumference",
        is_derived=True, sigma=_relative_sigma(value, ratio),
    )  # fmt: skip


def _current(channels: Mapping[str, Channel]) -> Channel | None:
    """Pack current from power and voltage; positive on discharge as they are. [A]"""
    power, voltage = channels.get("pack_power"), channels.get("pack_voltage")
    if power is None or voltage is None or not power.time_s.size or not voltage.time_s.size:
        return None
    time_s = union_times(power.time_s, voltage.time_s)
    volts = voltage.at(time_s)
    value = power.at(time_s) / np.where(volts > 1.0, volts, np.nan)
    return Channel(
        name="pack_current", time_s=time_s, value=value, source="pack_power / pack_voltage", is_derived=True,
        sigma=_relative_sigma(value, _PACK_METER_RATIO),
    )  # fmt: skip


def _elevation(channels: Mapping[str, Channel]) -> Channel | None:
    pressure = channels.get("barometric_pressure")
    if pressure is None or not np.isfinite(pressure.value).any():
        return None
    return barometric_elevation(pressure, channels.get("ambient_temperature"))


def _relative_sigma(value: np.ndarray[tuple[int], np.dtype[np.float64]], ratio: float) -> float:
    """Uncertainty at the middle of the moving values."""
    moving = np.abs(value[np.isfinite(value) & (np.abs(value) > 1.0)])
    return ratio * float(np.median(moving)) if moving.size else ratio
