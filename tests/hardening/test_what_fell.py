"""Everything that once fell to a hostile file or a fault of the data, one test each."""

from __future__ import annotations

import gzip
import itertools
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from logan.cli.main import main
from logan.drive.drive import Channel, DriveConditions
from logan.drive_library import durable, repository
from logan.drive_library.drive_file import read_drive, verify_drive_file, write_drive_file
from logan.drive_library.durable import locked
from logan.drive_library.repository import DriveLibrary
from logan.errors import DriveLibraryBusyError, DriveLibraryError, LogReadError, UsageError
from logan.logs.asc import READER, Grammar, Header
from logan.logs.table_cells import moment
from logan.metrics.energy import energy_summary
from logan.metrics.regen import regen_summary
from logan.pipeline.builds import BuildFolder, open_library
from logan.pipeline.importing import import_logs
from logan.pipeline.settings_form import toml_document
from logan.pipeline.stored import stored_drive
from logan.results import Estimate, Refusal, figure_from_json, result_from_json
from tests.drive_library.small_drives import assert_same_drive, small_drive, small_summary
from tests.logs.harness import assert_keeps_to_grammar
from tests.pipeline.twin_fleet import write_fleet
from tests.twin_drives import build_of, twin_drive


@pytest.fixture(scope="module")
def imported(tmp_path_factory):
    root = write_fleet(tmp_path_factory.mktemp("fell"), vehicles=1, drives=2, duration_s=120.0)
    folder = BuildFolder(root / "van-001")
    import_logs(folder, sorted((folder.path / "logs").iterdir()))
    return folder


@pytest.fixture
def folder(imported, tmp_path):
    return BuildFolder(shutil.copytree(imported.path, tmp_path / "van"))


def answer(capsys, *arguments):
    """Exit code, and what the command printed on both streams."""
    code = main([str(argument) for argument in arguments])
    return code, "".join(capsys.readouterr())


def unfolded(text):
    return " ".join(text.split())


def test_a_drive_in_which_nothing_came_back_has_regen_figures_all_the_same():
    twin = twin_drive("urban", 1, duration_s=900.0)
    drive, build = twin.to_drive(), build_of(twin.vehicle)
    current = drive["pack_current"]
    wrong = Channel(name="pack_current", time_s=current.time_s, value=np.abs(current.value))
    summary = regen_summary(drive.with_channels(wrong), build, energy_summary(drive.with_channels(wrong), build))
    efficiency, round_trip = summary.figures[4].value, summary.figures[5].value
    assert isinstance(efficiency, Refusal)
    assert isinstance(round_trip, Estimate)
    assert round_trip.source == "both efficiencies of the build"


@pytest.mark.parametrize(
    "conditions",
    [
        {"payload_kg": "heavy"},
        {"payload_kg": float("nan")},
        {"payload_kg": True},
        {"ambient_temperature_degc": [20.0]},
        {"tags": "cold"},
        {"tags": [1]},
        {"note": 5},
        {"corrections": [{"why": "x", "shift_s": "late"}]},
        {"corrections": {"why": "x"}},
    ],
)
def test_a_word_where_a_number_belongs_in_notes_costs_its_drive_and_no_other(folder, capsys, conditions):
    with pytest.raises(ValueError, match="needs"):
        result_from_json(DriveConditions, conditions)
    with DriveLibrary.open(folder.library) as library:
        first = library.drives()[0]
    notes = folder.library / "notes" / f"{first.id}.json"
    content = {"format": "logan-drive-notes", "version": 1, "conditions": conditions, "summary": None}
    notes.write_text(json.dumps(content))
    with DriveLibrary.open(folder.library) as library:
        assert [bool(record.damage) for record in library.drives()] == [True, False]
        assert [entry.file for entry in library.check().damage] == [f"notes/{first.id}.json"]
    code, text = answer(capsys, "drives", "--build", folder.path)
    assert code == 0
    assert "damaged" in text


@pytest.mark.parametrize("span", ["1-999999999", "2-1", "1-" + "9" * 5_000])
def test_a_span_of_drives_that_is_none_is_refused_at_once(folder, capsys, span):
    for command in (["compare", "--fit-on", span], ["effect", "--before", span, "--after", "1"]):
        code, text = answer(capsys, *command, "--build", folder.path)
        assert (code, "is no span of drives" in text) == (2, True)


