"""Sentences of the core are read on the page in the units of the build; bare numbers and files stay SI."""

import json
import re

from logan.units.sentences import MARK, measure


def spoken(workspace, units):
    """Show the build 'van' in these units."""
    path = workspace / "van" / "build.toml"
    text = re.sub(r'(?m)^units = ".*"', f'units = "{units}"', path.read_text(encoding="utf-8"))
    path.write_text(text, encoding="utf-8")


def test_what_the_page_is_told_is_read_in_the_units_of_the_build(client, workspace):
    for units, expected, other in (("us", "mph", "km/h"), ("metric", "km/h", "mph")):
        spoken(workspace, units)
        for address in ("drives/1", "drives/1/workbench", "range", "limits", "drive-list", "first-hour"):
            answer = client.get(f"/api/v1/builds/van/{address}")
            assert answer.status_code == 200, address
            assert MARK not in answer.text, address
            assert not re.search(rf"\d {other}\b", answer.text), address
        drive = client.get("/api/v1/builds/van/drives/1").json()
        assert expected in json.dumps(drive["analysis"]), units


def test_a_refusal_is_read_in_the_units_of_the_build(client, workspace, monkeypatch):
    from logan.errors import NotEnoughDataError
    from logan.web import work

    def refuse(folder):
        raise NotEnoughDataError(f"the drive covers {measure(59, 'm')}", "Drive further")

    monkeypatch.setattr(work, "basis_of", refuse)
    for units, words in (("us", "the drive covers 194 ft"), ("metric", "the drive covers 59 m")):
        spoken(workspace, units)
        assert client.get("/api/v1/builds/van/range").json()["problem"] == words
