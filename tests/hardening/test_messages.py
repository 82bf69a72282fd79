"""What reaches the terminal is written for people in a garage, not for programmers of a library."""

from __future__ import annotations

import gzip
import re
import subprocess
import sys
from random import Random

import pytest

from logan.demo.conversion import write_build
from logan.errors import LoganError
from logan.pipeline.builds import BuildFolder
from logan.pipeline.importing import import_logs
from logan.pipeline.look import look
from tests.logs.test_fixtures import LOGS as FOLDER

FOREIGN = re.compile(
    r"Error\b|Exception|Traceback|Warning|errno|codec|line 1 column|char \d|literal|NoneType|object is|thrift|"
    r"malformed|not well-formed|isal|zlib|utf-8|\[Errno|0x[0-9a-f]{9}|<class",
    re.IGNORECASE,
)
"""Turns of phrase of Python and of the libraries below."""

LOGS = sorted(path for path in FOLDER.rglob("*") if path.is_file())


@pytest.mark.parametrize("log", LOGS, ids=lambda path: path.name)
def test_a_damaged_log_is_refused_in_our_own_words(log, tmp_path):
    random, content = Random(7), log.read_bytes()
    said = []
    for attempt in range(24):
        damaged = bytearray(content)
        for _ in range(random.randrange(1, 30)):
            damaged[random.randrange(len(damaged))] = random.randrange(256)
        damaged = damaged[: random.randrange(1, len(damaged) + 1)] if attempt % 3 == 0 else damaged
        damaged = gzip.compress(bytes(damaged))[: -random.randrange(1, 40)] if attempt % 5 == 0 else damaged
        path = tmp_path / log.name
        path.write_bytes(bytes(damaged))
        try:
            look([path])
        except LoganError as error:
            said.append(error.problem)
    assert said
    # What is quoted or listed comes out of the file.
    assert not [one for one in said if FOREIGN.search(re.sub(r"\(it begins [\s\S]*|'[^']*'|\(columns:.*", "", one))]


@pytest.mark.parametrize("name", [log.name for log in LOGS if log.suffix in (".mf4", ".db", ".blf", ".gpx")])
def test_the_terminal_shows_one_line_of_ours_and_no_line_of_a_library(tmp_path, name):
    """In a process of its own, where loggers, warnings and finalizers of libraries have their way."""
    content = bytearray(next(log for log in LOGS if log.name == name).read_bytes())
    path = tmp_path / name
    write_build(tmp_path)
    for start in (80, len(content) // 2):
        damaged = content[:]
        damaged[start : start + 60] = b"\xee" * len(damaged[start : start + 60])
        path.write_bytes(bytes(damaged))
        done = subprocess.run(
            [sys.executable, "-c", "import sys; from logan.cli.main import main; sys.exit(main())", "look", str(path)],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode in (0, 2)
        lines = done.stderr.splitlines()
        assert len(lines) <= 1
        assert all(line.startswith("logan: ") for line in lines)


def test_settings_notes_and_dbcs_that_are_no_text_are_refused_in_our_own_words(tmp_path):
    folder = BuildFolder(tmp_path)
    write_build(tmp_path)
    whole = folder.settings_file.read_bytes()
    for content in (b"\xff\xfe\x00", whole[:200] + b"\xc3\x28" + whole[200:]):
        folder.settings_file.write_bytes(content)
        with pytest.raises(LoganError) as caught:
            folder.settings()
        assert not FOREIGN.search(str(caught.value.problem).replace("UTF-8 text", ""))
    folder.settings_file.write_bytes(whole)
    dbc = next((tmp_path / "dbc_user").glob("*.dbc"))
    dbc.write_bytes(dbc.read_bytes().replace(b"SG_ ", b"SG_ \x00 ", 3)[:2000])
    log = next(log for log in LOGS if log.suffix == ".log")
    with pytest.raises(LoganError) as caught:
        import_logs(folder, [log])
    assert not re.search(r"Error|NoneType|object", caught.value.problem)
