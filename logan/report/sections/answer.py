"""The one page: does it make the target, how sure, why, what is weakest, what to do next, and what it rests on."""

from __future__ import annotations

from logan.driving_range.prediction import RangePrediction
from logan.model.fit_result import DrivenHull
from logan.report.figures.driving_range import attribution_figure, range_figure
from logan.report.figures.limits import approaches, bullet_figure
from logan.report.inputs import Block, FigureBlock, ReportInputs, Section, TableBlock, Tone, Verdict, Words
from logan.report.sections.driving_range import unsure_blocks
from logan.report.sections.limits import unlimited_words
from logan.units import DisplayUnits
from logan.wording import capital, distance, number, parameter_text, percent, probability


def one_page_section(inputs: ReportInputs) -> Section:
    """What a builder and a customer read first; it fits one sheet."""
    fitted = inputs.fitted
    shown = fitted.refined if fitted else inputs.plan
    found = approaches([(drive.label, drive.limits) for drive in inputs.drives], inputs.build)
    weakest = bullet_figure(found, inputs.units, inputs.build.limits.design_ambient_degc, most=3)
    blocks: list[Block] = [
        verdict(shown, inputs.units, inputs.build.target.confidence_ratio),
        FigureBlock(figure=range_figure(inputs.plan, fitted.refined if fitted else None, inputs.units, is_short=True)),
        *_causes(inputs),
    ]
    if weakest is not None:
        blocks.append(
            FigureBlock(
                figure=weakest,
                note=unlimited_words(drive.limits for drive in inputs.drives) or "What is left is estimated.",
            )
        )
    elif inputs.drives:
        blocks.append(
            Words(lines=(unlimited_words(drive.limits for drive in inputs.drives) or "No limit given.",), tone="grey")
        )
    if fitted and fitted.next_tests and fitted.next_tests.candidates:
        test = fitted.next_tests.candidates[0]
        gain = number(test.gain_m / inputs.units.metres, 1)
        line = f"{capital(test.name)} ({test.how}): narrows the range by {gain} {inputs.units.distance}."
        blocks.append(Words(lines=tuple(filter(None, (line, test.caution))), title="Do next"))
    blocks.append(_rests_on(inputs, "; ".join(filter(None, (shown.note, shown.target.note)))))
    return Section(anchor="one-page", title="Does it make the target?", blocks=tuple(blocks), length=1)


def _causes(inputs: ReportInputs) -> list[Block]:
    """Three causes in miles: of what the drives changed, or, before there are any, of what is not known."""
    if inputs.fitted is None:
        words = Words(lines=(f"No drive has refined the plan yet: {inputs.no_fit_because}",), tone="grey")
        return [*unsure_blocks(inputs, most=3), *([words] if inputs.no_fit_because else [])]
    return [FigureBlock(figure=attribution_figure(inputs.fitted.attribution, inputs.units, most=3))]


def _rests_on(inputs: ReportInputs, note: str) -> TableBlock:
    """Vehicle, date, miles driven and conditions."""
    units, pack = inputs.units, inputs.build.pack
    weight, usable = inputs.build.vehicle.mass_kg, pack.usable_energy_wh
    rows = [
        (
            "vehicle",
            f"{inputs.build.name}, {weight.typed or parameter_text('mass_kg', weight.value, units)} as entered, "
            f"{usable.typed or units.shown(usable.value, 'energy', digits=3)} usable as planned, "
            f"{pack.cells_in_series}s{pack.cells_in_parallel}p, gearing {inputs.build.powertrain.gearing.name}",
        ),
        ("date of the report", inputs.made_on),
    ]
    hull = inputs.fitted.fit.hull if inputs.fitted else None
    if hull is not None:
        rows.append(("driven", driven_words(hull, inputs.fitted.fit.drive_count if inputs.fitted else 0, units)))
    target = inputs.build.target
    off = f"reserve {percent(target.reserve_ratio)} and battery aging {percent(target.ageing_ratio)} taken off"
    rows.append(("range", f"{off}; {note}" if note else off))
    return TableBlock(headings=("", ""), rows=tuple(rows), caption="What it rests on", is_form=True)


def driven_words(hull: DrivenHull, drives: int, units: DisplayUnits) -> str:
    """How far, how fast and how warm the drives behind a fit were."""
    low, high = (
        f"{speed / units.metres_per_second:.0f}" for speed in (hull.speed_low_m_per_s, hull.speed_high_m_per_s)
    )
    cold, warm = (f"{units.temperature_of(t):.0f}" for t in (hull.temperature_low_degc, hull.temperature_high_degc))
    return (
        f"{distance(hull.distance_m, units)} in {_drives(drives)}, nine tenths of them at {low} to {high} "
        f"{units.speed_label}, {cold} to {warm} {units.temperature_label} outside"
    )


def verdict(prediction: RangePrediction, units: DisplayUnits, wanted_ratio: float) -> Verdict:
    """Whether the target is met, in a word or two."""
    chance = prediction.target.probability_of_target
    basis = "the plan alone" if prediction.basis == "plan" else f"{_drives(prediction.drive_count)} and the plan"
    return Verdict(
        answer=_answer(chance, wanted_ratio),
        because=(
            f"The chance of {distance(prediction.target_range_m, units)} in '{prediction.target_scenario}' is "
            f"{probability(chance)}, you want {percent(wanted_ratio)}; judged from {basis}. "
            f"Reserve {percent(prediction.reserve_ratio)} and battery aging {percent(prediction.ageing_ratio)} are off."
        ),
        tone=_tone(chance, wanted_ratio),
    )


def _answer(chance: float, wanted_ratio: float) -> str:
    if chance >= wanted_ratio:
        return "Yes"
    if chance >= 0.5:
        return "Likely, but not surely enough"
    return "Probably not" if chance > 1.0 - wanted_ratio else "No"


def _tone(chance: float, wanted_ratio: float) -> Tone:
    return "good" if chance >= wanted_ratio else ("amber" if chance >= 0.5 else "red")


def _drives(count: int) -> str:
    return "one drive" if count == 1 else f"{count} drives"
