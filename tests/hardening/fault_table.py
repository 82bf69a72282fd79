"""Faults at two sizes on three loggers, through import: is what moves the figure kept out, and said?

    python -m tests.hardening.fault_table [--first SEED] [--seeds N] [--fault NAME] [--logger NAME] [--range]

Each case is a log of a twin, written as a table, imported as a user imports it. A case counts as *moved*
where the consumption shown differs from that of the clean log by more than twice its printed uncertainty;
it is *held* where a finding says so and the fit does without the drive, or where no figure is shown.
With ``--range`` the log is imported beside two clean drives of the same logger, and the case also counts as moved
where the refined range of the target differs from that with the clean log by more than twice its own.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from logan.demo.conversion import BUILD_TOML, TRUTH
from logan.demo.routes import mixed_route, urban_route
from logan.demo.sensors import TwinSensors
from logan.demo.twin import TwinWeather, drive_twin
from logan.drive_library.records import DriveRecord
from logan.errors import LoganError
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import import_logs
from logan.results import Estimate

Columns = dict[str, tuple[np.ndarray, np.ndarray]]
Rule = Callable[[Columns, float, np.random.Generator], Columns]

LOGGERS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "small": ("pack_voltage", "pack_current", "speed"),
        "usual": (
            *("pack_voltage", "pack_current", "speed", "state_of_charge", "motor_speed", "motor_torque", "odometer"),
            *("motor_temperature", "inverter_temperature", "cell_temperature_max", "ambient_temperature"),
        ),
        "rich": (),
    }
)
"""Channels that a logger writes; all of the twin's for the rich one."""

SCALES: Mapping[str, float] = MappingProxyType({"pack_voltage": 0.1, "pack_current": 0.1, "speed": 0.01 / 3.6})
"""Resolution on the bus of the channels whose bits are damaged, in SI."""