@pytest.mark.skipif(sys.platform == "win32", reason="has no pipes in folders")
@pytest.mark.parametrize("command", [["report", "--out"], ["export", "channels", "1"]], ids=["report", "export"])
def test_a_pipe_or_device_is_not_replaced_by_what_is_written(folder, capsys, command):
    pipe = folder.path / "pipe.html"
    os.mkfifo(pipe)
    code, text = answer(capsys, *command, pipe, "--build", folder.path)
    assert (code, "this is no regular file. Choose another place" in unfolded(text)) == (2, True)
    assert pipe.is_fifo()


DEEP = "[" * 100_000 + "]" * 100_000


def test_parts_that_lie_too_deep_in_each_other_cost_their_file_alone(folder, capsys):
    with DriveLibrary.open(folder.library) as library:
        first = library.drives()[0]
    notes = folder.library / "notes" / f"{first.id}.json"
    notes.write_text(DEEP)
    for command in (["drives"], ["drive", str(first.number)]):
        code, text = answer(capsys, *command, "--build", folder.path)
        assert code == 0
        assert "left out as damaged: the notes of a drive cannot be read (its parts lie too deep" in unfolded(text)
    with DriveLibrary.open(folder.library) as library:
        assert [bool(record.damage) for record in library.drives()] == [True, False]
    notes.unlink()
    mark = folder.library / "library.json"
    whole = mark.read_text()
    mark.write_text(DEEP)
    code, text = answer(capsys, "drives", "--build", folder.path)
    assert (code, "does not say which library it marks" in unfolded(text)) == (2, True)
    mark.write_text(whole)


DEEP_SETTINGS = {
    "list": f"a = {DEEP}",
    "key": "a" + ".a" * 5_000 + " = 1",
    "heading": "[" + "a . " * 50_000 + "a]",
    "in a table": "x = {a" + ".a" * 50_000 + " = 1}",
}


@pytest.mark.parametrize("text", DEEP_SETTINGS.values(), ids=DEEP_SETTINGS)
def test_settings_that_lie_too_deep_in_each_other_are_refused_at_once(tmp_path, capsys, text):
    build = tmp_path / "build.toml"
    build.write_text(text)
    begun_s = time.process_time()
    code, said = answer(capsys, "plan", "--build", tmp_path)
    assert (code, "its parts lie too deep in each other" in unfolded(said)) == (2, True)
    with pytest.raises(UsageError, match="cannot be read"):
        toml_document(build, "Mend it")
    assert time.process_time() - begun_s < 5.0


def test_settings_saved_as_other_text_are_told_how_to_be_saved(tmp_path, capsys):
    (tmp_path / "build.toml").write_text("[build]\nname = 'Van'\n", encoding="utf-16")
    code, said = answer(capsys, "plan", "--build", tmp_path)
    assert (code, "Save it as text in UTF-8" in unfolded(said)) == (2, True)


def test_a_drive_damaged_in_its_samples_costs_no_other(folder, capsys):
    """Its header can be read, so that the damage shows only when its channels are."""
    with DriveLibrary.open(folder.library) as library:
        path = library.path(1)
    content = path.read_bytes()
    path.write_bytes(content[:5000] + bytes([content[5000] ^ 0xFF]) + content[5001:])
    code, text = answer(capsys, "drives", "--build", folder.path)
    assert code == 0
    assert "damaged" in text
    with DriveLibrary.open(folder.library) as library:
        assert [bool(record.damage) for record in library.drives()] == [True, False]
        assert [entry.file for entry in library.check().damage] == [path.name]
    path.write_bytes(content)
    with DriveLibrary.open(folder.library) as library:
        assert [record.damage for record in library.drives()] == ["", ""]


def test_a_figure_that_is_no_number_is_no_figure():
    with pytest.raises(ValueError, match="value needs a number"):
        figure_from_json({"value": "much", "unit": "Wh"})


