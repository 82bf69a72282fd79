"""What the logs said stays in the library: a signal mapped later needs no log."""

import csv

import numpy as np
import pyarrow.parquet as pq
import pytest

from logan.cli.main import main
from logan.drive_library.repository import DriveLibrary
from logan.errors import DbcError, DriveLibraryError, LogReadError, UsageError
from logan.pipeline.builds import BuildFolder, new_build
from logan.pipeline.channels import edit_channels
from logan.pipeline.frame_store import decode_again, export_signals
from logan.pipeline.importing import ImportOptions, import_logs
from logan.pipeline.logs_reader import Reading
from logan.pipeline.look import look, look_at_drive
from tests.pipeline.test_ingest import DBC, line, pack, write

VALUE_TABLE = 'VAL_ 257 Mode 0 "OFF" 1 "=RUN" ;\n'
WITH_MODE = DBC + ' SG_ Mode : 8|8@1+ (1,0) [0|0] "" X\n' + VALUE_TABLE


@pytest.fixture
def log(tmp_path):
    lines = ["this line is broken\n"]
    for i in range(1200):
        time_s = 1_700_000_000.0 + 0.1 * i
        lines.append(line(time_s, 256, pack(380 + i % 9, i % 90 - 5)))
        lines.append(line(time_s + 0.01, 257, bytes([60 + i // 100, i % 3] + [0] * 6)))
    return write(tmp_path / "drive.log", "".join(lines))


@pytest.fixture
def folder(tmp_path):
    new_build(tmp_path / "van")
    folder = BuildFolder(tmp_path / "van")
    write(tmp_path / "car.dbc", WITH_MODE)
    settings = folder.settings_file.read_text().replace("dbc = []", 'dbc = ["../car.dbc"]')
    folder.settings_file.write_text(settings)
    edit_channels(folder, changes={"pack_voltage.signal": "Pack.Voltage", "pack_current.signal": "Pack.Current"})
    return folder


@pytest.fixture
def imported(folder, log):
    (drive,) = import_logs(folder, [log])
    log.unlink()
    return drive


def opened(folder):
    return DriveLibrary.open(folder.library)


def test_a_channel_mapped_later_comes_from_the_kept_frames(folder, imported):
    assert imported.record.has_raw
    edit_channels(folder, changes={"motor_temperature.signal": "Motor.Temperature", "pack_current.sign": "-1"})
    with opened(folder) as library:
        before = library.load(1)
        library.set_conditions(1, before.conditions.__class__(note="windy"))
    (made,) = decode_again(folder)
    assert (made.record.number, made.record.id) == (imported.record.number, imported.record.id)
    assert made.record.conditions.note == "windy"
    assert any("could not be read: 1 of the lines or objects" in note for note in made.notes)
    with opened(folder) as library:
        after = library.load(1)
        assert library.check().is_whole
        assert library.record(1).has_raw
    np.testing.assert_allclose(after["motor_temperature"].value[[0, -1]], [20.0, 31.0])
    np.testing.assert_array_equal(after["pack_current"].value, -before["pack_current"].value)
    assert after.sources == before.sources
    assert {flag.code for flag in before.import_flags} == {flag.code for flag in after.import_flags}


def test_decoding_again_with_the_same_map_changes_nothing(folder, imported):
    with opened(folder) as library:
        before = library.path(1).read_bytes()
    decode_again(folder, ["1"])
    with opened(folder) as library:
        assert library.path(1).read_bytes() == before


def test_a_dbc_of_another_vehicle_leaves_the_drive_as_it_was(tmp_path, folder, imported):
    other = write(tmp_path / "other.dbc", 'BU_: X\nBO_ 1234 M: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] "" X\n')
    with opened(folder) as library:
        before = library.path(1).read_bytes()
    with pytest.raises(DbcError, match="does not belong"):
        decode_again(folder, reading=Reading(dbcs=[other]))
    with opened(folder) as library:
        assert library.path(1).read_bytes() == before


def test_a_build_may_forbid_to_keep_them(folder, log):
    folder.settings_file.write_text(folder.settings_file.read_text().replace("keep_raw = true", "keep_raw = false"))
    (drive,) = import_logs(folder, [log])
    assert not drive.record.has_raw
    assert decode_again(folder) == ()
    with pytest.raises(DriveLibraryError, match="only the channels are kept"):
        decode_again(folder, ["1"])


def test_damage_to_the_kept_frames_is_found_before_the_drive_is_touched(folder, imported):
    with opened(folder) as library:
        path, before = library.raw(1).path, library.path(1).read_bytes()
    content = bytearray(path.read_bytes())
    content[1000] ^= 1
    path.write_bytes(content)
    with pytest.raises(DriveLibraryError, match="frames of a drive are damaged"):
        decode_again(folder)
    with opened(folder) as library:
        assert library.path(1).read_bytes() == before
        assert [entry.file for entry in library.check().damage] == [f"raw/{path.name}"]


def test_a_cancelled_import_leaves_no_frames_behind(folder, log):
    with pytest.raises(LogReadError, match="canceled"):
        import_logs(folder, [log], options=ImportOptions(is_cancelled=lambda: True))
    assert [path.name for path in (folder.library / ".incoming").iterdir()] == ["lock"]
    assert not list((folder.library / "raw").iterdir())


def test_a_look_at_a_stored_drive_shows_what_a_look_at_its_log_shows(tmp_path, folder, log):
    import_logs(folder, [log])
    dbcs = [tmp_path / "car.dbc"]
    with opened(folder) as library:
        stored, seen = look_at_drive(library, "1", Reading(dbcs=dbcs)), look([log], Reading(dbcs=dbcs))
    assert stored.signals == seen.signals
    assert stored.messages == seen.messages
    assert (stored.frame_count, stored.duration_s) == (seen.frame_count, seen.duration_s)
    assert stored.files[0].skipped_count == 1
    assert stored.files[0].log_format == "kept from candump"


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_signals_that_no_channel_needs_can_be_written_out(tmp_path, folder, imported, suffix):
    target = tmp_path / f"signals{suffix}"
    with opened(folder) as library:
        export_signals(library, 1, target, signals=["Motor.Mode"], reading=Reading(dbcs=[tmp_path / "car.dbc"]))
    if suffix == ".csv":
        rows = list(csv.DictReader(target.read_text().splitlines()))
    else:
        rows = pq.read_table(target).to_pylist()
    assert len(rows) == 1200
    assert [(row["signal"], float(row["value"]), row["text"] or None) for row in rows[:3]] == [
        ("can0/Motor.Mode", 0.0, "OFF"),
        ("can0/Motor.Mode", 1.0, "'=RUN"),
        ("can0/Motor.Mode", 2.0, None),
    ]


def test_a_signal_that_is_not_there_is_refused(tmp_path, folder, imported):
    with opened(folder) as library, pytest.raises(UsageError, match="no signal Nope"):
        export_signals(library, 1, tmp_path / "a.csv", signals=["Nope"], reading=Reading(dbcs=[tmp_path / "car.dbc"]))
    with opened(folder) as library, pytest.raises(UsageError, match="no format that can be written"):
        export_signals(library, 1, tmp_path / "a.xlsx", reading=Reading(dbcs=[tmp_path / "car.dbc"]))
    assert not (tmp_path / "a.csv").exists()


def test_the_commands_work_without_the_log(tmp_path, folder, imported, capsys):
    build = ["--build", str(folder.path)]
    assert main(["look", "--drive", "1", *build]) == 0
    assert "Motor" in capsys.readouterr().out
    assert main(["channels", "--drive", "1", "--accept", "motor_temperature=Motor.Temperature", *build]) == 0
    assert "logan library decode" in capsys.readouterr().out
    assert main(["library", "decode", *build]) == 0
    assert "drive 1" in capsys.readouterr().out
    assert main(["export", "signals", "1", str(tmp_path / "out.csv"), "-s", "Mode", *build]) == 0
    with opened(folder) as library:
        assert "motor_temperature" in library.record(1).channels


@pytest.mark.parametrize("arguments", [["look"], ["look", "a.log", "--drive", "1"], ["channels", "--write"]])
def test_what_makes_no_sense_is_said(arguments, capsys):
    assert main(arguments) == 2
    assert "Give" in capsys.readouterr().err
