import json

import numpy as np
import pytest

from logan.errors import LogReadError
from logan.pipeline import look as look_module
from logan.pipeline.logs_reader import Reading
from logan.pipeline.look import look
from logan.results import json_ready
from tests.pipeline.test_ingest import DBC, drive, line, write


@pytest.fixture
def dbc(tmp_path):
    return write(tmp_path / "car.dbc", DBC)


def test_everything_about_a_log_of_frames(tmp_path, dbc):
    log = write(tmp_path / "a.log", drive(count=21) + line(1_700_000_001.0, 0x7FF, b"\x01") * 3)
    summary = look([log], Reading(dbcs=[dbc]))
    (file,) = summary.files
    assert (file.log_format, file.frame_count, file.skipped_count, file.is_truncated) == ("candump", 45, 0, False)
    assert summary.has_absolute_time
    assert summary.duration_s == pytest.approx(2.01)
    assert summary.frames_per_s == pytest.approx(45 / 2.01)
    assert [(m.bus, m.can_id, m.message, m.frame_count) for m in summary.messages] == [
        ("can0", "100", "Pack", 21),
        ("can0", "101", "Motor", 21),
        ("can0", "7FF", "", 3),
    ]
    voltage = summary.signals[0]
    assert (voltage.signal, voltage.unit, voltage.row_count) == ("can0/Pack.Voltage", "V", 21)
    assert (voltage.minimum, voltage.maximum) == pytest.approx((380, 400))
    assert voltage.rate_hz == pytest.approx(21 / 2.01)


def test_without_a_dbc_the_identifiers_are_listed(tmp_path):
    summary = look([write(tmp_path / "a.log", drive())])
    assert [message.message for message in summary.messages] == ["", ""]
    assert summary.signals == ()


def test_a_dbc_that_does_not_belong_to_the_log_is_no_error(tmp_path):
    wrong = write(tmp_path / "wrong.dbc", DBC.replace("BO_ 256", "BO_ 1000").replace("BO_ 257", "BO_ 1001"))
    assert look([write(tmp_path / "a.log", drive())], Reading(dbcs=[wrong])).signals == ()


def test_a_table_is_summed_up_by_its_columns(tmp_path):
    summary = look([write(tmp_path / "a.csv", "Time [s],V [V],Gear\n0,400,P\n1,390,D\n2,,D\n")])
    assert [(s.signal, s.unit, s.row_count, s.minimum, s.maximum) for s in summary.signals] == [
        ("V", "V", 2, 390, 400),
        ("Gear", "", 3, 0, 1),
    ]
    assert not summary.has_absolute_time
    assert summary.duration_s == 2


def test_a_summary_is_json(tmp_path, dbc):
    content = json.loads(json.dumps(json_ready(look([write(tmp_path / "a.log", drive())], Reading(dbcs=[dbc])))))
    assert content["schema"] == "log-summary/1"
    assert content["signals"][0]["minimum"] == pytest.approx(380)


def test_an_empty_log_is_refused(tmp_path):
    with pytest.raises(LogReadError, match="the log is empty"):
        look([write(tmp_path / "a.log", b"")])


def test_channels_are_suggested_from_a_thinned_sample(tmp_path, dbc, monkeypatch):
    seen = []
    monkeypatch.setattr(look_module, "suggest", lambda table: seen.append(table) or ())
    rows = "".join(line(1.7e9 + 0.01 * i, 256, bytes([i % 200] * 8)) for i in range(3000))
    look([write(tmp_path / "a.log", rows)], Reading(dbcs=[dbc]))
    voltage, _, temperature = (*seen[0].columns, None)[:3]
    assert voltage.key == "can0/Pack.Voltage"
    assert voltage.value.size == 300
    assert (np.diff(voltage.time_ns) >= 90_000_000).all()
    assert temperature is None
