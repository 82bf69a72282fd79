"""Energy, RMS, I2t and regeneration worked out a second time: slowly, in plain Python, from frames.

Shares no code with logan. Frames are split by hand and decoded with cantools; between samples voltage and current
are straight lines; everything is summed with ``math.fsum`` step by step. What is not known is not bridged: a step
counts up to three usual periods, but half a second at least and two seconds at most.
"""

from __future__ import annotations

import csv
import math
import statistics
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import cantools

LEAST_KNOWN = 0.95
"""A window of which less was measured is not compared with others."""

Samples = tuple[list[float], list[float]]


def decode_candump(text: str, dbc: Path) -> dict[str, Samples]:
    """Every signal of a candump log: times [s] and values in the DBC's unit."""
    database = cantools.database.load_file(dbc)
    known = {message.frame_id: message for message in database.messages}
    found: dict[str, Samples] = {}
    for line in text.splitlines():
        stamp, _, frame = line.split()
        number, data = frame.split("#")
        message = known.get(int(number, 16))
        if message is None:
            continue
        for name, value in message.decode(bytes.fromhex(data), decode_choices=False).items():
            times, values = found.setdefault(name, ([], []))
            times.append(float(stamp.strip("()")))
            values.append(float(value))
    return found


def decode_table(path: Path, voltage: str, current: str) -> tuple[Samples, Samples]:
    """Voltage and current of the table fixture: a title line, date and clock apart, blank cells."""
    with path.open(newline="") as file:
        next(file)
        rows = list(csv.DictReader(file))
    samples: list[Samples] = []
    for column in (voltage, current):
        known = [row for row in rows if row[column]]
        times = [datetime.fromisoformat(f"{row['Date']} {row['Time']}").timestamp() for row in known]
        samples.append((times, [float(row[column]) for row in known]))
    return samples[0], samples[1]


def longest_step(times: Sequence[float]) -> float:
    usual = statistics.median(b - a for a, b in pairwise(times))
    return max(min(max(3.0 * usual, 0.5), 2.0), 1.5 * usual)


def value_at(samples: Samples, at: float, longest: float) -> float | None:
    times, values = samples
    after = bisect_right(times, at)
    if after and times[after - 1] == at:
        return values[after - 1]
    if after in (0, len(times)) or times[after] - times[after - 1] > longest:
        return None
    share = (at - times[after - 1]) / (times[after] - times[after - 1])
    return values[after - 1] + share * (values[after] - values[after - 1])


@dataclass
class Step:
    """One straight piece of a signal: from ``start`` to ``end`` [s]."""

    start: float
    end: float
    first: float
    last: float

    def between(self, start: float, end: float) -> Step | None:
        low, high = max(self.start, start), min(self.end, end)
        if high <= low:
            return None
        slope = (self.last - self.first) / (self.end - self.start)
        return Step(low, high, self.first + slope * (low - self.start), self.first + slope * (high - self.start))

    def of_one_sign(self) -> list[Step]:
        if self.first * self.last >= 0.0:
            return [self]
        zero = self.start + (self.end - self.start) * self.first / (self.first - self.last)
        return [Step(self.start, zero, self.first, 0.0), Step(zero, self.end, 0.0, self.last)]

    def area(self) -> float:
        return 0.5 * (self.first + self.last) * (self.end - self.start)

    def area_of_square(self) -> float:
        return (self.first**2 + self.first * self.last + self.last**2) / 3.0 * (self.end - self.start)


def steps_of(samples: Samples, longest: float) -> list[Step]:
    times, values = samples
    pieces = []
    for k in range(len(times) - 1):
        if 0.0 < times[k + 1] - times[k] <= longest and math.isfinite(values[k]) and math.isfinite(values[k + 1]):
            pieces += Step(times[k], times[k + 1], values[k], values[k + 1]).of_one_sign()
    return pieces


def power_steps(voltage: Samples, current: Samples) -> list[Step]:
    gaps = longest_step(voltage[0]), longest_step(current[0])
    times = sorted({*voltage[0], *current[0]})
    watts = []
    for at in times:
        volts, amperes = value_at(voltage, at, gaps[0]), value_at(current, at, gaps[1])
        watts.append(math.nan if volts is None or amperes is None else volts * amperes)
    return steps_of((times, watts), max(gaps))


