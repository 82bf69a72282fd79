"""Share of right first suggestions on DBCs by strangers, from names, units and ranges alone.

Run by hand: ``python -m tests.benchmarks.channels.suggestion [-v]``. The DBCs come from the source
distribution of cantools and from the package opendbc, fetched by pip into ``.test-cache``. The labels
were made by hand before the suggestions were looked at: for each DBC (the start of the SHA-256 of its
content) and channel, the signals that are right (identifier:start bit, hexadecimal:decimal). DBCs whose
hash begins with 0 to 7 were used while the matcher was written; the others were kept back.
"""

from __future__ import annotations

import csv
import hashlib
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path

import numpy as np

from logan.channels.matching import suggest
from logan.dbc.loading import load_dbc
from logan.errors import LoganError
from logan.frames.table import SignalColumn, SignalTable
from tests.registry_files import CACHE, registry_folder

LABELS = Path(__file__).with_name("suggestion_labels.csv")
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
    with tempfile.TemporaryDirectory() as cache:
        dbc = load_dbc(path, cache_folder=Path(cache))
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


def main() -> None:
    """Print the shares for both halves."""
    labels: dict[str, dict[str, set[tuple[int, int]]]] = {}
    with LABELS.open() as stream:
        for row in csv.DictReader(stream):
            pairs = {(int(i, 16), int(bit)) for i, bit in (word.split(":") for word in row["signals"].split())}
            labels.setdefault(row["dbc_sha256_start"], {})[row["channel"]] = pairs
    files, verbose = dbc_files(), "-v" in sys.argv
    right, asked, ties, total_s, signals = {"used": 0, "kept back": 0}, {"used": 0, "kept back": 0}, 0, 0.0, 0
    for start, channels in labels.items():
        half = "used" if start[0] in "01234567" else "kept back"
        try:
            table, places = table_of(files[start])
        except (KeyError, LoganError) as error:
            print(f"{start}: not read: {error}")
            asked[half] += len(channels)
            continue
        began = time.perf_counter()
        found = {suggestion.channel: suggestion for suggestion in suggest(table)}
        total_s += time.perf_counter() - began
        signals += len(table.columns)
        for channel, wanted in channels.items():
            asked[half] += 1
            suggestion = found.get(channel)
            first = places[suggestion.candidates[0].signal] if suggestion else None
            right[half] += first in wanted
            ties += bool(suggestion and suggestion.is_tie)
            if verbose and first not in wanted and (half == "used" or "-vv" in sys.argv):
                names = [key for key, place in places.items() if place in wanted][:2]
                shown = [(c.signal, c.score) for c in suggestion.candidates[:2]] if suggestion else "nothing"
                print(f"{start} {channel}: {shown} instead of {names}")
    for half in right:
        print(f"{half:10s} {right[half]:3d} of {asked[half]:3d} right ({right[half] / asked[half]:.1%})")
    print(f"ties among the first suggestions: {ties}; {signals} signals judged in {total_s:.2f} s")


if __name__ == "__main__":
    main()
