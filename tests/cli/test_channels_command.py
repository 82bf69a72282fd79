"""``logan channels``: suggestions with evidence, a map that keeps the user's comments, wrong maps refused."""

import json

import numpy as np
import pytest

from logan.cli.main import main
from logan.pipeline.builds import new_build
from tests.drive.twins import urban_drive

DBC = """VERSION ""
BO_ 256 PackStatus: 8 Logger
 SG_ PackCurrent : 0|16@1+ (0.1,0) [0|6553.5] "A" Logger
 SG_ PackVoltage : 16|16@1+ (0.1,0) [0|0] "V" Logger
 SG_ VehicleSpeed : 32|16@1+ (0.01,0) [0|0] "km/h" Logger
"""


@pytest.fixture
def van(tmp_path):
    new_build(tmp_path / "van")
    return tmp_path / "van"


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """A short CSV of the twin: current turned round, two heaters alike, an odometer without unit."""
    drive = urban_drive()
    time_s = np.arange(2.0, 300.0, 0.2)
    columns = {
        "Time [s]": time_s,
        "Speed [km/h]": drive["speed"].at(time_s) * 3.6,
        "Pack Voltage [V]": drive["pack_voltage"].at(time_s),
        "Pack Current [A]": -drive["pack_current"].at(time_s),
        "Heating Power A [kW]": np.zeros(time_s.size),
        "Heating Power B [kW]": np.zeros(time_s.size),
        "Odometer": drive["odometer"].at(time_s),
    }
    path = tmp_path_factory.mktemp("logs") / "drive.csv"
    rows = np.round(np.column_stack(list(columns.values())), 3)
    np.savetxt(path, rows, delimiter=",", header=",".join(columns), comments="", fmt="%.3f")
    return path


def run(capsys, *arguments):
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, " ".join(shown.out.split()), " ".join(shown.err.split())


def test_suggestions_come_with_score_evidence_and_ties(capsys, van, log):
    code, out, _ = run(capsys, "channels", log, "-b", van)
    assert code == 0
    assert "Pack Current [A, sign turned round]" in out
    assert "'Pack Voltage' rises when it rises" in out
    assert "heater_power (cannot be told apart: choose)" in out
    assert not any("signal =" in line for line in (van / "channels.toml").read_text().splitlines() if line[:1] != "#")


def test_suggestions_as_json_have_the_same_content(capsys, van, log):
    capsys.readouterr()
    assert main(["channels", str(log), "-b", str(van), "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["schema"] == "channel-suggestions/1"
    current = next(one for one in content["suggestions"] if one["channel"] == "pack_current")
    assert current["candidates"][0]["sign"] == -1
    assert current["candidates"][0]["evidence"]


def test_what_is_sure_is_written_and_the_rest_is_asked_for(capsys, van, log):
    code, out, _ = run(capsys, "channels", log, "-b", van, "--write")
    assert code == 0
    assert "pack_current: Pack Current, sign turned round" in out
    assert "--accept heater_power=SIGNAL (Heating Power A or Heating Power B)" in out
    assert "Odometer declares no unit; accept it with --accept odometer --set odometer.unit=UNIT" in out
    code, out, _ = run(capsys, "channels", "-b", van)
    assert "pack_voltage Pack Voltage V +" in out
    assert "heater_power" not in out


def test_comments_of_the_user_stay_through_accept_set_and_remove(capsys, van, log):
    run(capsys, "channels", log, "-b", van, "--write")
    path = van / "channels.toml"
    table = "\n[channels.pack_current]"
    path.write_text(path.read_text().replace(table, f"\n# the shunt from the breaker's yard{table}"))
    run(capsys, "channels", log, "-b", van, "--accept", "heater_power=Heating Power A")
    code, _, err = run(capsys, "channels", "-b", van, "--set", "pack_current.sign=1", "--remove", "speed")
    assert code == 0, err
    text = path.read_text()
    assert "# the shunt from the breaker's yard" in text
    assert 'signal = "Heating Power A"' in text
    assert "\nsign = -1" not in text
    assert "[channels.speed]" not in text


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("--set", "pack_curent.sign=-1"), "Did you mean 'pack_current'?"),
        (("--set", "pack_current.sgin=-1"), "Did you mean 'sign'?"),
        (("--set", "pack_current.sign"), "no value is given"),
        (("--set", "pack_current.unit=furlong"), "'furlong' is no known unit"),
        (("--remove", "odometer"), "the map has no channel 'odometer'"),
        (("--write",), "Give a log, or a stored drive with --drive N"),
    ],
)
def test_a_wrong_edit_is_refused_and_leaves_the_file_as_it_was(capsys, van, log, arguments, problem):
    run(capsys, "channels", log, "-b", van, "--write")
    before = (van / "channels.toml").read_bytes()
    code, _, err = run(capsys, "channels", "-b", van, *arguments)
    assert code == 2
    assert problem in err
    assert (van / "channels.toml").read_bytes() == before


def test_the_catalogue_lists_every_channel(capsys):
    code, out, _ = run(capsys, "channels", "--catalog")
    assert code == 0
    for name in ("pack_current", "isolation_resistance", "gearbox_oil_temperature", "regen_torque_limit", "latitude"):
        assert name in out


def unsigned_log(path):
    """Frames whose current is signed in truth, by a DBC that calls it unsigned."""
    drive = urban_drive()
    time_s = np.arange(2.0, 200.0, 0.1)
    codes = {
        "current": np.rint(drive["pack_current"].at(time_s) * 10).astype(int) & 0xFFFF,
        "voltage": np.rint(drive["pack_voltage"].at(time_s) * 10).astype(int),
        "speed": np.rint(np.abs(drive["speed"].at(time_s)) * 360).astype(int),
    }
    lines = []
    for k, at_s in enumerate(time_s):
        data = b"".join(int(codes[name][k]).to_bytes(2, "little") for name in ("current", "voltage", "speed"))
        lines.append(f"({1_700_000_000 + at_s:.6f}) can0 100#{data.hex().upper()}0000\n")
    path.write_text("".join(lines))
    return path


def test_an_unsigned_current_is_refused_with_the_evidence_and_put_right_by_one_key(capsys, van, tmp_path):
    dbc, frames = tmp_path / "pack.dbc", unsigned_log(tmp_path / "drive.log")
    dbc.write_text(DBC)
    pairs = {"pack_current": "PackCurrent", "pack_voltage": "PackVoltage", "speed": "VehicleSpeed"}
    chosen = [f"--accept={channel}=PackStatus.{signal}" for channel, signal in pairs.items()]
    assert run(capsys, "channels", frames, "-b", van, "--dbc", dbc, *chosen)[0] == 0
    code, _, err = run(capsys, "import", frames, "-b", van, "--dbc", dbc)
    assert code == 2
    assert "pack_current: reads 6," in err
    assert "the DBC declares it unsigned" in err
    assert "Put 'signed = true' under it" in err
    assert run(capsys, "channels", "-b", van, "--set", "pack_current.signed=true")[0] == 0
    assert run(capsys, "import", frames, "-b", van, "--dbc", dbc)[0] == 0
    code, out, _ = run(capsys, "drive", "1", "-b", van)
    assert code == 0
    assert "Done to the data: signed: code read as signed; asked for in the channel map." in out
