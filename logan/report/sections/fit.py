"""The fit: what was learned, how well it predicts drives it has not seen, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping

from logan.model.fit_result import FitResult
from logan.model.next_test import NextTests
from logan.report.figures.consumption import calibration_figure
from logan.report.inputs import Block, FigureBlock, FitInputs, ReportInputs, Section, TableBlock, Words
from logan.units import DisplayUnits
from logan.wording import number, parameter_text, parameter_words, percent, sentence, signed


def fit_section(inputs: ReportInputs) -> Section:
    """How well drives not seen are predicted, what stays unknown, and what to do about it."""
    if inputs.fitted is None:
        words = Words(lines=(f"No fit: {inputs.no_fit_because}",), tone="grey")
        return Section(anchor="fit", title="How far to believe it", blocks=(words,))
    fitted = inputs.fitted
    label_of = {drive.drive_id: drive.label for drive in inputs.drives}
    out = tuple(
        f"Drive {label_of.get(drive.drive_id, drive.drive_id)} takes no part: {drive.refusal}."
        for drive in fitted.fit.drives
        if drive.refusal
    )
    said = tuple(dict.fromkeys(fitted.fit.statements))
    blocks: list[Block] = [*_calibration(fitted, label_of)]
    if out:
        blocks.append(Words(lines=out, title="Left out"))
    if said:
        blocks.append(Words(lines=tuple(map(sentence, said)), title="What the drives cannot tell apart"))
    if fitted.next_tests and fitted.next_tests.candidates:
        blocks.append(next_tests_table(fitted.next_tests, inputs.units))
    return Section(anchor="fit", title="How far to believe it", blocks=tuple(blocks))


def fit_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """Parameters before and after, and drive by drive."""
    if inputs.fitted is None:
        return ()
    fit, label_of = inputs.fitted.fit, {drive.drive_id: drive.label for drive in inputs.drives}
    blocks = (
        parameter_table(fit, inputs.units),
        drives_table(fit, inputs.units, label_of),
        *_remarks(inputs.fitted),
    )
    return (Section(anchor="fit-tables", title="The fit in figures", blocks=blocks, length=3),)


def _remarks(fitted: FitInputs) -> list[Block]:
    said = set(fitted.fit.statements)
    warnings = tuple(dict.fromkeys(line for line in fitted.fit.warnings if line not in said))
    rows = tuple((line,) for line in warnings)
    return [TableBlock(headings=("remark",), rows=rows, caption="Remarks of the fit")] if rows else []


def parameter_table(fit: FitResult, units: DisplayUnits) -> TableBlock:
    """Every parameter before and after the drives."""
    rows = []
    for name, learned in zip(fit.parameter_names, fit.learned_ratio, strict=True):
        before, after = fit.prior.estimate(name), fit.estimate(name)
        told = (parameter_text(name, one.value, units, sigma=one.sigma) for one in (before, after))
        rows.append((parameter_words(name), *told, percent(max(1.0 - float(learned), 0.0)), before.source))
    return TableBlock(
        headings=("parameter", "plan", "fit", "learned", "plan's source"),
        rows=tuple(rows),
        caption="± one standard uncertainty; learned: by the drives rather than the plan",
    )


def drives_table(fit: FitResult, units: DisplayUnits, label_of: Mapping[str, str] | None = None) -> TableBlock:
    """Each drive as measured and as fitted."""
    rows: list[tuple[str, ...]] = []
    for drive in fit.drives:
        label, per_unit = (label_of or {}).get(drive.drive_id, drive.drive_id), drive.distance_m / units.metres
        if drive.refusal:
            rows.append((label, "", "", "", "no part", ""))
            continue
        used = (number(wh / per_unit) for wh in (drive.measured_wh, drive.refined.value))
        day = signed(100.0 * (drive.level.value - 1.0), 1)
        rows.append((label, number(per_unit, 1), *used, f"{signed(100.0 * drive.residual_ratio, 1)} %", f"{day} %"))
    used_label = units.consumption_label
    return TableBlock(
        headings=("drive", units.distance, f"measured {used_label}", f"fit {used_label}", "residual", "day factor"),
        rows=tuple(rows),
        caption="Residual: measured over fit. Day factor: wind, tires, traffic of that day",
    )


def next_tests_table(tests: NextTests, units: DisplayUnits, count: int = 6) -> TableBlock:
    """What narrows the target's interval most, per hour of work."""
    mile, width = units.distance, number(tests.width_m / units.metres, 1)
    return TableBlock(
        headings=("test", f"narrows it by {mile}", "hours", f"{mile} per hour", "how"),
        rows=tuple(
            (
                test.name,
                number(test.gain_m / units.metres, 1),
                number(test.hours, 1),
                number(test.gain_m_per_h / units.metres, 1),
                test.how,
            )
            for test in tests.candidates[:count]
        ),
        caption=f"What to do next: the target's 10-90 % interval is {width} {mile} wide",
    )


def _calibration(fitted: FitInputs, label_of: dict[str, str]) -> list[Block]:
    calibration = fitted.calibration
    if calibration.reason or calibration.median_error_ratio is None:
        return [Words(lines=(f"Calibration: {calibration.reason}",), tone="grey")]
    labels = [label_of.get(drive.drive_id, drive.drive_id) for drive in calibration.drives]
    naive = (
        f"Circles: the fit without that drive. Crosses: the mean consumption of the other drives, to be beaten "
        f"(median {percent(calibration.naive_median_error_ratio, 1)}). Nine in ten inside are promised."
    )
    return [FigureBlock(figure=calibration_figure(calibration, labels), note=naive)]