@dataclass
class Energy:
    """Energies through the terminals [Wh], and the share of the drive that they were measured over."""

    net: float
    out: float
    back: float
    coverage: float


def energy(voltage: Samples, current: Samples, duration_s: float) -> Energy:
    """Net, out of the pack and back into it; what was not measured is filled at the mean."""
    areas = [(step.area(), step.end - step.start) for step in power_steps(voltage, current)]
    coverage = math.fsum(width for _, width in areas) / duration_s
    out = math.fsum(area for area, _ in areas if area > 0.0) / 3600.0 / coverage
    back = -math.fsum(area for area, _ in areas if area < 0.0) / 3600.0 / coverage
    return Energy(out - back, out, back, coverage)


def energy_back_between(voltage: Samples, current: Samples, start: float, end: float) -> float:
    """Energy put into the pack within a span [Wh]."""
    pieces = [piece for step in power_steps(voltage, current) if (piece := step.between(start, end))]
    return -math.fsum(piece.area() for piece in pieces if piece.area() < 0.0) / 3600.0


def hardest_rms(current: Samples, window_s: float, direction: str) -> float:
    """Highest RMS of a current in one direction over windows that start or end at a sample."""
    keep = {"discharge": lambda value: max(value, 0.0), "charge": lambda value: max(-value, 0.0), "both": abs}[
        direction
    ]
    pieces = [
        Step(one.start, one.end, keep(one.first), keep(one.last)) for one in steps_of(current, longest_step(current[0]))
    ]
    starts_of_pieces = [one.start for one in pieces]
    squares, widths = [0.0], [0.0]
    for one in pieces:
        squares.append(squares[-1] + one.area_of_square())
        widths.append(widths[-1] + one.end - one.start)

    def until(at: float) -> tuple[float, float]:
        """Square and known time from the beginning to an instant."""
        index = bisect_right(starts_of_pieces, at) - 1
        if index < 0:
            return 0.0, 0.0
        part = pieces[index].between(pieces[index].start, at)
        more = (part.area_of_square(), part.end - part.start) if part else (0.0, 0.0)
        return squares[index] + more[0], widths[index] + more[1]

    marks = sorted({edge for one in pieces for edge in (one.start, one.end)})
    best = 0.0
    for start in sorted({*marks, *(mark - window_s for mark in marks)}):
        if marks[0] <= start and start + window_s <= marks[-1]:
            square, known = (
                after - before for before, after in zip(until(start), until(start + window_s), strict=True)
            )
            if known >= LEAST_KNOWN * window_s:
                best = max(best, square / known)
    return math.sqrt(best)


@dataclass
class Vehicle:
    """What braking work rests on, in SI; the air is still."""

    mass: float
    turning_mass: float
    rolling: float
    drag_area: float
    air_density: float
    drive_efficiency: float
    regen_efficiency: float
    regen_limit: float | None


def turning_mass(wheels: float, rotors: float, ratio: float, circumference: float) -> float:
    """Mass that turning parts are like: inertia over the rolling radius squared."""
    radius = circumference / (2.0 * math.pi)
    return (wheels + rotors * ratio**2) / radius**2


def pressure_at(height: float) -> float:
    """Of the standard atmosphere (ISO 2533), in the numbers that handbooks print."""
    return 101_325.0 * (1.0 - 2.25577e-5 * height) ** 5.25588


def density_of_air(celsius: float, pascal: float, humidity: float) -> float:
    """Ideal gas of dry air and vapor; saturation by Magnus' formula (both from memory, good to 0.1 %)."""
    vapor = humidity * 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))
    kelvin = celsius + 273.15
    return (pascal - vapor) / (287.05 * kelvin) + vapor / (461.5 * kelvin)


@dataclass
class Braked:
    """One braking: work at the wheels, what reached the pack, what the motor gave, what a limit cost [J]."""

    first_speed: float
    last_speed: float
    work: float
    into_pack: float
    by_motor: float
    is_pressed: bool
    capped: float


def idle_power(power: list[Step], consumers: Samples, speed: Samples) -> float:
    """What flows at standstill beside the logged consumers: the median [W]."""
    left = [
        0.5 * (one.first + one.last) - held_value(consumers, one.start)
        for one in power
        if (value_at(speed, one.start, 2.0) or 0.0) < 0.1
    ]
    return max(statistics.median(left), 0.0) if left else 0.0