def _changed(columns: Columns, name: str, rule: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Columns:
    time_s, value = columns[name]
    return {**columns, name: (time_s, rule(time_s, value.copy()))}


def _scaled(name: str) -> Rule:
    return lambda columns, size, rng: _changed(columns, name, lambda t, v: v * size)


def _lost(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    """Frames of the pack are lost: at random, and for the larger size whenever more than 60 A flow."""
    time_s, amperes = columns["pack_current"]
    gone = rng.uniform(size=time_s.size) < size
    if size > 0.3:
        gone |= (amperes > 60.0) & (rng.uniform(size=time_s.size) < 0.9)
    kept = {name: pair for name, pair in columns.items() if name not in ("pack_current", "pack_voltage")}
    return kept | {name: tuple(part[~gone] for part in columns[name]) for name in ("pack_voltage", "pack_current")}


def _frozen(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    time_s = columns["pack_current"][0]
    start_s = rng.uniform(0.2, 0.6) * time_s[-1]
    end_s = start_s + size * time_s[-1]

    def rule(t: np.ndarray, v: np.ndarray) -> np.ndarray:
        v[(t > start_s) & (t < end_s)] = np.interp(start_s, t, v)
        return v

    return _changed(columns, "pack_current", rule)


def _bytes_swapped(name: str) -> Rule:
    def inject(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
        def rule(t: np.ndarray, v: np.ndarray) -> np.ndarray:
            raw = np.round(v / SCALES[name]).astype(np.int64) & 0xFFFF
            turned = ((raw & 0xFF) << 8) | (raw >> 8)
            if name == "pack_current":
                turned = np.where(turned >= 0x8000, turned - 0x10000, turned)
            return turned * SCALES[name]

        return _changed(columns, name, rule)

    return inject


def _exchanged(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    """Two columns under each other's name."""
    other = {1.0: "pack_voltage", 2.0: "speed"}[size]
    return {**columns, "pack_current": columns[other], other: columns["pack_current"]}


def _late(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    time_s, value = columns["pack_current"]
    return {**columns, "pack_current": (time_s + size, value)}


def _stuck(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    """A bit of the current stands at zero."""
    bit = 1 << int(size)

    def rule(t: np.ndarray, v: np.ndarray) -> np.ndarray:
        raw = np.round(v / SCALES["pack_current"]).astype(np.int64) & 0xFFFF & ~bit
        return np.where(raw >= 0x8000, raw - 0x10000, raw) * SCALES["pack_current"]

    return _changed(columns, "pack_current", rule)


def _offset(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    return _changed(columns, "pack_current", lambda t, v: v + size)


def _spliced(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    """From some point on the pack is that of another drive."""
    time_s = columns["speed"][0]
    start_s = (1.0 - size) * time_s[-1]

    def rule(t: np.ndarray, v: np.ndarray) -> np.ndarray:
        late = t > start_s
        v[late] = v[late][::-1]
        return v

    return _changed(_changed(columns, "pack_current", rule), "pack_voltage", rule)


def _doubled(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    """Every frame of the pack twice, a moment apart; for the larger size the drive twice in one file."""
    if size < 2.0:
        time_s, value = columns["pack_current"]
        return {**columns, "pack_current": (np.sort(np.r_[time_s, time_s + 0.02]), np.repeat(value, 2))}
    end_s = max(float(t[-1]) for t, _ in columns.values()) + 1.0
    return {name: (np.r_[t, t + end_s], np.r_[v, v]) for name, (t, v) in columns.items()}


def _clock(columns: Columns, size: float, rng: np.random.Generator) -> Columns:
    """The pack's clock runs fast."""
    return {name: (t * (1.0 + size), v) if name.startswith("pack") else (t, v) for name, (t, v) in columns.items()}


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault, its two sizes, and how it is put into a log."""

    name: str
    sizes: tuple[float, float]
    inject: Rule


FAULTS = (
    Fault("lost", (0.1, 0.4), _lost),
    Fault("frozen current", (0.03, 0.25), _frozen),
    Fault("swapped columns", (1.0, 2.0), _exchanged),
    Fault("scaled speed", (0.1, 10.0), _scaled("speed")),
    Fault("scaled voltage", (0.1, 0.5), _scaled("pack_voltage")),
    Fault("scaled current", (-1.0, 0.1), _scaled("pack_current")),
    Fault("shifted current", (1.0, 5.0), _late),
    Fault("stuck bit", (6, 9), _stuck),
    Fault("wrong unit", (1.0 / 1.609344, 1.609344), _scaled("speed")),
    Fault("byte order of speed", (1.0, 1.0), _bytes_swapped("speed")),
    Fault("byte order of current", (1.0, 1.0), _bytes_swapped("pack_current")),
    Fault("wrong tire", (1.03, 0.9), _scaled("speed")),
    Fault("gain", (1.03, 1.1), _scaled("pack_current")),
    Fault("offset", (1.0, 5.0), _offset),
    Fault("spliced", (0.2, 0.5), _spliced),
    Fault("doubled", (1.0, 2.0), _doubled),
    Fault("clock", (0.002, 0.03), _clock),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one log."""

    wh_per_km: float | None
    sigma: float
    is_kept_out: bool
    findings: tuple[str, ...]
    range_m: float | None = None
    range_sigma_m: float = 0.0


def twin_columns(seed: int, logger: str) -> Columns:
    """A drive of the demo's van as one logger writes it."""
    rng = np.random.default_rng([77, seed])
    route = (urban_route if seed % 2 else mixed_route)(rng, duration_s=1200.0)
    weather = TwinWeather(ambient_temperature_degc=20.0, wind_m_per_s=1.0, wind_from_deg=90.0)
    sensors = TwinSensors(elevation_sigma_m=2.0)
    twin = drive_twin(TRUTH, route, rng=rng, weather=weather, sensors=sensors, start_state_of_charge_ratio=0.9)
    columns = {**twin.measured, "motor_torque": twin.measured["motor_torque"]}
    return {name: columns[name] for name in LOGGERS[logger] or columns}


def write_table(path: Path, columns: Columns) -> None:
    """Write columns of different rates as one table, blank where a column has no sample."""
    times = np.unique(np.round(np.concatenate([t for t, _ in columns.values()]), 3))
    cells = {}
    for name, (time_s, value) in columns.items():
        text = np.full(times.shape, "", dtype=object)
        text[np.searchsorted(times, np.round(time_s, 3))] = [f"{one:.6g}" for one in value]
        cells[name] = text
    lines = [",".join(["time", *cells])]
    lines += [",".join([f"{times[k]:.3f}", *(cells[name][k] for name in cells)]) for k in range(times.size)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def new_build(place: Path, columns: Columns) -> BuildFolder:
    """A build of the demo's van whose channel map knows the columns of one logger."""
    from logan.channels.vocabulary import channel_kind

    place.mkdir()
    plain = BUILD_TOML.replace('dbc = ["dbc_user/demo.dbc"]\n', "")
    (place / "build.toml").write_text(plain, encoding="utf-8")
    lines = []
    for name in columns:
        kind = channel_kind(name)
        lines += [f"[channels.{name}]", f'signal = "{name}"', f'unit = "{kind.unit if kind else "1"}"', ""]
    (place / "channels.toml").write_text("\n".join(lines), encoding="utf-8")
    return BuildFolder(place)


def imported(columns: Columns, place: Path, beside: Path | None = None) -> Outcome:
    """Import a log as the command does: into a build of its own, or into a copy of one that holds clean drives."""
    if beside is None:
        folder = new_build(place, columns)
    else:
        shutil.copytree(beside, place)
        folder = BuildFolder(place)
    log = place / "log.csv"
    write_table(log, columns)
    try:
        (found,) = import_logs(folder, [log])
    except LoganError as error:
        return Outcome(None, 0.0, is_kept_out=True, findings=(f"refused: {error.problem}",))
    outcome = outcome_of(found.record, folder)
    if beside is None or outcome.is_kept_out:
        return outcome
    return _with_range(outcome, folder)


def _with_range(outcome: Outcome, folder: BuildFolder) -> Outcome:
    from logan.pipeline.refine import answer_of

    try:
        refined = answer_of(folder).range.refined
    except LoganError as error:
        return replace(outcome, findings=(*outcome.findings, f"no range: {error.problem}"))
    shown = refined.scenario(refined.target_scenario).range_m
    # Of a normal distribution, 2.563 sigma lie between its 10 and 90 % points.
    return replace(outcome, range_m=shown.p50, range_sigma_m=(shown.p90 - shown.p10) / 2.563)


def outcome_of(record: DriveRecord, folder: BuildFolder) -> Outcome:
    """Figure, admission and findings of a stored drive."""
    from logan.drive_library.repository import DriveLibrary
    from logan.pipeline.stored import stored_drive

    with DriveLibrary.open(folder.library) as library:
        analysis = stored_drive(library, record, folder.settings()).analysis
    figure = analysis.energy.net_wh_per_km
    codes = tuple(flag.code for flag in analysis.flags if flag.severity.value != "note")
    is_shown = isinstance(figure, Estimate)
    value = figure.value if isinstance(figure, Estimate) else None
    return Outcome(value, (figure.sigma or 0.0) if is_shown else 0.0, record.takes_no_part, codes)  # type: ignore[union-attr]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One cell of the table over its seeds."""

    fault: str
    size: float
    logger: str
    cases: int = 0
    moved: int = 0
    held: int = 0
    refused: int = 0
    missed: tuple[str, ...] = ()


def table(seeds: range, only: str = "", only_logger: str = "", *, has_range: bool = False) -> list[Row]:
    """Try every fault at both sizes on every logger, or single ones."""
    rows = []
    with tempfile.TemporaryDirectory(prefix="logan-faults-") as name:
        root = Path(name)
        for logger in (only_logger,) if only_logger else LOGGERS:
            clean, beside = {}, _companions(root, logger, seeds) if has_range else None
            for seed in seeds:
                columns = twin_columns(seed, logger)
                clean[seed] = columns, imported(columns, root / f"clean-{logger}-{seed}", beside)
            for fault in FAULTS:
                if only and fault.name != only:
                    continue
                for size in dict.fromkeys(fault.sizes):
                    rows.append(_row(fault, size, logger, clean, root, beside))
                    print(_line(rows[-1]), flush=True)
    return rows


def _companions(root: Path, logger: str, seeds: range) -> Path:
    """A build with two clean drives of a logger, of seeds that no case has."""
    place = root / f"beside-{logger}"
    folder = new_build(place, twin_columns(seeds.start, logger))
    for number in (1, 2):
        log = root / f"{logger}-{number}.csv"
        write_table(log, twin_columns(100_000 + seeds.start + number, logger))
        import_logs(folder, [log])
    return place


def _row(
    fault: Fault,
    size: float,
    logger: str,
    clean: Mapping[int, tuple[Columns, Outcome]],
    root: Path,
    beside: Path | None,
) -> Row:
    row = Row(fault=fault.name, size=size, logger=logger)
    for seed, (columns, true) in clean.items():
        place = root / f"{fault.name}-{size}-{logger}-{seed}".replace(" ", "_")
        found = imported(fault.inject(dict(columns), size, np.random.default_rng(seed)), place, beside)
        shutil.rmtree(place, ignore_errors=True)
        is_shown = found.wh_per_km is not None
        moved = is_shown and abs(found.wh_per_km - (true.wh_per_km or 0.0)) > 2.0 * found.sigma  # type: ignore[operator]
        if found.range_m is not None and true.range_m is not None:
            moved |= abs(found.range_m - true.range_m) > 2.0 * found.range_sigma_m
        held = bool(found.findings) and (found.is_kept_out or not is_shown)
        words = (
            f"seed {seed}: {true.wh_per_km or 0:.0f} became {found.wh_per_km or 0:.0f} ± {found.sigma:.0f} Wh/km, "
            f"range {(true.range_m or 0) / 1e3:.0f} became {(found.range_m or 0) / 1e3:.0f} "
            f"± {found.range_sigma_m / 1e3:.0f} km, {', '.join(found.findings)}"
        )
        row = replace(
            row,
            cases=row.cases + 1,
            moved=row.moved + (moved or not is_shown),
            held=row.held + (held and (moved or not is_shown)),
            refused=row.refused + (not is_shown),
            missed=(*row.missed, words) if moved and not held else row.missed,
        )
    return row


def _line(row: Row) -> str:
    return (
        f"{row.fault:22s} {row.size:7.3g} {row.logger:6s} cases {row.cases:2d}  moved or refused {row.moved:2d}  "
        f"of them held {row.held:2d}  refused {row.refused:2d}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--fault", default="")
    parser.add_argument("--logger", default="", choices=["", *LOGGERS])
    parser.add_argument("--range", action="store_true")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.seeds)
    rows = table(seeds, given.fault, given.logger, has_range=given.range)
    for logger in LOGGERS:
        mine = [row for row in rows if row.logger == logger]
        moved, held = sum(row.moved for row in mine), sum(row.held for row in mine)
        cases = sum(row.cases for row in mine)
        print(f"{logger}: {cases} cases, {moved} moved or refused, {held} held: {100.0 * held / max(moved, 1):.1f} %")
    for row in rows:
        if row.missed:
            print(f"missed: {row.fault} {row.size:g} on {row.logger}: {'; '.join(row.missed)}")


if __name__ == "__main__":
    main()
