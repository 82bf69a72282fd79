import gzip
import zipfile

import numpy as np
import pytest
import zstandard

from logan.errors import DbcError, LogReadError, UnknownLogFormatError, UsageError
from logan.pipeline.ingest import read_logs
from logan.pipeline.logs_reader import Reading
from logan.settings import ChannelSource

DBC = """BU_: X
BO_ 256 Pack: 8 X
 SG_ Voltage : 0|16@1+ (0.1,0) [0|0] "V" X
 SG_ Current : 16|16@1- (0.1,0) [0|0] "A" X
BO_ 257 Motor: 8 X
 SG_ Temperature : 0|8@1+ (1,-40) [0|0] "degC" X
"""


@pytest.fixture
def dbc(tmp_path):
    return write(tmp_path / "car.dbc", DBC)


def write(path, content):
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def line(time_s, can_id, data, bus="can0"):
    return f"({time_s:017.6f}) {bus} {can_id:03X}#{data.hex().upper()}\n"


def pack(volt, ampere):
    return round(volt * 10).to_bytes(2, "little") + round(ampere * 10).to_bytes(2, "little", signed=True) + bytes(4)


def drive(start_s=1_700_000_000.0, count=20, bus="can0"):
    lines = []
    for i in range(count):
        lines.append(line(start_s + 0.1 * i, 256, pack(380 + i % 99, i % 99 - 5), bus))
        lines.append(line(start_s + 0.1 * i + 0.01, 257, bytes([(60 + i) % 256] + [0] * 7), bus))
    return "".join(lines)


def only(table, address):
    (column,) = table.find(address)
    return column


@pytest.mark.parametrize("threads", [1, 2])
def test_a_log_and_a_dbc_give_signals(tmp_path, dbc, threads):
    log = write(tmp_path / "drive.log", drive())
    ingested = read_logs([log], Reading(dbcs=[dbc], threads=threads))
    signals = ingested.signals
    assert [column.key for column in signals] == ["can0/Pack.Voltage", "can0/Pack.Current", "can0/Motor.Temperature"]
    voltage = only(signals, "Pack.Voltage")
    np.testing.assert_allclose(voltage.value, 380 + np.arange(20))
    assert voltage.time_ns[1] - voltage.time_ns[0] == 100_000_000
    assert only(signals, "Current").value.tolist() == list(range(-5, 15))
    assert (signals.log_format, signals.frame_count, signals.skipped_count) == ("candump", 40, 0)
    (source,), (dbc_source,) = ingested.sources, ingested.dbcs
    assert (source.name, source.size_bytes, len(source.sha256)) == ("drive.log", log.stat().st_size, 64)
    assert dbc_source.name == "car.dbc"


def compressed_gzip(text):
    return gzip.compress(text)


def compressed_zstd(text):
    return zstandard.ZstdCompressor().compress(text)


@pytest.mark.parametrize("compress", [compressed_gzip, compressed_zstd])
def test_compressed_logs_are_recognised_by_content(tmp_path, dbc, compress):
    text = drive(count=3000).encode()
    plain = write(tmp_path / "plain.log", text)
    packed = write(tmp_path / "whatever.bin", compress(text))
    one, other = (read_logs([path], Reading(dbcs=[dbc])).signals for path in (plain, packed))
    for ours, theirs in zip(one, other, strict=True):
        np.testing.assert_array_equal(ours.value, theirs.value)


def test_a_zip_with_one_log_is_read_and_one_with_several_is_not(tmp_path, dbc):
    path = tmp_path / "drive.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("drive.log", drive())
    assert read_logs([path], Reading(dbcs=[dbc])).signals.frame_count == 40
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("other.log", drive())
    with pytest.raises(LogReadError, match="holds 2 files"):
        read_logs([path], Reading(dbcs=[dbc]))


@pytest.mark.parametrize("compress", [compressed_gzip, compressed_zstd])
def test_a_cut_off_archive_gives_what_came_before(tmp_path, dbc, compress):
    rng = np.random.default_rng(1)
    text = "".join(line(1e9 + i * 0.1, 256, rng.bytes(8)) for i in range(60_000)).encode()
    path = write(tmp_path / "drive.gz", compress(text)[:-100_000])
    signals = read_logs([path], Reading(dbcs=[dbc])).signals
    assert signals.is_truncated
    assert 1_000 < signals.frame_count < 60_000