def test_a_deleted_drive_file_is_missed_until_the_user_says_that_it_was_meant(folder):
    with DriveLibrary.open(folder.library) as library:
        path = library.path(2)
    path.rename(path.with_suffix(".away"))
    for _ in range(2):  # the first opening takes it out of the list, the second knows it still
        with DriveLibrary.open(folder.library) as library:
            report = library.check()
            assert [record.number for record in library.drives()] == [1]
            assert not report.is_whole
            assert path.name in {entry.file for entry in report.damage}
    path.with_suffix(".away").rename(path)
    with DriveLibrary.open(folder.library) as library:
        assert library.check().is_whole
        library.remove(2)
        assert library.check().is_whole
    (folder.library / path.name.replace("0002", "0003")).write_bytes(b"")
    with DriveLibrary.open(folder.library) as library:
        assert not library.check().is_whole


def test_frames_and_notes_without_their_drive_are_missed_without_an_index_too(folder):
    with DriveLibrary.open(folder.library) as library:
        path, drive_id = library.path(2), library.record(2).id
        library.set_conditions(2, replace(library.record(2).conditions, note="kept"))
    path.unlink()
    (folder.library / "index.sqlite").unlink()
    with DriveLibrary.open(folder.library) as library:
        missing = {entry.file for entry in library.check().damage}
    assert f"notes/{drive_id}.json" in missing


def test_every_flipped_bit_of_a_drive_file_is_found_by_check(tmp_path):
    path = tmp_path / "drive.parquet"
    write_drive_file(path, small_drive(samples=30), drive_id="0123456789abcdef", summary=small_summary())
    whole = path.read_bytes()
    assert_same_drive(read_drive(path), small_drive(samples=30))
    verify_drive_file(path)
    rng = np.random.default_rng(5)
    # All of the last bytes, where Parquet's own footer says things twice and nobody looks.
    places = [*range(len(whole) - 400, len(whole)), *rng.integers(0, len(whole) - 400, 400).tolist()]
    for at in places:
        content = bytearray(whole)
        content[at] ^= 1 << int(rng.integers(8))
        path.write_bytes(content)
        with pytest.raises(DriveLibraryError):
            verify_drive_file(path)


def test_other_readers_of_parquet_read_a_sealed_drive_file(tmp_path):
    pandas = pytest.importorskip("pandas")
    path = tmp_path / "drive.parquet"
    drive = small_drive()
    write_drive_file(path, drive, drive_id="0123456789abcdef")
    read = pandas.read_parquet(path, columns=["time_ns", "pack_current"]).dropna()
    assert read["pack_current"].tolist() == drive["pack_current"].value.tolist()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no FIFOs")
