import numpy as np
import pytest

from logan.channels.matching import Candidate, Suggestion
from logan.errors import ChannelError, ConfigurationError, UsageError
from logan.pipeline.builds import BuildFolder, new_build
from logan.pipeline.channels import (
    FoundChannels,
    accept_channels,
    edit_channels,
    mapped_channels,
    signals_of_dbcs,
    suggest_channels,
)
from tests.drive.twins import urban_drive

DBC = """VERSION ""
BO_ 256 PackStatus: 8 Logger
 SG_ Current : 0|16@1- (0.1,0) [0|0] "A" Vector__XXX
 SG_ Voltage : 16|16@1+ (0.1,0) [0|0] "V" Vector__XXX
"""


@pytest.fixture
def folder(tmp_path):
    new_build(tmp_path / "van")
    return BuildFolder(tmp_path / "van")


@pytest.fixture
def log(tmp_path):
    """A short CSV of the twin, current turned round."""
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
    rows = np.round(np.column_stack(list(columns.values())), 3)
    path = tmp_path / "drive.csv"
    np.savetxt(path, rows, delimiter=",", header=",".join(columns), comments="", fmt="%.3f")
    return path


def test_a_log_is_mapped_in_one_step(folder, log):
    outcome = accept_channels(folder, suggest_channels([log]))
    written = {source.channel: source for source in mapped_channels(folder).sources}
    assert set(written) >= {"speed", "pack_voltage", "pack_current"}
    assert written["pack_current"].sign == -1
    assert written["pack_current"].signal == "Pack Current"
    assert {tie.channel for tie in outcome.open_ties} == {"heater_power"}
    assert {bare.channel for bare in outcome.without_unit} == {"odometer"}
    assert "# suggested: its name says current" in folder.channels_file.read_text()


def test_what_is_mapped_already_stays(folder, log):
    edit_channels(folder, changes={"speed.signal": "Mine", "speed.unit": "mph"})
    outcome = accept_channels(folder, suggest_channels([log]))
    assert "speed" in outcome.kept
    assert next(s for s in mapped_channels(folder).sources if s.channel == "speed").signal == "Mine"


def test_one_channel_can_be_chosen_by_hand(folder, log):
    found = suggest_channels([log])
    accept_channels(folder, found, chosen={"heater_power": "Heating Power B", "speed": ""})
    assert [(s.channel, s.signal) for s in mapped_channels(folder).sources] == [
        ("heater_power", "Heating Power B"),
        ("speed", "Speed"),
    ]
    with pytest.raises(ChannelError, match="no signal was found for cabin_temperature"):
        accept_channels(folder, found, chosen={"cabin_temperature": ""})
    with pytest.raises(ChannelError, match="Did you mean 'speed'"):
        accept_channels(folder, found, chosen={"sped": ""})


def test_a_weak_suggestion_is_shown_and_not_written(folder):
    weak = Suggestion(
        channel="speed", candidates=(Candidate(signal="S", score=0.4, evidence=("guess",), unit="km/h", doubt="why"),)
    )
    outcome = accept_channels(folder, FoundChannels(suggestions=(weak,), units={"S": "km/h"}))
    assert outcome.unsure == (weak,)
    assert mapped_channels(folder).sources == ()


def test_channels_are_edited_and_taken_out(folder):
    edit_channels(folder, changes={"pack_current.signal": "I", "pack_current.unit": "A"})
    edit_channels(
        folder,
        changes={"pack_current.sign": "-1", "pack_current.averaged": "true", "pack_current.not_available": "[9.5]"},
    )
    (source,) = mapped_channels(folder).sources
    assert (source.sign, source.is_averaged, source.not_available) == (-1, True, (9.5,))
    assert edit_channels(folder, removed=["pack_current"]).sources == ()


def test_a_wrong_edit_leaves_the_file_as_it_was(folder):
    edit_channels(folder, changes={"speed.signal": "S"})
    before = folder.channels_file.read_text()
    with pytest.raises(ConfigurationError, match="no known unit"):
        edit_channels(folder, changes={"speed.unit": "counts"})
    for changes in ({"sped.unit": "km/h"}, {"speed.unti": "km/h"}, {"speed.sign": "minus"}):
        with pytest.raises(UsageError):
            edit_channels(folder, changes=changes)
    with pytest.raises(UsageError, match="no channel 'motor_speed'"):
        edit_channels(folder, removed=["motor_speed"])
    assert folder.channels_file.read_text() == before


def test_a_dbc_alone_is_enough_for_a_suggestion(tmp_path):
    path = tmp_path / "pack.dbc"
    path.write_text(DBC)
    assert [column.key for column in signals_of_dbcs([path])] == ["PackStatus.Current", "PackStatus.Voltage"]
    found = {one.channel: one.candidates[0].signal for one in suggest_channels([path]).suggestions}
    assert found == {"pack_voltage": "PackStatus.Voltage", "pack_current": "PackStatus.Current"}


def test_logs_and_dbcs_are_not_mixed(tmp_path, log):
    with pytest.raises(UsageError, match="given together"):
        suggest_channels([log, tmp_path / "x.dbc"])


def test_a_signal_that_does_not_exist_is_refused_and_one_chosen_by_hand_gets_its_unit(folder, log):
    found = suggest_channels([log])
    with pytest.raises(ChannelError, match="speed: there is no signal 'Sped'"):
        accept_channels(folder, found, chosen={"speed": "Sped"})
    assert mapped_channels(folder).sources == ()
    unit = next(unit for key, unit in found.units.items() if unit == "A")
    key = next(key for key, each in found.units.items() if each == unit)
    outcome = accept_channels(folder, found, chosen={"charger_current": key})
    assert (outcome.written[0].signal, outcome.written[0].unit) == (key, "A")


def test_a_mapping_is_not_overwritten_without_a_word(folder, log):
    found = suggest_channels([log])
    first = accept_channels(folder, found, chosen={"speed": ""}).written[0]
    other = next(key for key in found.units if key != first.signal)
    outcome = accept_channels(folder, found, chosen={"speed": other})
    assert outcome.replaced == (("speed", first.signal),)
    assert accept_channels(folder, found, chosen={"speed": other}).replaced == ()


def test_a_name_that_several_signals_have_is_refused(folder):
    found = FoundChannels(suggestions=(), units={"can0/A.Speed": "km/h", "can0/B.Speed": "km/h"})
    with pytest.raises(ChannelError, match=r"'Speed' is 2 signals. Write one in full, such as can0/A.Speed"):
        accept_channels(folder, found, chosen={"speed": "Speed"})
    assert accept_channels(folder, found, chosen={"speed": "B.Speed"}).written[0].signal == "can0/B.Speed"
