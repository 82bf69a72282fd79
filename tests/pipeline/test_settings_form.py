"""build.toml as a form: the same checks, comments kept, nothing saved that is wrong."""

import re

import pytest

from logan.cli.main import main
from logan.configuration.keys import BUILD_FILE, SCENARIO
from logan.errors import ConfigurationError, ConflictError, UsageError
from logan.pipeline.builds import BuildFolder, new_build, shown_units
from logan.pipeline.settings_form import read_form, save_fields, save_text, settings_like
from logan.units import DisplayUnits


@pytest.fixture
def folder(tmp_path, monkeypatch):
    place = BuildFolder(tmp_path / "build")
    new_build(place.path)
    return place


def field(form, key):
    return next(field for section in form.sections for field in section.fields if field.key == key)


def test_a_form_shows_what_stands_in_the_file_and_what_could(folder):
    mass = field(read_form(folder), "vehicle.mass")
    assert mass.text == "3640 lb ± 45 lb"
    assert mass.hint.endswith("; 670 to 26000 lb")
    assert mass.is_required
    assert "van" in field(read_form(folder), "vehicle.body_class").choices


@pytest.mark.parametrize("system", ["us", "metric"])
def test_a_range_is_said_in_few_digits_and_what_it_says_is_taken(system):
    bounds = re.compile(r"(?:^|; )(-?[\d.]+)(?:, or ([\d.]+))? to (-?[\d.]+) (\S.*)$")
    found = {
        one.key: said.groups()
        for one in settings_like("", DisplayUnits.parse(system))
        if (said := bounds.search(one.hint)) is not None
    }
    assert found["target.range"][::2] == (("0.63", "1800") if system == "us" else ("1", "3000"))  # from 1 to 3000 km
    keys = {f"{table.name}.{key.name}": key for table in BUILD_FILE.keys for key in getattr(table.kind, "keys", ())}
    keys |= {f"scenario.{key.name}": key for key in SCENARIO.keys}
    assert len(found) > 30
    for name, (*numbers, unit) in found.items():
        for number in filter(None, numbers):
            assert len(number.replace(".", "").strip("-0")) <= 3, f"{name}: {number}"
            keys[name].kind.read(f"{number} {unit}")  # raises where it is refused


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
    text = folder.settings_file.read_text(encoding="utf-8").replace('"3640 lb ± 45 lb"', '"1 kg"')
    folder.settings_file.write_text(text, encoding="utf-8")
    form = read_form(folder)
    assert field(form, "vehicle.mass").text == "1 kg"
    assert any("vehicle.mass" in problem for problem in form.problems)


def test_reductions_window_and_limits_are_said_in_one_line_each(folder):
    save_fields(
        folder,
        {
            "gearing.reductions": "drive unit = 4.0, axle = 4.11",
            "pack.usable_window": "10 %, 0.9",
            "limits.motor_temperature.amber": "250 degF",
            "limits.motor_temperature.red": "300 degF",
            "limits.motor_temperature.source": "datasheet",
            "limits.pack_current.red": "600 A",
        },
    )
    settings = folder.settings()
    assert [(step.name, step.ratio) for step in settings.powertrain.gearing.reductions] == [
        ("drive unit", 4.0),
        ("axle", 4.11),
    ]
    assert settings.pack.usable_energy_wh.value == pytest.approx(0.8 * 96 * 3 * 63 * 3.65)
    limit = next(limit for limit in settings.limits.limits if limit.channel == "motor_temperature")
    assert limit.amber == pytest.approx((250 - 32) / 1.8)
    assert limit.source == "datasheet"
    form = read_form(folder)
    assert field(form, "gearing.reductions").text == "drive unit = 4.0, axle = 4.11"
    assert field(form, "pack.usable_window").text == "0.1, 0.9"
    assert field(form, "limits.motor_temperature.red").text == "300 degF"
    save_fields(folder, {"limits.motor_temperature.amber": "", "limits.motor_temperature.red": ""})
    assert [limit.channel for limit in folder.settings().limits.limits] == ["pack_current"]


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("gearing.reductions", "9.1"),
        ("gearing.reductions", "axle = 4, axle = 5"),
        ("gearing.reductions", "axle = 99"),
        ("gearing.reductions", ""),
        ("pack.usable_window", "wide"),
        ("pack.usable_window", "0.9, 0.1"),
        ("pack.usable_window", "0.1"),
        ("limits.motor_temperature.red", "120 A"),
        ("limits.motor_temperature.source", "datasheet"),
    ],
)
def test_a_problem_names_the_field_that_it_is_in(folder, key, text):
    before = folder.settings_file.read_bytes()
    with pytest.raises(ConfigurationError) as refused:
        save_fields(folder, {key: text})
    named = [problem.split(": ", 1)[0].split("[")[0] for problem in refused.value.problems]
    assert any(key == name or key.startswith(name + ".") for name in named), refused.value.problems
    assert folder.settings_file.read_bytes() == before


