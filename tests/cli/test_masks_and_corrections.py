"""Masks and corrections by hand: reversible, with a reason, and with the energy before and after."""

import hashlib
import json
import re
from dataclasses import replace

import pytest

from logan.cli.main import main
from logan.demo.conversion import write_build
from logan.drive.drive import LogSource
from logan.drive_library.repository import DriveLibrary
from tests.drive.twins import urban_drive


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("masks") / "van"
    made.mkdir()
    write_build(made)
    with DriveLibrary.open(made / "drives", create=True) as library:
        source = LogSource(name="0.log", sha256=hashlib.sha256(b"0").hexdigest(), size_bytes=1, log_format="candump")
        library.add(replace(urban_drive(), sources=(source,)))
    return made


@pytest.fixture
def build(folder, capsys):
    yield folder
    main(["drive", "1", "-b", str(folder), "--unmask"])


def run(capsys, *arguments):
    capsys.readouterr()
    code = main([str(argument) for argument in arguments])
    shown = capsys.readouterr()
    return code, " ".join(shown.out.split()), " ".join(shown.err.split())


def net_wh(capsys, build):
    capsys.readouterr()
    assert main(["drive", "1", "-b", str(build), "--json"]) == 0
    return json.loads(capsys.readouterr().out)["analysis"]["energy"]["net_wh"]["value"]


def test_a_mask_stands_in_the_history_with_reason_and_energy_and_can_be_taken_back(capsys, build):
    before = net_wh(capsys, build)
    code, out, _ = run(capsys, "drive", "1", "-b", build, "--mask", "100s..160s", "--why", "tunnel, lost plug")
    assert code == 0
    assert "cut: 100 s to 160 s" in out
    assert "tunnel, lost plug" in out
    first, then = (float(text.replace(",", "")) for text in re.search(
        r"Net energy ([\d,.]+) Wh before, ([\d,.]+) Wh after", out).groups())  # fmt: skip
    assert first == pytest.approx(before, rel=0.01)
    assert then != pytest.approx(first, rel=0.005)
    code, out, _ = run(capsys, "drive", "1", "-b", build, "--unmask")
    assert "tunnel" not in out
    assert net_wh(capsys, build) == before


def test_minutes_and_seconds_and_one_channel_only(capsys, build):
    code, out, _ = run(capsys, "drive", "1", "-b", build, "--mask", "1:40..2:10", "--channel", "speed", "--why", "slip")
    assert code == 0
    assert "100 s to 130 s" in out
    assert "of 1 channels; slip" in out


def test_corrections_by_hand_are_taken_back_one_by_one(capsys, build):
    before = net_wh(capsys, build)
    run(capsys, "drive", "1", "-b", build, "--correct", "pack_current.offset=2", "--why", "zero read hot")
    run(capsys, "drive", "1", "-b", build, "--correct", "pack_voltage.gain=1.01@0s..100s", "--why", "meter")
    _, out, _ = run(capsys, "drive", "1", "-b", build)
    assert "correct: offset +2 A; zero read hot" in out
    assert "correct: gain 1.01, 0 s to 100 s; meter" in out
    assert net_wh(capsys, build) > before
    run(capsys, "drive", "1", "-b", build, "--undo", "1")
    _, out, _ = run(capsys, "drive", "1", "-b", build)
    assert "zero read hot" not in out
    assert "meter" in out


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("--mask", "1s..2s"), "a mask needs a reason"),
        (("--mask", "2s..1s", "--why", "x"), "ends before it starts"),
        (("--mask", "soon", "--why", "x"), "is no span"),
        (("--mask", "1s..2s", "--channel", "sped", "--why", "x"), "no channel 'sped'. Did you mean 'speed'?"),
        (("--correct", "pack_current.offset=1"), "a correction by hand needs a reason"),
        (("--correct", "pack_current.ofset=1", "--why", "x"), "is no correction"),
        (("--correct", "pack_current.gain=0", "--why", "x"), "is no correction"),
        (("--correct", "pack_curent.gain=2", "--why", "x"), "Did you mean 'pack_current'?"),
        (("--undo", "3"), "there is no correction 3"),
    ],
)
def test_what_makes_no_sense_is_refused_and_changes_nothing(capsys, build, arguments, problem):
    code, _, err = run(capsys, "drive", "1", "-b", build, *arguments)
    assert code == 2
    assert problem in err
    code, out, _ = run(capsys, "drive", "1", "-b", build)
    assert code == 0
    assert "Done to the data" not in out


def test_a_trimmed_end_is_no_part_of_the_drive_any_more(capsys, build):
    whole = json.loads(_json(capsys, build))["analysis"]["energy"]
    code, out, _ = run(capsys, "drive", "1", "-b", build, "--trim", "300s..", "--why", "parked")
    assert code == 0
    assert "cut: 300 s to the end" in out
    trimmed = json.loads(_json(capsys, build))["analysis"]["energy"]
    assert trimmed["duration_s"] == pytest.approx(300.0, abs=0.2)
    assert trimmed["coverage_ratio"] > 0.99
    assert trimmed["distance_m"]["value"] < 0.8 * whole["distance_m"]["value"]
    assert run(capsys, "drive", "1", "-b", build, "--untrim")[0] == 2


def _json(capsys, build):
    capsys.readouterr()
    assert main(["drive", "1", "-b", str(build), "--json"]) == 0
    return capsys.readouterr().out
