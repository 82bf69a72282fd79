import numpy as np
import pyarrow.parquet as pq
import pytest

from logan.cli.main import main
from logan.errors import DbcError, LogReadError, UsageError
from logan.pipeline.frame_store import export_parquet
from logan.pipeline.ingest import read_logs
from logan.pipeline.logs_reader import Reading
from tests.pipeline.test_ingest import DBC, drive, line, write


@pytest.fixture
def dbc(tmp_path):
    mux = (
        'BO_ 258 Muxed: 8 X\n SG_ Sel M : 0|8@1+ (1,0) [0|0] "" X\n SG_ One m1 : 8|8@1+ (1,0) [0|0] "A" X\n'
        ' SG_ Whole : 0|64@1+ (1,0) [0|0] "" X\n'
    )
    return write(tmp_path / "car.dbc", DBC + mux)


def test_every_signal_comes_back_from_the_files(tmp_path, dbc):
    muxed = "".join(line(1.7e9 + i, 258, bytes([i % 3, i] + [0] * 6)) for i in range(30))
    log = write(tmp_path / "a.log", drive(count=50) + muxed + line(1.7e9, 256, b"\x01\x02"))
    files = export_parquet([log], tmp_path / "out", Reading(dbcs=[dbc]))
    signals = read_logs([log], Reading(dbcs=[dbc])).signals
    assert [path.name for path in files] == [
        "can0_Motor_101.parquet",
        "can0_Muxed_102.parquet",
        "can0_Muxed_102_1.parquet",
        "can0_Pack_100.parquet",
    ]
    found = {}
    for path in files:
        table = pq.read_table(path)
        for field in table.schema:
            if field.name != "time_ns":
                present = np.asarray(table[field.name].is_valid())
                values = table[field.name].drop_null().to_numpy()
                found[field.name] = (table["time_ns"].to_numpy()[present], values, field.metadata[b"unit"].decode())
    assert found.keys() == {column.name for column in signals}
    for column in signals:
        time_ns, value, unit = found[column.name]
        np.testing.assert_array_equal(time_ns, column.time_ns)
        np.testing.assert_array_equal(value, column.value)
        assert value.dtype == column.value.dtype
        assert unit == column.unit


def test_names_in_a_log_cannot_reach_outside_the_folder(tmp_path, dbc):
    log = write(tmp_path / "a.log", drive(count=3, bus="../../can0"))
    files = export_parquet([log], tmp_path / "out", Reading(dbcs=[dbc]))
    assert all(path.parent == tmp_path / "out" for path in files)


def test_what_goes_wrong_leaves_no_folder(tmp_path, dbc):
    log, target = write(tmp_path / "a.log", drive()), tmp_path / "out"
    with pytest.raises(LogReadError, match="canceled"):
        export_parquet([log], target, Reading(dbcs=[dbc], is_cancelled=lambda: True))
    wrong = write(tmp_path / "wrong.dbc", DBC.replace("BO_ 256", "BO_ 1000").replace("BO_ 257", "BO_ 1001"))
    with pytest.raises(DbcError, match="does not belong"):
        export_parquet([log], target, Reading(dbcs=[wrong]))
    with pytest.raises(DbcError, match="no DBC"):
        export_parquet([log], target, Reading(dbcs=[]))
    assert not [path for path in tmp_path.iterdir() if "out" in path.name]
    target.mkdir()
    with pytest.raises(UsageError, match="there already"):
        export_parquet([log], target, Reading(dbcs=[dbc]))


def test_the_command_writes_a_log_without_importing_it(tmp_path, dbc, capsys):
    log = write(tmp_path / "a.log", drive(count=5))
    assert main(["export", "log", str(log), "--to", str(tmp_path / "out"), "--dbc", str(dbc)]) == 0
    assert "wrote 2 files" in capsys.readouterr().out
    assert len(list((tmp_path / "out").iterdir())) == 2
