"""Every number of the answer, wherever it is shown, is the same."""

import hashlib
import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pytest

from logan.cli.main import main
from logan.drive_library.repository import EVERY_DRIVE, DriveLibrary
from logan.driving_range.attribution import SPREAD
from logan.model.breakdown import CAUSES
from logan.pipeline import refine
from logan.pipeline.builds import BuildFolder
from logan.pipeline.refine import ANSWER_SEED, answer_of, answer_with, kept_answer, refine_build
from logan.pipeline.reporting import document_of, gather_report
from logan.pipeline.stored import stored_drives
from logan.pipeline.what_if import range_json, starting_question, what_if
from logan.report.inputs import FigureBlock, TableBlock, Verdict
from logan.report.page import render_page
from logan.report.sections.certificate import certificate_document
from logan.report.sections.driving_range import CHANGES
from logan.results import json_ready
from logan.settings import Scenario, ScenarioKind
from logan.web.work import basis_of
from logan.wording import parameter_words, told
from tests.pipeline.twin_fleet import store_fleet

MILE_M = 1609.344

# As a builder of the US reads them: factor and decimals.
IN_US = {
    "mass_kg": (1.0 / 0.45359237, 0), "drag_area_m2": (10.7639104, 1), "rolling_coefficient": (1.0, 4),
    "drive_efficiency_ratio": (100.0, 1), "regen_efficiency_ratio": (100.0, 1), "auxiliary_power_w": (1.0, 0),
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    root = store_fleet(tmp_path_factory.mktemp("fleet"), vehicles=1, drives=3, duration_s=420.0)
    return BuildFolder(root / "van-001")


@pytest.fixture(scope="module")
def answer(folder):
    return answer_of(folder)


def said(capsys, *arguments):
    capsys.readouterr()
    assert main([*arguments]) == 0
    return capsys.readouterr().out


def per_scenario(prediction):
    """What stands beside each scenario, rounded as a builder reads it."""
    return {
        case["name"]: (
            round(case["consumption"]["p50"] * MILE_M / 1000.0),
            round(case["range_m"]["p50"] / MILE_M),
            round(case["range_m"]["p10"] / MILE_M),
            round(case["range_m"]["p90"] / MILE_M),
        )
        for case in prediction["scenarios"]
    }


def test_the_answer_is_kept_and_comes_back_as_it_was(folder, answer):
    assert json_ready(kept_answer(folder)) == json_ready(answer)


def test_an_answer_is_that_of_the_build_that_keeps_it(folder, answer, tmp_path):
    """The same build once more, never worked out there, had the answer until the program ended."""
    twin = BuildFolder(tmp_path / "twin")
    shutil.copytree(folder.path, twin.path)
    assert kept_answer(twin) is not None
    with DriveLibrary.open(twin.library) as library:
        library.set_analysis(EVERY_DRIVE, refine._ANSWER, "out of date", {})
    assert kept_answer(folder) is not None
    assert kept_answer(twin) is None


def test_a_round_trip_is_said_wherever_its_range_stands(folder, answer, capsys):
    target = answer.range.refined.target
    assert target.way == "round trip"
    assert said(capsys, "range", "-b", str(folder.path)).startswith(f"{target.name}, round trip: ")
    inputs = gather_report(folder)
    for document in (document_of(inputs), certificate_document(inputs)):
        assert "round trip" in re.sub(
            "<title>.*?</title>|<svg.*?</svg>", "", render_page(document, folder.settings().display), flags=re.DOTALL
        )


def test_sliders_of_a_mix_driven_back_ask_for_a_road_driven_back(folder):
    build = folder.settings()
    mix = Scenario(name="mix", kind=ScenarioKind.MIX, parts={build.target.scenario: 1.0}, round_trip=True)
    build = replace(build, scenarios=(*build.scenarios, mix), target=replace(build.target, scenario="mix"))
    answered = what_if(build, basis_of(folder), starting_question(build))
    assert answered.answer.way == "round trip"


def in_figures(budget):
    """A budget of the page without the words that name its sources there."""
    assert all(row["words"] == parameter_words(row["source"]) for row in budget["rows"])
    return {**budget, "rows": [{key: row[key] for key in row if key != "words"} for row in budget["rows"]]}


def test_every_face_shows_the_same_numbers(folder, answer, capsys):
    expected = per_scenario(json_ready(answer.range.refined))
    target = answer.range.refined.target
    chance = round(100 * target.probability_of_target)

    as_json = json.loads(said(capsys, "range", "-b", str(folder.path), "--json"))
    assert per_scenario(as_json["refined"]) == expected
    assert as_json["refined"]["scenarios"][0] == json_ready(answer.range.refined.scenarios[0])
    fitted = json.loads(said(capsys, "fit", "-b", str(folder.path), "--json"))
    in_si = told(json.dumps(json_ready(answer.next_tests), ensure_ascii=False), None)
    assert fitted["next_tests"] == json.loads(in_si)

    page = range_json(folder, basis_of(folder))
    assert page["basis"] == "fit"
    assert per_scenario(page["prediction"]) == expected
    assert in_figures(page["budget"]) == json_ready(answer.range.budget)
    assert page["next_tests"] == json_ready(answer.next_tests)

    terminal = said(capsys, "range", "-b", str(folder.path), "--full")
    rows = dict(re.findall(r"^(\S.*?) ?\*? {2,}\d+ / (\d+ +\d+ / \d+ +\d+-\d+) ", terminal, re.MULTILINE))
    in_terminal = {name: tuple(int(n) for n in re.findall(r"\d+", text)) for name, text in rows.items()}
    for name, (used, reach, low, high) in expected.items():
        found = in_terminal[name]
        assert (found[0], found[2], found[3], found[4]) == (used, reach, low, high)
    flat = " ".join(terminal.split())
    assert f"{target.name}, {target.way}: {expected[target.name][1]} mi (8 times in 10: " in flat
    assert f" mi: {chance} % (" in flat or chance in (0, 100)
    assert f"' moved from {round(answer.range.planned.target.range_m.p50 / MILE_M)} to " in flat

    blocks = [block for section in document_of(gather_report(folder)).sections for block in section.blocks]
    mass = re.search('(?m)^mass = "([^"]*)"', folder.settings_file.read_text(encoding="utf-8"))[1]
    rests_on = [row[1] for b in blocks if isinstance(b, TableBlock) for row in b.rows if row[0] == "vehicle"]
    assert any(f", {mass} as entered, " in row for row in rests_on), "as typed"
    strip = next(block for block in blocks if isinstance(block, FigureBlock)).figure
    assert strip.finding.startswith(f"{expected[target.name][1]} mi in '{target.name}'")
    verdict = next(block for block in blocks if isinstance(block, Verdict))
    assert f"is {chance} %" in verdict.because or chance in (0, 100)
    certificate = [b for s in document_of(gather_report(folder), "certificate").sections for b in s.blocks]
    (weight,) = (row[1] for b in certificate if isinstance(b, TableBlock) for row in b.rows if row[0] == "test weight")
    assert weight.startswith(f"{mass} as entered"), "as typed"
    validated = next(b for b in certificate if isinstance(b, TableBlock) and b.caption.startswith("Range per scenario"))
    for row in validated.rows:
        name = row[0].removesuffix(" (target)")
        assert row[2].startswith(f"{expected[name][1]} ± ")
        assert row[3] == str(expected[name][0])
    table = next(
        block for block in blocks if isinstance(block, TableBlock) and block.caption.startswith("Every scenario")
    )
    for row in table.rows:
        assert (
            tuple(int(n) for n in re.findall(r"\d+", " ".join(row[3:5]).replace(",", "")))[:1]
            == expected[row[0].removesuffix(" *")][:1]
        )
        assert re.findall(r"\d+", row[4])[0] == str(expected[row[0].removesuffix(" *")][1])

    owner = certificate_document(gather_report(folder))
    blocks = [block for section in owner.sections for block in section.blocks]
    table = next(block for block in blocks if isinstance(block, TableBlock) and block.headings[0] == "scenario")
    for name, _, reach, used, *_ in table.rows:
        assert (int(used), int(re.findall(r"\d+", reach)[0])) == expected[name.removesuffix(" (target)")][:2]
    assert len(table.rows) == len(expected)

    sheet = said(capsys, "range", "-b", str(folder.path), "--budget")
    assert f"Combined {answer.range.budget.combined / MILE_M:.1f} mi" in " ".join(sheet.split())


def numbers_of(text):
    return [float(one) for one in re.findall(r"\d+(?:\.\d+)?", text.replace(",", ""))]


def rows_of_report(folder, caption):
    """Rows of the report's table, and of the certificate's where it has it: first cell and all its numbers."""
    sections = document_of(gather_report(folder)).sections
    tables = [b for s in sections for b in s.blocks if isinstance(b, TableBlock) and b.caption.startswith(caption)]
    assert tables, caption
    return tables[0].headings, [tuple(map(str, row)) for row in tables[0].rows]


def test_parameters_tests_budget_and_packs_are_one_on_every_face(folder, answer, capsys):
    """From the object by hand; then the report's tables, the terminal's and the JSON of commands and page."""
    fit, budget, tests = answer.fit.fit, answer.range.budget, answer.next_tests
    here = ("-b", str(folder.path))
    terminal = {
        "fit": said(capsys, "fit", *here, "--full"),
        "range": said(capsys, "range", *here, "--full") + said(capsys, "range", *here, "--budget"),
    }
    as_json = {name: json.loads(said(capsys, name, *here, "--json")) for name in ("fit", "range")}
    page = range_json(folder, basis_of(folder))

    # (caption, command, what each row must show: name and numbers as a builder reads them)
    parameters = {
        index: [round(IN_US[name][0] * one, IN_US[name][1]) for one in (found.value, found.sigma)]
        for index, name in enumerate(fit.parameter_names)
        if (found := fit.as_planned(name))
    }
    assert len(parameters) == 6
    expected = {
        ("± one standard", "fit"): parameters,
        ("What to do next", "fit"): {
            index: [round(test.gain_m / MILE_M, 1), round(test.hours, 1), round(test.gain_m_per_h / MILE_M, 1)]
            for index, test in enumerate(tests.candidates[:6])
        },
        ("Uncertainty budget", "range"): {
            index: [round(row.contribution / MILE_M, 1)]
            for index, row in enumerate(r for r in budget.rows if r.contribution > 0.005 * budget.combined)
        },
        ("Packs that can be built", "range"): {
            index: [round(choice.usable_energy_wh / 1000.0, 1), round(choice.range_m.p50 / MILE_M)]
            for index, choice in enumerate(answer.range.refined_sizing.choices)
        },
    }
    for (caption, command), rows in expected.items():
        _, shown = rows_of_report(folder, caption)
        lines = [" ".join(line.split()) for line in terminal[command].splitlines()]
        # The report has the first of them where the terminal has all.
        assert len(shown) >= min(len(rows), 4), caption
        assert rows, caption
        for index, values in rows.items():
            row = shown[index] if index < len(shown) else None
            assert row is None or set(values) <= set(numbers_of(" ".join(row))), (caption, values, row)
            begins = "" if row is None else row[0].split(" (")[0][:6]
            beside = [line for line in lines if line.startswith(begins)]
            assert any(set(values) <= set(numbers_of(line)) for line in beside), (caption, values, beside)

    assert in_figures(page["budget"]) == json_ready(budget) == as_json["range"]["budget"]
    assert as_json["range"]["refined_sizing"] == json_ready(answer.range.refined_sizing)
    assert page["usable_energy_wh"] == answer.range.refined_usable.energy_wh
    assert page["planned"] == json_ready(answer.plan.prediction)
    for name in ("mass_kg", "drag_area_m2"):
        assert page[name] == fit.posterior.estimate(name).value
    assert as_json["fit"]["report"]["fit"] == json.loads(told(json.dumps(json_ready(fit), ensure_ascii=False), None))


def test_steps_from_plan_to_fit_and_packs_by_chance_are_one_on_every_face(folder, answer, capsys):
    """The steps' signs too; the page draws the larger ones, adds driveline's two, and names the rest in one."""
    here = ("-b", str(folder.path))
    terminal = said(capsys, "range", *here, "--full")
    lines, flat = terminal.splitlines(), " ".join(terminal.split())
    as_json = json.loads(said(capsys, "range", *here, "--json"))
    assert as_json["attributions"] == json_ready(answer.range.attributions)

    target = answer.range.refined.target
    attribution = answer.range.attribution(target.name)
    _, rows = rows_of_report(folder, f"Why '{target.name}' moved")
    first = next(index for index, line in enumerate(lines) if line.startswith("assumption"))
    steps = [one for one in attribution.steps if one.name != SPREAD]
    # The report has the seven largest and all others in one row, the terminal all of them.
    assert len(rows) == 8 < len(attribution.steps)
    left = [sum(getattr(step, name) for step in attribution.steps[7:]) for name in CHANGES]
    assert rows[-1] == ("all others", "", "", f"{left[0] * MILE_M / 1000.0:+.1f}", f"{left[1] / MILE_M:+.1f}")
    for step, row in zip(attribution.steps[:7], rows, strict=False):
        moved = [
            f"{round(one, 1):+.1f}" if round(one, 1) else "0.0"
            for one in (step.consumption_change_wh_per_km * MILE_M / 1000.0, step.range_change_m / MILE_M)
        ]
        assert list(row[3:]) == moved, step.name
        beside = [line for line in lines[first:] if line.startswith(row[0][:20])]
        assert any(line.split()[-2:] == moved for line in beside), step.name
        if step.name in IN_US:
            factor, digits = IN_US[step.name]
            for value, cell in zip((step.before, step.after), row[1:3], strict=True):
                assert numbers_of(cell) == [round(factor * value, digits)], step.name
    whole = sum(step.range_change_m for step in attribution.steps)
    assert whole == pytest.approx(target.range_m.p50 - answer.range.planned.target.range_m.p50)

    (drawn,) = [one for one in range_json(folder, basis_of(folder))["figures"] if "; all others " in one["alt"]]
    largest = max(steps, key=lambda step: abs(step.range_change_m))
    assert f"{largest.range_change_m / MILE_M:+.1f}" in drawn["alt"]
    in_all = sum(float(one) for one in re.findall(r"[+-]\d+\.\d(?=;|$)", drawn["alt"]))
    assert in_all == pytest.approx(whole / MILE_M, abs=0.4)
    start, end = (round(one / MILE_M) for one in (attribution.range_before_m, attribution.range_after_m))
    assert f"{start} mi planned, {end} now" in drawn["alt"]

    sizing = answer.range.refined_sizing
    words = ", ".join(
        f"{size.confidence_ratio:.0%}".replace("%", " %") + f": {size.usable_energy_wh / 1000.0:.1f} kWh"
        for size in sizing.sizes
    )
    assert f"by chance of making it: {words}." in flat
    report = json.dumps(json_ready(document_of(gather_report(folder))), ensure_ascii=False)
    assert words in report
    saved = f"would save {sizing.saved_by_halving_uncertainty_wh / 1000.0:.1f} kWh"
    assert saved in flat
    assert saved in report


def test_causes_add_up_to_the_consumption_beside_them_on_every_face(folder, answer, capsys):
    terminal = said(capsys, "range", "-b", str(folder.path), "--full")
    shown = terminal[terminal.index("Where it goes, ") :].splitlines()
    _, rows = rows_of_report(folder, "Where it goes, ")
    for one, row in zip(answer.range.refined.scenarios, rows, strict=True):
        per_mile = [MILE_M / 1000.0 * sum(getattr(one.breakdown, f"{cause}_wh_per_km")[0] for cause in CAUSES)]
        assert per_mile[0] == pytest.approx(one.consumption.p50 * MILE_M / 1000.0)
        cells = numbers_of(" ".join(row[1:]))
        assert sum(cells) == pytest.approx(per_mile[0], abs=3.5)  # seven whole numbers
        line = next(line for line in shown if line.startswith(row[0] + "  "))
        assert numbers_of(line.removeprefix(row[0])) == cells
    target = answer.range.refined.target
    titles = [figure["title"] for figure in range_json(folder, basis_of(folder))["figures"]]
    assert any(
        f"of the {target.consumption.p50 * MILE_M / 1000.0:.0f} Wh/mi in '{target.name}'" in title for title in titles
    )


def test_one_more_scenario_changes_none_of_the_others(folder, answer, capsys):
    more = json.loads(said(capsys, "range", "-b", str(folder.path), "--speed", "50 mph", "--json"))
    shared = {name: found for name, found in per_scenario(more["refined"]).items() if not name.startswith("asked: ")}
    assert shared == per_scenario(json_ready(answer.range.refined))
    assert more["refined_sizing"] == json_ready(answer.range.refined_sizing)


def test_one_more_scenario_fits_nothing_again_and_is_what_a_whole_refit_says(folder, answer, monkeypatch):
    asked = {"name": "asked", "speed": "50 mph"}
    whole = refine_build(folder, np.random.default_rng(ANSWER_SEED), extra_scenario=asked).range
    monkeypatch.setattr(refine, "fit_with_sensors", None)
    added = answer_with(folder, asked).range
    one, other = (found.refined.scenario("asked").range_m for found in (whole, added))
    assert (one.p10, one.p50, one.p90) == pytest.approx((other.p10, other.p50, other.p90), rel=0.01)
    assert added.refined.scenarios[:-1] == answer.range.refined.scenarios
    assert added.attribution("asked").range_after_m == pytest.approx(whole.attribution("asked").range_after_m, rel=0.01)


def test_a_changed_setting_makes_a_new_answer(folder, answer):
    text = folder.settings_file.read_text(encoding="utf-8")
    folder.settings_file.write_text(text.replace('range = "140 mi"', 'range = "150 mi"'), encoding="utf-8")
    try:
        assert kept_answer(folder) is None
        assert answer_of(folder).range.refined.target_range_m == pytest.approx(150 * MILE_M)
    finally:
        folder.settings_file.write_text(text, encoding="utf-8")
    assert answer_of(folder).range.refined.target_range_m == pytest.approx(140 * MILE_M)


def test_a_drives_ledger_and_regen_are_by_the_fit_and_say_so(folder, answer, capsys):
    """Six drives of the demo: residual 12.6 % of net (rms) by the plan, 1.0 % by the fit; here it must shrink."""
    build = folder.settings()
    with DriveLibrary.open(folder.library) as library:
        planned = [stored.analysis for stored in stored_drives(library, build)]
        fitted = [stored.analysis for stored in stored_drives(library, build, fit=answer.fit.fit)]
    assert {drive.regen.basis for drive in planned} == {"plan"}
    assert {drive.regen.basis for drive in fitted} == {"fit of 3 drives"}
    assert all("wheel work and losses by fit of 3 drives" in drive.ledger.notes for drive in fitted)
    rms = [
        np.sqrt(np.mean([(drive.ledger.residual_wh.value / drive.energy.net_wh.value) ** 2 for drive in drives]))
        for drives in (planned, fitted)
    ]
    assert rms[1] < 0.04
    assert rms[1] < 0.6 * rms[0]
    assert "by fit of 3 drives" in said(capsys, "drive", "1", "-b", str(folder.path))
    trend = json.loads(said(capsys, "trend", "ledger-residual", "-b", str(folder.path), "--json"))
    assert trend["basis"] == "fit of 3 drives"
    shown = [point["figure"]["value"] for point in trend["points"]]
    assert shown == pytest.approx([drive.ledger.residual_wh.value for drive in fitted])
    assert "By the vehicle of the fit of 3 drives" in said(capsys, "trend", "ledger-residual", "-b", str(folder.path))


def test_the_certificate_says_all_that_it_should_and_never_where(folder, answer):
    text = folder.settings_file.read_text(encoding="utf-8")
    entered = '[certificate]\nidentification = "AB 123"\nodometer = "48,210 mi"\nrevision = "3"\n'
    folder.settings_file.write_text(text + entered, encoding="utf-8")
    try:
        assert kept_answer(folder) is not None  # what is entered there touches no figure
        inputs = gather_report(folder)
        folder.settings_file.write_text(text + entered + 'tires = "winter tires"\n', encoding="utf-8")
        assert folder.certificate()["tires"] == "winter tires"  # else the vehicle's own
    finally:
        folder.settings_file.write_text(text, encoding="utf-8")
    evidence = "\n".join(f"{name}: {value}" for name, value in inputs.provenance)
    assert inputs.evidence_hash == hashlib.sha256(evidence.encode()).hexdigest()
    page = re.sub(
        r"<script.*?</script>|<style.*?</style>",
        "",
        render_page(document_of(inputs, "certificate"), inputs.units),
        flags=re.S,
    )
    words = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    for said in (
        "AB 123", "48,210 mi", "195/70R15", "pressure not entered", "configuration", "test weight", "weather", "Drives",
        "how it was checked", "expanded uncertainty (k = 2", "Conditions under which it holds", "Limits and margins",
        "What was not tested", "Cautions", "revision 3", "signature", inputs.evidence_hash,
        "no registration, no type approval, no inspection, and no certification by any authority",
    ):  # fmt: skip
        assert said in words, said
    assert not re.search(r"latitude|longitude|position", words, re.IGNORECASE)
