"""``logan new`` takes the units of an American locale, and asks elsewhere; its templates are in the units chosen."""

import sys

import pytest

from logan.cli.main import main
from logan.units import DisplayUnits

LOCALE = ("LC_ALL", "LC_MEASUREMENT", "LANG")


@pytest.mark.parametrize(
    ("locale", "is_terminal", "answer", "expected"),
    [
        ({"LANG": "en_US.UTF-8"}, True, None, "us"),
        ({}, True, None, "us"),
        ({"LC_ALL": "C"}, False, None, "us"),
        ({"LANG": "de_DE.UTF-8"}, True, "", "metric"),
        ({"LANG": "de_DE.UTF-8"}, True, "us", "us"),
        ({"LC_ALL": "en_US.UTF-8", "LANG": "de_DE.UTF-8"}, True, None, "us"),
        ({"LC_MEASUREMENT": "en_CA.UTF-8", "LANG": "en_US.UTF-8"}, True, "metric,lb", "metric,lb"),
        ({"LANG": "de_DE.UTF-8"}, False, None, "us"),  # nobody can be asked
    ],
)
def test_a_new_build_takes_its_units_from_the_locale_or_asks(
    tmp_path, monkeypatch, locale, is_terminal, answer, expected
):
    for name in LOCALE:
        monkeypatch.delenv(name, raising=False)
    for name, value in locale.items():
        monkeypatch.setenv(name, value)
    asked = []

    def reply(text, default):
        asked.append(text)
        return answer or default

    monkeypatch.setattr(sys.stdin, "isatty", lambda: is_terminal)
    monkeypatch.setattr("typer.prompt", reply)
    assert main(["new", str(tmp_path / "van")]) == 0
    assert bool(asked) == (answer is not None)
    text = (tmp_path / "van" / "build.toml").read_text(encoding="utf-8")
    assert f'units = "{expected}"' in text
    units = DisplayUnits.parse(expected)
    example = next(line for line in text.splitlines() if line.startswith("mass ="))
    assert units.unit_of("weight") in example


def test_units_that_are_said_are_taken_and_nothing_is_asked(tmp_path, monkeypatch):
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    monkeypatch.setattr("typer.prompt", lambda *args, **kwargs: pytest.fail("asked"))
    assert main(["new", str(tmp_path / "van"), "--units", "us,C"]) == 0
    assert 'units = "us,C"' in (tmp_path / "van" / "build.toml").read_text(encoding="utf-8")
