"""Share of right first suggestions, and of right sure ones, on DBCs by strangers, from what is declared alone.

Run by hand: ``python -m tests.benchmarks.channels.suggestion [-v]``. The DBCs come from the source
distribution of cantools and from the package opendbc, fetched by pip into ``.test-cache``. The labels
were made by hand before the suggestions were looked at: for each DBC (the start of the SHA-256 of its
content) and channel, the signals that are right (identifier:start bit, hexadecimal:decimal). DBCs whose
hash begins with 0 to 7 were used while the matcher was written; the others were kept back at first.
The sample "drawn later" comes from DBCs that had no label before. It was labelled before it was judged, scored
78.8 % the first time, and showed what to do about clipped units, counters and names that say nothing. The
sample "drawn last" was labelled and judged once after that; nothing has been changed for it.

``sure_labels.csv`` says of every suggestion that was, or is, taken without asking whether it is right: judged
by hand from name, message, unit, comment, scale and value table. One that is not judged yet counts as wrong.
"""

from __future__ import annotations

import csv
import hashlib
import subprocess
import sys
import time
import zipfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from logan.channels.matching import suggest
from logan.dbc.loading import load_dbc
from logan.errors import LoganError
from logan.frames.table import SignalColumn, SignalTable
from tests.registry_files import CACHE, registry_folder

LABELS = Path(__file__).with_name("suggestion_labels.csv")
FRESH_LABELS = Path(__file__).with_name("suggestion_labels_fresh.csv")
SURE_LABELS = Path(__file__).with_name("sure_labels.csv")
LAST_LABELS = Path(__file__).with_name("suggestion_labels_last.csv")
OPENDBC = "0.3.1"


def dbc_files() -> dict[str, Path]:
    """DBCs of both packages by the start of their hash."""
    folders = [registry_folder("cantools", "tests"), _opendbc()]
    files = [path for folder in folders for path in sorted(folder.rglob("*.dbc"))]
    return {hashlib.sha256(path.read_bytes()).hexdigest()[:16]: path for path in files}