@pytest.mark.parametrize("command", ["import", "look", "channels"])
@pytest.mark.parametrize("kind", ["fifo", "device", "link", "folder"])
def test_what_is_no_regular_file_is_refused_at_once(folder, capsys, command, kind):
    path = folder.path / "drive.log"
    if kind == "fifo":
        os.mkfifo(path)
    elif kind == "link":
        path.symlink_to("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    else:
        path = type(path)("/dev/random")
    with ThreadPoolExecutor(1) as pool:
        done = pool.submit(main, [command, str(path), "--build", str(folder.path)])
        assert done.result(timeout=300) == 2
    assert "not a file" in "".join(capsys.readouterr())


def test_valid_text_that_unpacks_to_hundreds_of_times_its_size_is_refused_in_bounded_memory(folder, tmp_path):
    bomb = tmp_path / "drive.log.gz"
    block = b"(1700000000.000000) can0 120#0102030405060708\n" * 10_000
    with gzip.open(bomb, "wb") as stream:
        for _ in range(600):
            stream.write(block)
    script = (
        # Not ru_maxrss, which begins at what the process that made this one held.
        "import re, sys; from logan.cli.main import main; code = main(sys.argv[1:]);"
        "peak = re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read());"
        "print(int(peak[1]) // 1024, file=sys.stderr); sys.exit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "import", str(bomb), "--build", str(folder.path)],
        capture_output=True,
        text=True,
        check=False,
    )
    said, peak_mb = done.stderr.strip().splitlines()
    assert done.returncode == 2
    assert "expands to more than" in said
    assert int(peak_mb) < 500


def test_a_log_of_one_instant_is_refused_for_what_it_is(folder, tmp_path):
    source = next((folder.path / "logs").iterdir()).read_text().splitlines()
    frozen = tmp_path / "frozen.log"
    first = source[0].split()[0]
    frozen.write_text("".join(f"{first} {line.split(maxsplit=1)[1]}\n" for line in source[:5000]))
    with pytest.raises(LogReadError, match="the same time"):
        import_logs(folder, [frozen])


def test_the_compiled_asc_reader_and_the_grammar_agree_on_every_order_of_the_words():
    words = ["1", "ErrorFrame", "CANFD", "Rx", "tx", "d", "r", "8", "ID = 7", "100x"]
    lines = [
        f"0.5 {' '.join(order)}".encode() for count in (2, 3, 4) for order in itertools.product(words, repeat=count)
    ]
    tails = ["d", "r", "d 8 01", "r ID = 7", "d 1 01 ID = 7x", "q", ""]
    lines += [
        f"0.5 1{gap}ErrorFrame{gap}{way} {tail}".encode()
        for gap in (" ", "\t", "  ")
        for way in ("Rx", "Tx", "rX", "TxRq", "Rxx")
        for tail in tails
    ]
    assert_keeps_to_grammar(lines, Grammar(Header()).parse_line, READER, False, 0)


def test_a_reader_waits_for_no_writer(folder, monkeypatch):
    monkeypatch.setattr(repository, "READER_PATIENCE_S", 0.2)
    with DriveLibrary.open(folder.library) as library:
        before, path = library.drives(), library.path(1)
    with locked(folder.library / ".lock"):
        os.utime(path)  # the index is behind now
        with DriveLibrary.open(folder.library) as library:
            assert library.drives() == before
            assert library.load(1).duration_s > 0.0
    with DriveLibrary.open(folder.library) as library, library._index.transaction() as connection:
        connection.execute("DELETE FROM drive")
    monkeypatch.setattr(repository, "LOCK_PATIENCE_S", 0.2)
    with locked(folder.library / ".lock"), pytest.raises(DriveLibraryBusyError):
        DriveLibrary.open(folder.library)  # rather than a list without its drives


def test_reads_by_twenty_clients_are_answered_while_others_write(folder, monkeypatch):
    """Every reader finds the analysis out of date, so each works it out and tries to keep it."""
    build = folder.settings()
    stop = threading.Event()

    def note():
        count = 0
        while not stop.is_set():
            with open_library(folder.path) as library:
                library.set_conditions(1, replace(library.record(1).conditions, note=f"{count}"))
            count += 1
        return count

    def read(client):
        payload = replace(
            build, vehicle=replace(build.vehicle, mass_kg=replace(build.vehicle.mass_kg, sigma=30.0 + client))
        )
        with open_library(folder.path) as library:
            return stored_drive(library, library.record(1), payload).analysis.energy.net_wh

    with ThreadPoolExecutor(21) as pool:
        writer = pool.submit(note)
        figures = [future.result(timeout=300) for future in [pool.submit(read, client) for client in range(20)]]
        stop.set()
        assert writer.result(timeout=300) > 0
    assert {figure.value for figure in figures} == {figures[0].value}


def test_a_read_needs_nothing_that_was_kept(folder, monkeypatch):
    monkeypatch.setattr(DriveLibrary, "set_analysis", lambda *_: None)
    monkeypatch.setattr(durable, "write_durably", None)
    build = folder.settings()
    heavier = replace(build, vehicle=replace(build.vehicle, mass_kg=replace(build.vehicle.mass_kg, sigma=33.0)))

    def refuse(*_, **__):
        raise DriveLibraryBusyError("another process has held the library", "Wait")

    monkeypatch.setattr(DriveLibrary, "set_summary", refuse)
    with open_library(folder.path) as library:
        assert isinstance(stored_drive(library, library.record(1), heavier).analysis.energy.net_wh, Estimate)


@pytest.mark.parametrize("blank", [" ", "T", "_ ", "\t"])
@pytest.mark.parametrize("before", ["", "2024-01-01", "12:00", "12:00 am"])
def test_blanks_before_a_stray_letter_take_no_minute(before, blank):
    """Sixty of them in a cell took longer than anyone waits: each could be read in two ways."""
    started = time.process_time()
    assert moment(f"{before}{blank * 20_000}x") is None
    assert time.process_time() - started < 5.0  # it was minutes
