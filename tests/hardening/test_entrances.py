"""Every entrance for bytes from strangers: a result or a ``LoganError``, in bounded memory and linear time.

A few hundred damaged inputs of each in every run; ``python -m tests.hardening.fuzz`` tries a hundred thousand.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from random import Random

import pytest

from logan.errors import LoganError
from logan.logs.registry import LOG_FORMATS
from tests.hardening.damage import damaged
from tests.hardening.targets import CORPUS, ROOT, TARGETS

SLOW = ("page", "mf4", "index", "cache", "library mark", "drive file")
TEXTS = ("asc", "can-csv", "candump", "candump-console", "frame-text", "table", "trc", "gpx")


def cases(name):
    random, seeds = Random(name), TARGETS[name].seeds()
    kept = [path.read_bytes() for path in sorted(CORPUS.glob(f"{name.replace(' ', '_')}/*"))]
    return [*seeds, b"", *kept, *(damaged(random, seeds) for _ in range(40 if name in SLOW else 200))]


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.parametrize("name", TARGETS)
def test_damaged_bytes_give_a_result_or_a_clear_refusal(name):
    refused = read = 0
    for content in cases(name):
        try:
            TARGETS[name].run(content)
        except LoganError:
            refused += 1
        else:
            read += 1
    # Both happen, else the test would look at one way only.
    assert read > 0
    assert refused > 0 or name in TEXTS or name == "cache"


def test_every_format_is_an_entrance():
    assert {log_format.name for log_format in LOG_FORMATS} <= TARGETS.keys()


MEASURE = """
import resource, sys, time
from pathlib import Path
from logan.errors import LoganError
from logan.logs.log_format import ReadOptions, ReadReport
from logan.logs.reading import read_blocks
from logan.logs.registry import format_named
from logan.frames.grouping import KeyIndex
import logan.frames.table
name, small, large = sys.argv[1:]
def once(path):
    started, index = time.process_time(), KeyIndex()
    try:
        report = ReadReport(Path(path))
        for _ in read_blocks(report.path, format_named(name), ReadOptions(threads=1), report, index.group):
            pass
    except LoganError:
        pass
    return time.process_time() - started
once(small); quick = once(small)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
slow = once(large)
if slow > 15 * quick:  # of two, what the others on this machine took less of
    slow = min(slow, once(large))
print(quick, slow, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024)
"""

MOST_MEMORY_PER_BYTE = 12.0
"""Peak memory of reading, over the file's size, promised in DEVELOPERS.md. A GPX tree takes most."""


@pytest.mark.parametrize("shape", ["whole", "one line", "broken lines", "short lines"])
@pytest.mark.parametrize("name", TEXTS)
def test_memory_and_time_of_reading_grow_with_the_size_of_the_file_and_no_faster(name, shape, tmp_path):
    seed = max(TARGETS[name].seeds(), key=len)
    paths = [tmp_path / "small", tmp_path / "large"]
    # Lines that the compiled readers leave to the grammar take a microsecond or more for each byte.
    least = 300_000 if shape in ("whole", "one line") else 50_000
    for path, size in zip(paths, (least, 8 * least), strict=True):
        path.write_bytes(shaped(seed, shape, size))
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", MEASURE, name, *map(str, paths)],
        capture_output=True, text=True, check=True, cwd=ROOT,
    )  # fmt: skip
    quick_s, slow_s, grown_bytes = map(float, done.stdout.split())
    # Eight times the text: quadratic work would take sixty-four times as long.
    assert slow_s < 20.0 * max(quick_s, 0.05)
    assert grown_bytes < MOST_MEMORY_PER_BYTE * 8 * least + 16_000_000


def shaped(seed, shape, size):
    lines = seed.split(b"\n")
    body = b"\n".join(lines[len(lines) // 2 :]) + b"\n"
    if shape == "one line":
        return seed.rstrip() + b"," + (body.replace(b"\n", b" ") * (size // len(body) + 1))[:size]
    if shape == "broken lines":
        body = b"".join(line[::-1] + b"\n" for line in lines if line)
    if shape == "short lines":
        body = b"\n1\n,\n"
    return seed + (body * (size // len(body) + 1))[:size]


def test_a_dbc_and_settings_of_many_faults_take_linear_time():
    for name, part in (
        ("dbc", b' SG_ X : 0|8@1+ (1,0) [0|0] "" Y\n'),
        ("settings", b'x = "1"\n[a.b]\n'),
        ("notes", b"[{"),
    ):
        seed = TARGETS[name].seeds()[0]
        took_s = []
        for count in (1_000, 8_000):
            content = b"".join(part.replace(b"X", b"S%d" % k).replace(b"a.b", b"a%d" % k) for k in range(count))
            started = time.process_time()
            with contextlib.suppress(LoganError):
                TARGETS[name].run(seed + content)
            took_s.append(time.process_time() - started)
        assert took_s[1] < 24.0 * max(took_s[0], 0.05), name
