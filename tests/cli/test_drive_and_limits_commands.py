"""``logan drive N`` and ``logan limits``: what a drive says, and what came close to its limit."""

import hashlib
import json
import re
from dataclasses import replace
from types import SimpleNamespace
from unittest import mock

import numpy as np
import pytest

from logan.cli.limits_command import _worst, print_limits
from logan.cli.main import main
from logan.demo.conversion import write_build
from logan.drive.drive import Channel, LogSource
from logan.drive_library.repository import DriveLibrary
from logan.metrics.limits import BRIEFLY, NO_LIMIT_GIVEN, NOT_LOGGED, REFUSED, WITHIN, LimitCheck
from logan.settings import LimitSide
from logan.units import DisplayUnits
from logan.wording import runs
from tests.rich_drives import charge_drive, limited_town_drive


def hot_drive():
    """The town drive with an inverter that passes its red limit for a minute."""
    drive = limited_town_drive()
    time_s = np.arange(0.0, drive.duration_s, 1.0)
    value = np.where((time_s > 300.0) & (time_s < 360.0), 92.0, 40.0)
    return drive.with_channels(Channel(name="inverter_temperature", time_s=time_s, value=value))


@pytest.fixture(scope="module")
def build(tmp_path_factory):
    folder = tmp_path_factory.mktemp("limits") / "van"
    folder.mkdir()
    write_build(folder)
    with DriveLibrary.open(folder / "drives", create=True) as library:
        for number, drive in enumerate((limited_town_drive(), hot_drive(), charge_drive())):
            sha256 = hashlib.sha256(str(number).encode()).hexdigest()
            source = LogSource(name=f"{number}.log", sha256=sha256, size_bytes=1, log_format="candump")
            library.add(replace(drive, sources=(source,)))
    return folder


def run(capsys, *arguments):
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def flowing(text):
    return " ".join(text.split())


def test_a_drive_is_shown_with_what_must_not_be_missed(build, capsys):
    code, out, _ = run(capsys, "drive", "1", "-b", build, "-u", "km,C")
    assert code == 0
    words = flowing(out)
    for part in ("Wh/km net", "share regenerated", "pack current, discharge", "Derating:", "Isolation", "UN R100"):
        assert part in words
    assert "--full" in words
    assert "Ledger by speed" not in words
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80


def test_every_table_of_a_drive_with_full(build, capsys):
    code, out, _ = run(capsys, "drive", "1", "-b", build, "--full")
    assert code == 0
    words = flowing(out)
    for part in (
        "Error budget", "Energy ledger", "stop to stop", "Brakings (", "by SOC",
        "Hardest windows", "IEC 60949", "Derating (", "DC internal resistance", "Voltage sag",
        "Instruments, checked by driving", "AMBER: isolation",
    ):  # fmt: skip
        assert part in words, part


def test_a_charge_is_told(build, capsys):
    assert "Charge: " in flowing(run(capsys, "drive", "3", "-b", build)[1])
    assert "current that the pilot signal allowed 30 A" in flowing(run(capsys, "drive", "3", "-b", build, "--full")[1])


def test_limits_over_drives_name_part_drive_event_and_caution(build, capsys):
    code, out, _ = run(capsys, "limits", "-b", build, "-u", "km,C")
    assert code == 0
    words = flowing(out)
    assert "inverter temp. 92 °C 75 85 -7 ± 1 °C 2 BEYOND RED" in words
    assert "92 °C 85 °C 2" in words
    assert "RED: It ran hotter than its limit. Find out why, and have it cool" in words
    assert "No limit given:" in words
    assert "certification" in words
    assert "OK" not in out.split()
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80


def test_what_went_beyond_for_an_instant_is_not_within_every_limit():
    """ "Within every limit given; closest pack current 402 A" once stood over a margin of -2 A."""

    def line(verdict):
        check = SimpleNamespace(verdict=verdict, worst_value=402.0, unit="A", channel="pack_current", severity=None)
        return SimpleNamespace(check=check, drive=5)

    with mock.patch("logan.cli.limits_command.limit_name", return_value="pack current"):
        beyond, within = (_worst([line(one)], "5 drives", DisplayUnits()) for one in (BRIEFLY, WITHIN))
    assert beyond == "Beyond for an instant: pack current 402 A (drive 5). 1 limit over 5 drives."
    assert within.startswith("Within every limit given; closest pack current 402 A")


def test_a_limit_that_was_given_is_not_told_as_none(capsys):
    """A motor with a limit and no sensor stood under "No limit given", and the note below said the opposite."""

    def line(channel, verdict, worst=None):
        check = LimitCheck(channel=channel, unit="degC", side=LimitSide.ABOVE, amber=None, red=None, worst_value=worst,
                           verdict=verdict)  # fmt: skip
        return SimpleNamespace(check=check, drive=1)

    lines = [line("motor_temperature", NOT_LOGGED), line("pack_temperature", NO_LIMIT_GIVEN, 30.0),
             line("inverter_temperature", REFUSED)]  # fmt: skip
    found = SimpleNamespace(lines=lines, drives=[1], kinds=[])
    print_limits(found, [], DisplayUnits.parse("metric"), is_full=False)
    assert capsys.readouterr().out.splitlines() == [
        "No limit given: pack temperature 30 °C.",
        "Limit given, not logged: motor temperature.",
        "Limit given, data refused: inverter temperature.",
    ]


def test_the_list_of_drives_names_those_that_passed_a_limit_before_anything_else(build, capsys):
    """ "No red flag" once stood alone over a drive with a part beyond red: those are the flags of the data."""
    events = [drive for drive in (1, 2, 3) if "What passed a limit" in run(capsys, "drive", str(drive), "-b", build)[1]]
    assert 2 in events
    first = flowing(run(capsys, "drives", "-b", build)[1]).split(" One in full:")[0]
    assert re.search(r"; limits passed on drive ([\d, to]+): logan limits; ", first)[1] == runs(events)


def test_limits_of_chosen_drives_only_and_as_json(build, capsys):
    code, out, _ = run(capsys, "limits", "1", "-b", build, "--json")
    content = json.loads(out)
    assert code == 0
    assert content["drives"] == [1]
    assert content["schema"] == "limits-over-drives/2"
    assert all(kind["what"] != "inverter_temperature" for kind in content["kinds"])
    both = json.loads(run(capsys, "limits", "1", "2", "-b", build, "--json")[1])
    (kind,) = [kind for kind in both["kinds"] if kind["what"] == "inverter_temperature"]
    assert kind["drives"] == [2]
    assert kind["worst"]["caution"].startswith("It ran hotter")
    assert kind["worst"]["context"]["speed_m_per_s"] >= 0.0


def test_limits_of_a_drive_that_is_not_there(build, capsys):
    code, _, err = run(capsys, "limits", "99", "-b", build)
    assert code == 2
    assert "logan drives" in err