def held_value(samples: Samples, at: float) -> float:
    """Straight line between samples, the first and last beyond them."""
    times, values = samples
    if at <= times[0] or at >= times[-1]:
        return values[0] if at <= times[0] else values[-1]
    return value_at(samples, at, math.inf) or 0.0


def braked(
    vehicle: Vehicle, power: list[Step], consumers: Samples, idle: float, speed: Samples, pressed: Samples,
    height: Samples, start: float, end: float,
) -> Braked:  # fmt: skip
    """Energies of one braking, from one second-by-second sum."""
    into_pack = by_motor = by_motor_at_limit = time_at_limit = 0.0
    limited: list[tuple[float, float]] = []
    for one in power:
        if (piece := one.between(start, end)) is None:
            continue
        width, middle = piece.end - piece.start, 0.5 * (piece.first + piece.last)
        given = max(held_value(consumers, 0.5 * (piece.start + piece.end)) + idle - middle, 0.0) * width
        into_pack += max(-middle, 0.0) * width
        by_motor += given
        if vehicle.regen_limit is not None and -middle > 0.95 * vehicle.regen_limit:
            by_motor_at_limit += given
            time_at_limit += width
            joins = limited and piece.start - limited[-1][1] <= 0.3
            limited = [*limited[:-1], (limited[-1][0], piece.end)] if joins else [*limited, (piece.start, piece.end)]
    is_pressed = any(value > 0.5 for time, value in zip(*pressed, strict=True) if start - 0.2 <= time <= end + 0.2)
    share = max(time_at_limit / (end - start), by_motor_at_limit / by_motor if by_motor else 0.0)
    # What was lost while the limit held is what the wheels gave up in those stretches beyond what the motor made of it.
    capped = (
        math.fsum(given_up(vehicle, speed, height, *one) for one in limited)
        - by_motor_at_limit / vehicle.regen_efficiency
    )
    first, last = held_value(speed, start), held_value(speed, end)
    work = given_up(vehicle, speed, height, start, end)
    return Braked(first, last, work, into_pack, by_motor, is_pressed, capped if share > 0.05 else 0.0)


def given_up(vehicle: Vehicle, speed: Samples, height: Samples, start: float, end: float) -> float:
    """Kinetic and height energy given up, less what rolling and air took [J]."""
    rolled = aired = 0.0
    for one in steps_of(speed, 2.0):
        if (piece := one.between(start, end)) is not None:
            width, a, b = piece.end - piece.start, piece.first, piece.last
            rolled += vehicle.mass * 9.80665 * vehicle.rolling * 0.5 * (a + b) * width
            # Of a speed that changes evenly, the mean cube is (a3 + a2 b + a b2 + b3) / 4.
            aired += 0.5 * vehicle.air_density * vehicle.drag_area * (a**3 + a * a * b + a * b * b + b**3) / 4.0 * width
    squares = held_value(speed, start) ** 2 - held_value(speed, end) ** 2
    fallen = minute_mean(height, speed[0], start) - minute_mean(height, speed[0], end)
    stored = 0.5 * (vehicle.mass + vehicle.turning_mass) * squares + vehicle.mass * 9.80665 * fallen
    return stored - rolled - aired


def minute_mean(height: Samples, driven: list[float], at: float) -> float:
    """Mean height within half a minute: a satellite's three meters wander too much for less."""
    first, last = max(at - 30.0, driven[0]), min(at + 30.0, driven[-1])
    return statistics.fmean(held_value(height, first + (last - first) * (k + 0.5) / 600.0) for k in range(600))


def regen_figures(vehicle: Vehicle, found: Sequence[Braked]) -> dict[int, float]:
    """Definitions 3, 4, 5, 6 and 8 of regeneration; where there is nothing to divide by, none."""
    stops = [one for one in found if one.last_speed < 2.0 and one.first_speed > 8.0]
    free = [one for one in found if not one.is_pressed and one.work > 18_000.0]
    sums = {
        3: ([one.into_pack for one in found], found),
        4: ([one.into_pack for one in stops], stops),
        5: ([one.by_motor for one in free], free),
        8: ([one.capped for one in found], found),
    }
    figures = {
        number: math.fsum(parts) / math.fsum(one.work for one in over) for number, (parts, over) in sums.items() if over
    }
    figures[6] = vehicle.drive_efficiency * figures.get(5, vehicle.regen_efficiency)
    return figures