def test_limits_can_be_added_where_the_file_has_curves(folder):
    text = folder.settings_file.read_text(encoding="utf-8")
    curve = '[[limits.curve]]\ncomponent = "fuse"\npoints = [["1 s", "900 A"], ["60 s", "600 A"]]\n\n[target]'
    save_text(folder, text.replace("[target]", curve))
    save_fields(folder, {"limits.inverter_temperature.red": "85 degC"})
    assert folder.settings().limits.curves[0].component == "fuse"
    assert folder.settings().limits.limits[0].red == 85.0


def problems_of_saving(folder, key, text):
    try:
        save_fields(folder, {key: text})
    except ConfigurationError as error:
        return error.problems
    return ()


def test_every_example_is_right_for_its_own_field(folder):
    fields = [field for section in read_form(folder).sections for field in section.fields if field.example]
    assert len(fields) > 80
    save_fields(folder, {"vehicle.width": "1.7 m", "vehicle.height": "1.4 m"})
    for one in fields:
        assert [line for line in problems_of_saving(folder, one.key, one.example) if line.startswith(one.key)] == []
    heater = field(read_form(folder), "auxiliary.heater_limit")
    assert heater.example == "5 kW"
    assert heater.hint.startswith("0 W: not fitted")


def test_a_setting_is_explained_from_its_one_declaration_wherever_it_is_asked_for(folder, capsys):
    """Template, form, help on the terminal and the message for a wrong value: one example, one range, one text."""
    template = folder.settings_file.read_text(encoding="utf-8")
    shown = {one.key: one for section in read_form(folder).sections for one in section.fields}
    for one in settings_like("", shown_units(folder.path)):
        name = one.key.rsplit(".", 1)[1]
        assert re.search(rf"\b{name} = ", template), one.key
        if not one.key.startswith("scenario."):  # rows of their own on the page
            assert (shown[one.key].example, shown[one.key].choices) == (one.example, one.choices)
            assert shown[one.key].is_required == one.is_required
        said = one.choices or one.key.startswith("certificate.") or name == "name" or re.search("[a-z]{3}", one.hint)
        assert said, f"{one.key} has no word of explanation in the template"
    assert main(["explain", "reserve"]) == 0
    assert "kept back; 0 to 90 %" in capsys.readouterr().out
    assert main(["explain", "round trip"]) == 0
    assert "out and back on the same road" in capsys.readouterr().out
    assert main(["explain", "a word that nobody uses"]) == 2
    assert "is no word, setting or chapter" in capsys.readouterr().err
    (problem,) = problems_of_saving(folder, "target.reserve", "much")
    assert field(read_form(folder), "target.reserve").example in problem


def test_a_name_of_digits_stays_a_text(folder):
    save_fields(folder, {"build.name": "1972"})
    assert folder.settings().name == "1972"


@pytest.mark.parametrize("wrong", ["limits.motor_temperature = 3", "limits = 3", "limits.motor_temperature.red = [1]"])
def test_a_limit_of_the_wrong_form_is_shown_and_refused(folder, wrong):
    text = folder.settings_file.read_text(encoding="utf-8")
    start = text.index("[limits]")
    faulty = wrong + "\n" + text[:start] + text[text.index("[target]") :]
    folder.settings_file.write_text(faulty, encoding="utf-8")
    assert any("limits" in problem for problem in read_form(folder).problems)
    with pytest.raises(ConfigurationError):
        save_fields(folder, {"limits.motor_temperature.amber": "120 degC"})
    assert folder.settings_file.read_text(encoding="utf-8") == faulty


@pytest.mark.parametrize("name", ['Spitfire "7"', "Käfer 1303", "a\\b"])
def test_a_new_build_has_the_name_that_its_folder_was_given(tmp_path, name):
    new_build(tmp_path / name)
    assert BuildFolder(tmp_path / name).settings().name == name


def test_a_file_that_another_editor_left_in_its_own_encoding_is_a_conflict(folder):
    form = read_form(folder)
    folder.settings_file.write_bytes(form.text.encode() + "# Größe\n".encode("cp1252"))
    with pytest.raises(ConflictError) as refused:
        save_text(folder, form.text, version=form.version)
    assert refused.value.texts[0][0] == "build.toml"
    assert folder.settings_file.read_bytes().endswith(b"# Gr\xf6\xdfe\n")