def _opendbc() -> Path:
    folder = CACHE / f"opendbc-{OPENDBC}"
    if not folder.exists():
        subprocess.run(
            [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", f"opendbc=={OPENDBC}", "-d", str(CACHE)],
            check=True,
        )
        with zipfile.ZipFile(next(CACHE.glob(f"opendbc-{OPENDBC}*.whl"))) as wheel:
            wheel.extractall(folder)
    return folder


def table_of(path: Path) -> tuple[SignalTable, dict[str, tuple[int, int]]]:
    """Signals of a DBC without data, and identifier and start bit by key."""
    columns, places = [], {}
    empty_ns, empty = np.empty(0, dtype=np.int64), np.empty(0)
    dbc = load_dbc(path)
    for message in dbc.messages:
        for signal in message.signals:
            column = SignalColumn(
                name=signal.name,
                message=message.name,
                unit=signal.unit,
                time_ns=empty_ns,
                value=empty,
                comment=signal.comment,
                minimum=signal.minimum,
                maximum=signal.maximum,
                choices=signal.choices,
                is_signed=signal.is_signed,
                scale=float(signal.scale),
                offset=float(signal.offset),
                bit_length=signal.bit_length,
            )
            columns.append(column)
            places[column.key] = (message.can_id, signal.start_bit)
    return SignalTable(columns=tuple(columns), log_format="dbc"), places


def read_labels(path: Path) -> dict[str, dict[str, set[tuple[int, int]]]]:
    """Signals that are right, by DBC and channel."""
    labels: dict[str, dict[str, set[tuple[int, int]]]] = {}
    with path.open() as stream:
        for row in csv.DictReader(stream):
            pairs = {(int(i, 16), int(bit)) for i, bit in (word.split(":") for word in row["signals"].split())}
            labels.setdefault(row["dbc_sha256_start"], {})[row["channel"]] = pairs
    return labels


@dataclass
class Tally:
    """Right and asked by sample, ties, and what judging cost."""

    right: Counter[str] = field(default_factory=Counter)
    asked: Counter[str] = field(default_factory=Counter)
    ties: int = 0
    signals: int = 0
    seconds: float = 0.0


def judge(path: Path, channels: dict[str, set[tuple[int, int]]], sample: str, tally: Tally, *, shows: bool) -> None:
    """Count the right first suggestions for one DBC; with ``shows`` print the wrong ones."""
    table, places = table_of(path)
    began = time.perf_counter()
    found = {suggestion.channel: suggestion for suggestion in suggest(table)}
    tally.seconds += time.perf_counter() - began
    tally.signals += len(table.columns)
    for channel, wanted in channels.items():
        suggestion = found.get(channel)
        first = places[suggestion.candidates[0].signal] if suggestion else None
        tally.right[sample] += first in wanted
        tally.ties += bool(suggestion and suggestion.is_tie)
        if shows and first not in wanted:
            names = [key for key, place in places.items() if place in wanted][:2]
            offered = [(c.signal, c.score) for c in suggestion.candidates[:2]] if suggestion else "nothing"
            print(f"{channel}: {offered} instead of {names}")


def sure_ones(files: dict[str, Path]) -> dict[tuple[str, str, str], str]:
    """Signals that are taken without asking, by DBC, channel and place."""
    found = {}
    for start, path in files.items():
        try:
            table, places = table_of(path)
        except LoganError:
            continue
        for suggestion in suggest(table):
            if suggestion.is_sure:
                signal = suggestion.candidates[0].signal
                can_id, bit = places[signal]
                found[start, suggestion.channel, f"{can_id:x}:{bit}"] = signal
    return found


def sure_shares(files: dict[str, Path]) -> tuple[int, int, int, list[str]]:
    """Right ones among the sure, all sure ones, all right ones that were ever offered, and the wrong ones' names."""
    with SURE_LABELS.open() as stream:
        judged = {tuple(row.values())[:3]: row["is_right"] == "1" for row in csv.DictReader(stream)}
    sure = sure_ones(files)
    wrong = [f"{channel}: {name}" for (start, channel, place), name in sure.items()
             if not judged.get((start, channel, place), False)]  # fmt: skip
    right = sum(is_right for (start, _, _), is_right in judged.items() if start in files)
    return len(sure) - len(wrong), len(sure), right, wrong


def first_shares(files: dict[str, Path], tally: Tally, *, shows: bool = False) -> None:
    """Count the right first suggestions of the four samples."""
    later = ("", "drawn later", "drawn last")
    for drawn, path in zip(later, (LABELS, FRESH_LABELS, LAST_LABELS), strict=True):
        for start, channels in read_labels(path).items():
            sample = drawn or ("used" if start[0] in "01234567" else "kept back")
            tally.asked[sample] += len(channels)
            try:
                judge(files[start], channels, sample, tally, shows=shows)
            except (KeyError, LoganError) as error:
                print(f"{start}: not read: {error}")


def main() -> None:
    """Print the shares."""
    files, tally = dbc_files(), Tally()
    first_shares(files, tally, shows="-v" in sys.argv)
    for sample, asked in tally.asked.items():
        print(f"{sample:12s} {tally.right[sample]:3d} of {asked:3d} right ({tally.right[sample] / asked:.1%})")
    print(f"offered first, in all: {tally.right.total() / tally.asked.total():.1%} (goal: at least 75 %)")
    right, sure, all_right, wrong = sure_shares(files)
    print(f"sure: {right} of {sure} right ({1 - right / sure:.1%} wrong, goal: at most 3 %)")
    print(f"recall of the sure: {right} of {all_right} right ones ({right / all_right:.1%}); the others are asked")
    print(*wrong, sep="\n")
    print(f"ties among the first suggestions: {tally.ties}; {tally.signals} signals judged in {tally.seconds:.2f} s")


if __name__ == "__main__":
    main()
