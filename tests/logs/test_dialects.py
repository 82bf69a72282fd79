"""Text of loggers that nobody here knows: fourteen forms of the same frames, and invented ones without number."""

from __future__ import annotations

import re
from pathlib import Path
from random import Random

import numpy as np
import pytest

from logan.frames.table import SignalTable
from logan.logs.frame_text import READER, Grammar
from logan.logs.frame_text_roles import infer_layout
from logan.logs.log_format import ReadOptions, ReadReport
from logan.logs.reading import read_blocks, recognise
from logan.logs.registry import plain_text
from logan.quality.signal_log import loss_flag
from logan.results import Severity
from tests.logs.dialects import random_dialect
from tests.logs.harness import Frame, assert_keeps_to_grammar, compiled_frames, damaged, read

FOLDER = Path(__file__).parents[2] / "fixtures/dialects"
US, MS = 1_000, 1_000_000

FORMS = {
    # How far a form keeps the times, and the first time; a date only where the log has one.
    "a_tabs_padded_ids_ms.txt": (MS, 48_650_000 * MS),
    "b_tabs_padded_ids_ms_long_uptime.txt": (MS, 1_493_397_000 * MS),
    "c_bytes_csv_ms_short_hex.csv": (MS, 13 * MS),
    "d_bytes_csv_us_uptime.csv": (US, 7_254_438_300 * US),
    "e_bytes_csv_us_minus.csv": (US, -1_688_467_643_383_897 * US),
    "f_bytes_csv_spreadsheet.csv": (MS, 0),
    "g_screen_short_ids.txt": (10 * MS, 145_700 * MS),
    "h_candump_short_ids.log": (US, 1_632_426_775_000_000 * US),
    "i_direction_and_width.txt": (US, 1_632_426_775_936_000 * US),
    "j_cr_only_decimal_comma.txt": (US, 55_038_000 * US),
    "k_time_of_day_nul.txt": (MS, 62_319_302 * MS),
    "l_time_of_day_ms_us.txt": (MS, 62_319_302 * MS),
    "m_blanks_no_header.txt": (MS, 1_512_293 * MS),
}
NO_FRAMES = {"g_screen_short_ids.txt": 3}


def _reference() -> list[Frame]:
    """The 240 frames, by an expression of this test's own."""
    frames = []
    for line in (FOLDER / "h_candump_short_ids.log").read_text().splitlines():
        seconds, micros, digits, data = re.fullmatch(r"\((\d+)\.(\d{6})\) can0 ([0-9A-F]+)#([0-9A-F]*)", line).groups()
        time_ns = int(seconds) * 10**9 + int(micros) * 1000
        frames.append(Frame(time_ns, int(digits, 16), bytes.fromhex(data), len(digits) > 3))
    return frames


REFERENCE = _reference()


def _expected(name: str) -> list[tuple[int, bool, bytes]]:
    spoiled = {0x3D: 0x2E6} if name[0] == "f" else {}
    frames = [frame for frame in REFERENCE if name[0] not in "ab" or not frame.is_extended]
    return [(spoiled.get(frame.can_id, frame.can_id), frame.is_extended, frame.data) for frame in frames]


def _content(frames: list[Frame]) -> list[tuple[int, bool, bytes]]:
    return [(frame.can_id, frame.is_extended, frame.data) for frame in frames]


def _read(path: Path, **options: object) -> tuple[list[Frame], ReadReport]:
    return read(path, recognise(path), options=ReadOptions(**options))


def _lines(name: str) -> tuple[list[bytes], list[bytes], bytes]:
    """Lines before the first frame, the frames' lines, and how lines end."""
    content = (FOLDER / name).read_bytes()
    end = b"\r\n" if b"\r\n" in content else b"\n" if b"\n" in content else b"\r"
    lines = [line for line in content.split(end) if line]
    count = len(_expected(name))
    return lines[:-count], lines[-count:], end


@pytest.mark.parametrize("name", FORMS)
def test_every_form_is_read_whole_and_in_its_time(name):
    frames, report = _read(FOLDER / name)
    resolution_ns, first_ns = FORMS[name]
    assert _content(frames) == _expected(name)
    assert frames[0].time_ns == first_ns
    times = [frame.time_ns - first_ns for frame in frames]
    kept = [each for each in REFERENCE if name[0] not in "ab" or not each.is_extended]
    expected = [each.time_ns - kept[0].time_ns for each in kept]
    assert np.abs(np.subtract(times, expected)).max() <= 1.5 * resolution_ns
    assert (report.skipped_count, report.lost_count) == (NO_FRAMES.get(name, 0), 0)


