"""build.toml as a form: the same checks, comments kept, nothing saved that is wrong."""

import pytest

from logan.errors import ConfigurationError, UsageError
from logan.pipeline.builds import BuildFolder, new_build
from logan.pipeline.settings_form import read_form, save_fields, save_text


@pytest.fixture
def folder(tmp_path, monkeypatch):
    place = BuildFolder(tmp_path / "build")
    new_build(place.path)
    return place


def field(form, key):
    return next(field for section in form.sections for field in section.fields if field.key == key)


def test_a_form_shows_what_stands_in_the_file_and_what_could(folder):
    mass = field(read_form(folder), "vehicle.mass")
    assert mass.text == "1650 kg ± 20 kg"
    assert mass.hint == "300 to 12000 kg"
    assert mass.is_required
    assert "van" in field(read_form(folder), "vehicle.body_class").choices


def test_saving_changes_the_key_and_keeps_the_comments(folder):
    save_fields(folder, {"vehicle.mass": "3700 lb", "vehicle.drag_area": "0.9 m2", "pack.resistance": ""})
    text = folder.settings_file.read_text(encoding="utf-8")
    assert "# on the scales, with driver" in text
    assert folder.settings().vehicle.mass_kg.value == pytest.approx(1678.29, abs=0.01)
    assert folder.settings().vehicle.drag_area_m2.value == 0.9


def test_what_is_not_valid_is_not_saved(folder):
    before = folder.settings_file.read_bytes()
    with pytest.raises(ConfigurationError, match=r"vehicle\.mass: expected 300 to 12000 kg"):
        save_fields(folder, {"vehicle.mass": "5 kg"})
    with pytest.raises(ConfigurationError):
        save_text(folder, "not toml [")
    with pytest.raises(UsageError):
        save_fields(folder, {"vehicle.wings": "2"})
    assert folder.settings_file.read_bytes() == before
    assert [path.name for path in folder.path.iterdir() if path.name.startswith(".build")] == []


def test_a_file_with_faults_can_still_be_shown(folder):
    text = folder.settings_file.read_text(encoding="utf-8").replace('"1650 kg ± 20 kg"', '"1 kg"')
    folder.settings_file.write_text(text, encoding="utf-8")
    form = read_form(folder)
    assert field(form, "vehicle.mass").text == "1 kg"
    assert any("vehicle.mass" in problem for problem in form.problems)