def test_a_damaged_archive_is_refused(tmp_path, dbc):
    packed = bytearray(gzip.compress(drive(count=5000).encode()))
    packed[2000:2100] = bytes(100)
    with pytest.raises(LogReadError, match="damaged"):
        read_logs([write(tmp_path / "drive.gz", bytes(packed))], Reading(dbcs=[dbc]))


def test_an_archive_that_grows_without_bound_is_refused(tmp_path, dbc, monkeypatch):
    monkeypatch.setattr("logan.logs.compression._EXPANSION_FREE_BYTES", 1000)
    monkeypatch.setattr("logan.logs.compression.MAX_EXPANSION", 50)
    text = drive(count=100) + line(1e9, 256, bytes(8)) * 200_000
    with pytest.raises(LogReadError, match="expands to more than"):
        read_logs([write(tmp_path / "drive.gz", gzip.compress(text.encode()))], Reading(dbcs=[dbc]))


def test_a_spreadsheet_is_answered_with_how_to_export(tmp_path):
    path = tmp_path / "drive.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
    with pytest.raises(LogReadError, match="type CSV"):
        read_logs([path])
    with pytest.raises(LogReadError, match="type CSV"):
        read_logs([write(tmp_path / "drive.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504))])


def test_the_parts_of_a_rolling_logger_are_joined_in_order_of_time(tmp_path, dbc):
    late = write(tmp_path / "a.log", drive(1_700_000_100.0))
    early = write(tmp_path / "b.log", drive(1_700_000_000.0))
    ingested = read_logs([late, early], Reading(dbcs=[dbc]))
    assert [source.name for source in ingested.sources] == ["b.log", "a.log"]
    voltage = only(ingested.signals, "Voltage")
    assert voltage.value.size == 40
    assert (np.diff(voltage.time_ns) > 0).all()


def test_files_that_overlap_are_merged_by_time(tmp_path, dbc):
    first = write(tmp_path / "a.log", drive(1_700_000_000.0))
    second = write(tmp_path / "b.log", drive(1_700_000_000.05))
    voltage = only(read_logs([first, second], Reading(dbcs=[dbc])).signals, "Voltage")
    assert (np.diff(voltage.time_ns) == 50_000_000).all()
    np.testing.assert_allclose(voltage.value, 380 + np.arange(40) // 2)


def test_backward_steps_inside_a_file_are_kept(tmp_path, dbc):
    log = write(tmp_path / "a.log", drive(1_700_000_010.0, 5) + drive(1_700_000_000.0, 5))
    voltage = only(read_logs([log], Reading(dbcs=[dbc])).signals, "Voltage")
    assert (np.diff(voltage.time_ns) < 0).sum() == 1


def test_files_without_absolute_time_cannot_be_put_in_order(tmp_path, dbc):
    logs = [write(tmp_path / name, drive(0.0, count)) for name, count in (("a.log", 5), ("b.log", 6))]
    with pytest.raises(LogReadError, match="nothing says which comes first"):
        read_logs(logs, Reading(dbcs=[dbc]))


def test_the_same_log_twice_is_refused(tmp_path, dbc):
    logs = [write(tmp_path / name, drive()) for name in ("a.log", "b.log")]
    with pytest.raises(LogReadError, match="same content"):
        read_logs(logs, Reading(dbcs=[dbc]))


def test_a_frame_log_and_a_table_are_one_drive(tmp_path, dbc):
    log = write(tmp_path / "a.log", drive())
    table = write(tmp_path / "gps.csv", "Time,GPS Speed [km/h]\n1700000000.05,50\n1700000001.05,51\n")
    signals = read_logs([log, table], Reading(dbcs=[dbc])).signals
    assert only(signals, "GPS Speed").value.tolist() == [50, 51]
    assert only(signals, "Voltage").value.size == 20
    assert signals.log_format == "candump+table"


def test_a_table_needs_no_dbc(tmp_path):
    signals = read_logs([write(tmp_path / "drive.csv", "Time [s],V [V]\n0,400\n1,401\n")]).signals
    assert only(signals, "V").unit == "V"
    assert signals.frame_count == 0


def test_a_table_of_which_no_column_is_asked_for_is_left_to_the_map(tmp_path):
    signals = read_logs([write(tmp_path / "drive.csv", "Time [s],V [V]\n0,400\n1,x\n")], wanted={"Nope"}).signals
    assert signals.columns == ()
    with pytest.raises(LogReadError, match=r"first of 2 faults is at .*drive\.csv:2: 'x' in column 'V' is no number"):
        read_logs([write(tmp_path / "drive.csv", "Time [s],V [V]\n0,x\n1,y\n")])


def test_each_bus_has_its_dbc(tmp_path, dbc):
    other = write(tmp_path / "other.dbc", DBC.replace("Voltage", "Tension"))
    log = write(tmp_path / "a.log", drive(count=3) + drive(count=3, bus="can1"))
    signals = read_logs([log], Reading(dbcs=[dbc], dbc_by_bus={"can1": [other]})).signals
    assert {column.key for column in signals if column.message == "Pack"} == {
        "can0/Pack.Voltage",
        "can0/Pack.Current",
        "can1/Pack.Tension",
        "can1/Pack.Current",
    }


def test_of_two_dbcs_for_one_identifier_the_first_counts_and_the_clash_is_named(tmp_path, dbc):
    other = write(
        tmp_path / "other.dbc", DBC.replace("0.1,0", "0.2,0") + 'BO_ 300 Pack: 8 X\n SG_ Z : 0|8@1+ (1,0) [0|0] "" X\n'
    )
    log = write(tmp_path / "a.log", drive(count=3) + line(1_700_000_001.0, 300, bytes([7])))
    ingested = read_logs([log], Reading(dbcs=[dbc, other]))
    assert only(ingested.signals, "Pack.Voltage").value[0] == pytest.approx(380)
    assert "identifier 100 is Pack in car.dbc and Pack in other.dbc; the first counts" in ingested.notes
    assert only(ingested.signals, "Pack@other.Z").value.tolist() == [7]


def test_several_senders_of_a_j1939_message_are_told_apart(tmp_path):
    dbc = write(
        tmp_path / "heavy.dbc",
        f'BU_: X\nBO_ {0x98FF0211} Pack: 8 X\n SG_ V : 0|8@1+ (1,0) [0|0] "V" X\n'
        'BA_DEF_ "ProtocolType" STRING;\nBA_DEF_DEF_ "ProtocolType" "";\nBA_ "ProtocolType" "J1939";\n',
    )
    ids = [0x18FF0211, 0x0CFF0233, 0x18FF0244]
    lines = [f"({1.7e9 + i:.6f}) can0 {can_id:08X}#{i:02X}\n" for i, can_id in enumerate(ids)]
    log = write(tmp_path / "a.log", "".join(lines))
    signals = read_logs([log], Reading(dbcs=[dbc])).signals
    assert [(column.message, column.value.tolist()) for column in signals] == [
        ("Pack#33", [1]),
        ("Pack", [0]),
        ("Pack#44", [2]),
    ]
    assert [column.message for column in read_logs([log], Reading(dbcs=[dbc]), wanted={"Pack#44.V"}).signals][
        -1
    ] == "Pack#44"


def test_only_wanted_signals_are_decoded(tmp_path, dbc):
    log = write(tmp_path / "a.log", drive())
    for wanted in ("Voltage", "Pack.Voltage", "can0/Pack.Voltage"):
        assert [column.name for column in read_logs([log], Reading(dbcs=[dbc]), wanted={wanted}).signals] == ["Voltage"]
    assert read_logs([log], Reading(dbcs=[dbc]), wanted={"can1/Pack.Voltage"}).signals.columns == ()


def test_the_user_may_know_signedness_and_byte_order_better(tmp_path, dbc):
    log = write(tmp_path / "a.log", line(1.7e9, 256, bytes.fromhex("0102FFFF00000000")) * 2)
    overrides = [
        ChannelSource(channel="pack_voltage", signal="Pack.Voltage", byte_order="big_endian"),
        ChannelSource(channel="pack_current", signal="can0/Pack.Current", signed=False),
    ]
    signals = read_logs([log], Reading(dbcs=[dbc]), overrides=overrides).signals
    assert only(signals, "Voltage").value[0] == pytest.approx(0x0102 * 0.1)
    assert only(signals, "Current").value[0] == pytest.approx(0xFFFF * 0.1)


def test_broken_lines_cost_themselves_and_are_located(tmp_path, dbc):
    lines = drive(count=5).splitlines(keepends=True)
    lines[3] = "garbage\n"
    signals = read_logs([write(tmp_path / "a.log", "".join(lines))], Reading(dbcs=[dbc])).signals
    assert (signals.frame_count, signals.skipped_count) == (9, 1)
    assert signals.skipped[0].place == f"{tmp_path / 'a.log'}:4"


def test_identifiers_without_a_message_are_counted(tmp_path, dbc):
    log = write(tmp_path / "a.log", drive() + line(1.7e9, 0x7FF, b"") * 3)
    assert dict(read_logs([log], Reading(dbcs=[dbc])).signals.unknown_ids) == {"can0/7FF": 3}


@pytest.mark.parametrize(
    ("content", "error", "problem"),
    [
        (b"", LogReadError, "the log is empty"),
        (b"\x00" * 5000, LogReadError, "the log is empty"),
        (bytes(range(256)) * 40, UnknownLogFormatError, "no log that is known here"),
        (b"a letter to a friend\n\nabout nothing\n", UnknownLogFormatError, "no log that is known here"),
    ],
)
def test_what_is_no_log_gets_one_clear_line(tmp_path, dbc, content, error, problem):
    path = write(tmp_path / "x.log", content)
    with pytest.raises(error, match=problem) as caught:
        read_logs([path], Reading(dbcs=[dbc]))
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_a_missing_log_a_folder_and_no_log_at_all_are_refused(tmp_path):
    with pytest.raises(LogReadError, match="no such file"):
        read_logs([tmp_path / "missing.log"])
    with pytest.raises(LogReadError, match="not a file"):
        read_logs([tmp_path])
    with pytest.raises(UsageError, match="no log"):
        read_logs([])


def test_frames_without_a_dbc_are_refused(tmp_path):
    with pytest.raises(DbcError, match="no DBC says what they mean"):
        read_logs([write(tmp_path / "a.log", drive())])


def test_the_wrong_dbc_is_refused_with_what_it_should_have_known(tmp_path):
    wrong = write(tmp_path / "wrong.dbc", DBC.replace("BO_ 256", "BO_ 1000").replace("BO_ 257", "BO_ 1001"))
    with pytest.raises(DbcError, match="0 of its 2 identifiers have a message in it") as caught:
        read_logs([write(tmp_path / "a.log", drive())], Reading(dbcs=[wrong]))
    assert "100" in caught.value.problem


def test_a_log_in_which_nothing_can_be_read_names_the_first_fault(tmp_path, dbc):
    path = write(tmp_path / "a.log", "garbage\nmore\n")
    with pytest.raises(LogReadError, match="nothing in it can be read as candump; the first of 2 faults") as caught:
        read_logs([path], Reading(dbcs=[dbc], format_name="candump"))
    assert f"{path}:1" in caught.value.problem


def test_progress_is_told_and_ends_at_the_end(tmp_path, dbc, monkeypatch):
    monkeypatch.setattr("logan.pipeline.logs_reader._PROGRESS_PERIOD_S", 0.0)
    log = write(tmp_path / "a.log", drive(count=500))
    told = []
    read_logs([log], Reading(dbcs=[dbc], progress=told.append))
    assert told[-1].bytes_read == told[-1].size_bytes == log.stat().st_size
    assert told[-1].frame_count == 1000
    assert told[-1].time_left_s == 0
    assert [each.bytes_read for each in told] == sorted(each.bytes_read for each in told)
    assert told[0].frames_per_s > 0


@pytest.mark.parametrize("threads", [1, 2])
def test_cancelling_ends_the_reading(tmp_path, dbc, threads):
    log = write(tmp_path / "a.log", drive(count=500))
    with pytest.raises(LogReadError, match="canceled"):
        read_logs([log], Reading(dbcs=[dbc], threads=threads, is_cancelled=lambda: True))
