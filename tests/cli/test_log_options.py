"""How a log is laid out, which bus it comes from and which DBC speaks for it can be said on the command line."""

import json

import pytest

from logan.cli.main import main
from tests.pipeline.test_ingest import DBC, drive, write

OTHER_DBC = 'BU_: X\nBO_ 256 Charger: 8 X\n SG_ Level : 0|16@1+ (1,0) [0|0] "" X\n'
NO_BUS = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"


def table(path, first_s):
    # python-can's CSV carries no bus; 0BAQAAAAAAA= is 4 4 0 0 0 0 0 0.
    rows = "".join(f"{first_s + i},0x100,0,0,0,8,BAQAAAAAAAA=\n" for i in range(3))
    return write(path, NO_BUS + rows)


def looked_at(capsys, *arguments):
    assert main(["look", "--json", *map(str, arguments)]) == 0
    return json.loads(capsys.readouterr().out)


def signals(summary):
    return [entry["signal"] for entry in summary["signals"]]


def test_each_bus_gets_its_own_dbc(tmp_path, capsys):
    log = write(tmp_path / "a.log", drive(bus="can0") + drive(bus="can1"))
    car, other = write(tmp_path / "car.dbc", DBC), write(tmp_path / "other.dbc", OTHER_DBC)
    found = signals(looked_at(capsys, log, "--dbc", car, "--dbc", f"can1={other}"))
    assert found == ["can0/Pack.Voltage", "can0/Pack.Current", "can0/Motor.Temperature", "can1/Charger.Level"]


def test_several_dbcs_may_speak_for_one_bus(tmp_path, capsys):
    log = write(tmp_path / "a.log", drive(bus="can0"))
    motor = write(tmp_path / "motor.dbc", "BU_: X\n" + DBC[DBC.index("BO_ 257") :])
    other = write(tmp_path / "other.dbc", OTHER_DBC)
    found = signals(looked_at(capsys, log, "--dbc", f"can0={other}", "--dbc", f"can0={motor}"))
    assert found == ["can0/Charger.Level", "can0/Motor.Temperature"]


def test_a_dbc_whose_name_has_an_equals_sign_is_a_file(tmp_path, capsys):
    log = write(tmp_path / "a.log", drive())
    assert len(signals(looked_at(capsys, log, "--dbc", write(tmp_path / "v=2.dbc", DBC)))) == 3


def test_logs_without_a_bus_get_one_by_name(tmp_path, capsys):
    one, two = table(tmp_path / "1.csv", 1_700_000_000), table(tmp_path / "2.csv", 1_700_000_100)
    summary = looked_at(capsys, one, two, "--bus", "can0", "--bus", "can1")
    assert [entry["bus"] for entry in summary["messages"]] == ["can0", "can1"]
    summary = looked_at(capsys, one, two, "--bus", "can7")
    assert [(entry["bus"], entry["frame_count"]) for entry in summary["messages"]] == [("can7", 6)]


def test_as_many_buses_as_logs_are_needed(tmp_path, capsys):
    log = write(tmp_path / "a.log", drive())
    assert main(["look", str(log), "--bus", "a", "--bus", "b"]) == 2
    assert "2 buses are named for 1 logs" in capsys.readouterr().err


def test_a_table_that_is_not_recognised_is_described(tmp_path, capsys):
    rows = "".join(f"{100 * i}\tvcan\t256\t2\t1\t2\n" for i in range(4))
    log = write(tmp_path / "odd.txt", "some logger\n" + rows)
    layout = "time_ms,bus,id_dec,length,bytes_dec"
    summary = looked_at(capsys, log, "--format", "frame-text", "--columns", layout)
    assert [(e["bus"], e["can_id"], e["frame_count"]) for e in summary["messages"]] == [("vcan", "100", 4)]
    assert summary["duration_s"] == pytest.approx(0.3)


def test_the_name_of_a_signal_is_shown_whole_whatever_it_is_made_of(tmp_path, capsys):
    """Only a bus that all have is left out before a signal: a slash in a column's own name is part of it."""
    log = write(tmp_path / "a.csv", "time (s),</script>,km/h left\n" + "".join(f"{i},{i},{i}\n" for i in range(5)))
    assert main(["look", str(log), "--full"]) == 0
    shown = capsys.readouterr().out
    assert "\n</script>" in shown, shown
    log = write(tmp_path / "a.log", drive(bus="can0"))
    car = write(tmp_path / "car.dbc", DBC)
    assert main(["look", str(log), "--dbc", str(car)]) == 0
    assert "\nPack.Voltage" in capsys.readouterr().out