def test_what_a_spreadsheet_did_to_an_identifier_is_said():
    _, report = _read(FOLDER / "f_bytes_csv_spreadsheet.csv")
    assert "2E6 into 2.00E+06" in " ".join(report.notes)


@pytest.mark.parametrize("name", [name for name in FORMS if name[0] not in "gh"])
def test_the_columns_printed_read_the_same(name):
    frames, report = _read(FOLDER / name)
    described = report.layout[-1].removeprefix("the same as --columns ")
    options = ReadOptions(column_layout=described)
    again, said = read(FOLDER / name, recognise(FOLDER / name, "frame-text"), options=options)
    assert again == frames
    assert said.layout[-1] == report.layout[-1]


def test_a_single_role_may_be_said():
    path = FOLDER / "c_bytes_csv_ms_short_hex.csv"
    (first, *_, last), _ = _read(path, column_layout="time=us")
    assert last.time_ns - first.time_ns == 1_400 * US
    frames, _ = _read(FOLDER / "m_blanks_no_header.txt", column_layout="time=1:s,id=2")
    assert frames[0].time_ns == 1_512_293 * 10**9


@pytest.mark.parametrize("name", FORMS)
def test_a_form_may_be_cut_off_anywhere(name, tmp_path):
    content, expected, random = (FOLDER / name).read_bytes(), _expected(name), Random(name)
    whole, _ = _read(FOLDER / name)
    for _ in range(6):
        path = tmp_path / name
        path.write_bytes(content[: random.randrange(len(content) // 5, len(content))])
        frames, report = _read(path)
        assert frames[:-1] == whole[: len(frames) - 1]
        assert len(frames) > 0.15 * len(expected)
        assert report.lost_count == 0


@pytest.mark.parametrize("name", FORMS)
def test_a_form_may_be_shuffled(name, tmp_path):
    before, lines, end = _lines(name)
    whole, _ = _read(FOLDER / name)
    Random(name).shuffle(lines)
    path = tmp_path / name
    path.write_bytes(end.join([*before, *lines, b""]))
    frames, report = _read(path)
    assert sorted(frames, key=str) == sorted(whole, key=str)
    assert report.lost_count == 0


@pytest.mark.parametrize("name", FORMS)
def test_lines_of_another_form_are_lost_in_red_and_make_no_wrong_frames(name, tmp_path):
    before, lines, end = _lines(name)
    _, others, _ = _lines("m_blanks_no_header.txt" if name[0] != "m" else "d_bytes_csv_us_uptime.csv")
    mixed = [part for k, line in enumerate(lines) for part in ((line, others[k]) if k % 4 == 3 else (line,))]
    path = tmp_path / name
    path.write_bytes(end.join([*before, *mixed, b""]))
    whole, _ = _read(FOLDER / name)
    frames, report = _read(path)
    assert frames == whole
    flag = loss_flag(len(frames), report.skipped_count, report.lost_count, report.skipped)
    assert flag.severity is Severity.RED
    assert report.lost_count == len(lines) // 4
    assert str(path) in flag.evidence


def test_a_long_table_is_turned_round():
    path = FOLDER / "n_long_table.csv"
    report = ReadReport(path)
    (table,) = read_blocks(path, recognise(path), ReadOptions(), report, then=lambda frames: frames)
    assert isinstance(table, SignalTable)
    shown = {column.name: (column.unit, column.value.size, column.value[0]) for column in table}
    assert shown == {"Pack voltage": ("V", 120, 360.96), "Pack current": ("A", 120, 2.21), "Speed": ("mph", 120, 51.1)}
    assert [int(column.time_ns[1]) for column in table] == [500 * MS, 600 * MS, 700 * MS]
    assert "one value in a row" in report.notes[0]


def test_a_long_table_without_such_names_is_turned_round_too(tmp_path):
    rows = "".join(f"{k / 10:.1f},{('U', 'I', 'v')[k % 3]},{(360, 12, 50)[k % 3]}\n" for k in range(60))
    path = tmp_path / "log.csv"
    path.write_text("Time [s],what,number\n" + rows)
    (table,) = read_blocks(path, recognise(path), ReadOptions(), ReadReport(path), then=lambda frames: frames)
    assert {column.name: set(column.value.tolist()) for column in table} == {"U": {360.0}, "I": {12.0}, "v": {50.0}}


@pytest.mark.parametrize("name", [*(name for name in FORMS if name[0] not in "gh"), *range(40)])
def test_the_compiled_reader_keeps_to_the_grammar_in_every_dialect(name):
    if isinstance(name, str):
        content = plain_text((FOLDER / name).read_bytes())
    else:
        dialect, frames = random_dialect(5000 + name)
        content = dialect.write(frames).encode()
    random, layout = Random(name), infer_layout(content).layout
    lines = [line.removesuffix(b"\r") for line in content.split(b"\n")][:120]
    broken = [damaged(line, (random.random(), random.randrange(1, 256))) for line in lines for _ in range(3)]
    cut = [line[: random.randrange(len(line) + 1)] for line in lines]
    assert_keeps_to_grammar([*lines, *broken, *cut], Grammar(layout).parse_line, READER, layout, b"")
    if name not in ("f_bytes_csv_spreadsheet.csv",):
        assert compiled_frames(lines[-100:-1], READER, layout, b"").left.size <= 3


@pytest.mark.parametrize("block", range(6))
def test_invented_dialects_are_read(block, tmp_path):
    """Of random layouts nearly all are read; none of them wrongly without a word."""
    wrong = []
    for seed in range(40 * block, 40 * block + 40):
        dialect, frames = random_dialect(seed)
        path = tmp_path / "log.txt"
        path.write_bytes(dialect.write(frames).encode())
        found, _ = _read(path)
        times = np.array([frame.time_ns for frame in found]) - found[0].time_ns
        expected = np.array([frame.time_ns for frame in frames]) - frames[0].time_ns
        if _content(found) != _content(frames) or np.abs(times - expected).max() > 2 * dialect.resolution_ns:
            wrong.append(dialect.name)
    assert not wrong


WRITERS = {
    "time behind data of any length": lambda t, i, d: (
        f"0    {i:08X}         {len(d)}  {d.hex(' ').upper()}     {t:.6f} R"
    ),
    "names apart": lambda t, i, d: (
        f"t={int(t * 1000)} ID: 0x{i:X} DLC: {len(d)} Data: " + " ".join(f"0x{b:02X}" for b in d)
    ),
    "names joined": lambda t, i, d: f"Time:{t:.3f} ID:{i:X} DLC:{len(d)} Data:" + " ".join(f"{b:X}" for b in d),
    "brackets, no length": lambda t, i, d: f"[{t:.6f}] {i:X}: {d.hex(' ')}",
    "date and half of the day": lambda t, i, d: f"5/22/2025 12:44:{t:06.3f} PM, {i:X}, {len(d)}, {d.hex(' ')}",
    "all decimal": lambda t, i, d: f"{int(t * 1e6)};{i};{len(d)};" + ";".join(map(str, d)),
    "joined data": lambda t, i, d: f"{t:.3f};{i:X};{d.hex().upper()}",
    "words between": lambda t, i, d: f"Timestamp: {t:15.6f}    ID: {i:08x}    S Rx      DL:  {len(d)}    {d.hex(' ')}",
}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("name", WRITERS)
def test_forms_of_terminals_and_scripts_are_read(name, encoding, tmp_path):
    random = Random(name)
    frames = []
    for k in range(300):
        can_id, length = random.choice([(0x1A0, 8), (0x1A0, 8), (0x3D, 4), (0x2B0, 2), (0x18FF50E5, 8)])
        frames.append(Frame(12_300_000_000 + 5_000_000 * k, can_id, random.randbytes(length), can_id > 0x7FF))
    path = tmp_path / "log.txt"
    text = "\n".join(WRITERS[name](frame.time_ns / 1e9, frame.can_id, frame.data) for frame in frames)
    path.write_bytes((text + "\n").encode(encoding))
    found, report = _read(path)
    assert _content(found) == _content(frames)
    times = np.array([frame.time_ns for frame in found])
    assert np.abs(times - times[0] - 5_000_000 * np.arange(300)).max() <= MS
    assert report.skipped_count == 0
