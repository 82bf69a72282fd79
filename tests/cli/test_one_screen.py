"""A build that has much to say: thirty drives, many limits, and most of them passed; its answers fit one screen too."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from logan.cli.main import SCREENED, main
from logan.cli.rendering import ROWS, WIDTH, one_screen, print_lines, print_list, print_table, say
from tests.pipeline.twin_fleet import store_fleet

DRIVES = 30
COLD = (
    "motor_temperature",
    "inverter_temperature",
    "coolant_temperature",
    "coolant_temperature_outlet",
    "cell_temperature_max",
    "pack_temperature",
)
LOW = {
    "speed": ("10 mph", "20 mph"),
    "motor_torque": ("10 Nm", "20 Nm"),
    "heater_power": ("10 W", "20 W"),
    "dcdc_power": ("10 W", "20 W"),
    "pack_voltage": ("358 V", "360 V"),
    **dict.fromkeys(COLD, ("12 degC", "15 degC")),
}
COMMANDS = {
    "plan": ["--dry"],
    "drive": [str(DRIVES)],
    "trend": ["net-consumption"],
    "effect": ["--before", "1-10", "--after", "11-30"],
}


def write_rich_build(root: Path) -> Path:
    """A vehicle whose every limit is too low, with six curves of components, and thirty short drives."""
    folder = store_fleet(root, vehicles=1, drives=DRIVES, duration_s=240.0) / "van-001"
    text = re.sub(r"(?m)^(motor|inverter|coolant|cell)_temperature.*\n", "", (folder / "build.toml").read_text("utf-8"))
    limits = "".join(
        f'{channel} = {{ amber = "{amber}", red = "{red}", source = "an invented datasheet of this very part" }}\n'
        for channel, (amber, red) in LOW.items()
    )
    curves = "".join(
        f'[[limits.curve]]\ncomponent = "component {part}"\npoints = [["1 s", "9 A"], ["10 s", "6 A"]]\n'
        'source = "another invented datasheet"\n\n'
        for part in range(6)
    )
    text = text.replace('design_ambient = "35 °C"\n', f'design_ambient = "10 °C"\n{limits}')
    text = text.replace("[[limits.conductor]]", f"{curves}[[limits.conductor]]")
    (folder / "build.toml").write_text(text, "utf-8")
    return folder


@pytest.fixture(scope="module")
def rich(tmp_path_factory):
    folder = write_rich_build(tmp_path_factory.mktemp("rich"))
    assert main(["plan", "-b", str(folder)]) == 0
    return folder


@pytest.mark.parametrize("command", sorted(SCREENED - {"look"}))
def test_a_build_with_much_to_say_is_answered_on_one_screen(rich, capsys, command):
    capsys.readouterr()
    assert main([command, *COMMANDS.get(command, []), "-b", str(rich), "--units", "us"][: None if command not in (
        "look", "channels") else -2]) == 0  # fmt: skip
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) <= ROWS, "\n".join(lines)
    assert max(map(len, lines)) <= WIDTH


def test_what_is_cut_is_counted_and_the_gravest_and_the_newest_stay(rich, capsys):
    capsys.readouterr()
    assert main(["limits", "-b", str(rich)]) == 0
    short = capsys.readouterr().out
    assert "more: logan limits --full" in short
    assert "BEYOND RED" in short.splitlines()[0]
    assert main(["limits", "-b", str(rich), "--full"]) == 0
    full = capsys.readouterr().out
    assert "more: logan" not in full
    assert all(f"component {part}" in full for part in range(6))
    assert main(["drives", "-b", str(rich)]) == 0
    shown = [int(found) for found in re.findall(r"(?m)^(\d+) +20\d\d-", capsys.readouterr().out)]
    assert shown == list(range(shown[0], DRIVES + 1))


def test_the_longest_table_is_cut_first_and_no_line_of_words_is_lost(capsys):
    with one_screen(["limits", "3", "--units", "us"]):
        print_lines("the answer")
        print_table(("a",), [(f"long {row}",) for row in range(60)])
        print_table(("b",), [(f"short {row}",) for row in range(5)])
        print_list(f"remark {row}" for row in range(2))
        say("the end")
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == ROWS
    assert (lines[0], lines[-1]) == ("the answer", "the end")
    kept = sum(line.startswith("long") for line in lines)
    assert f"... and {60 - kept} more: logan limits 3 --full" in lines
    assert sum(line.startswith(("short", "remark")) for line in lines) == 7


def test_what_was_printed_before_an_error_is_shown(capsys):
    def fails():
        with one_screen(["drives"]):
            print_lines("so far")
            raise ValueError("later")

    with pytest.raises(ValueError, match="later"):
        fails()
    assert capsys.readouterr().out == "so far\n"
