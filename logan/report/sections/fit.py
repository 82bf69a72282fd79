"""The fit: what was learned, how well it predicts drives it has not seen, and what to do next."""

from __future__ import annotations

from logan.model.parameters import PARAMETER_NAMES
from logan.report.document import Block, FigureBlock, Section, TableBlock, Words
from logan.report.figures.consumption import calibration_figure
from logan.report.inputs import FitInputs, ReportInputs
from logan.units import DisplayUnits
from logan.wording import figure, number, parameter_text, parameter_words, percent, sentence, signed


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
        units = inputs.units
        blocks.append(
            TableBlock(
                headings=("do next", f"narrows it by {units.distance}", "hours", "how"),
                rows=tuple(
                    (test.name, number(test.gain_m / units.metres, 1), number(test.hours, 1), test.how)
                    for test in fitted.next_tests.candidates[:6]
                ),
                caption="What narrows the target's 10 to 90 % interval, best first per hour of work",
            )
        )
    return Section(anchor="fit", title="How far to believe it", blocks=tuple(blocks))


def fit_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """Parameters before and after, and drive by drive."""
    if inputs.fitted is None:
        return ()
    label_of = {drive.drive_id: drive.label for drive in inputs.drives}
    labels = [label_of.get(drive.drive_id, drive.drive_id) for drive in inputs.fitted.fit.drives]
    blocks = (
        _parameter_table(inputs.fitted, inputs.units),
        _residual_table(inputs.fitted, labels),
        *_remarks(inputs.fitted),
    )
    return (Section(anchor="fit-tables", title="The fit in figures", blocks=blocks, length=3),)


def _remarks(fitted: FitInputs) -> list[Block]:
    said = set(fitted.fit.statements)
    warnings = tuple(dict.fromkeys(line for line in fitted.fit.warnings if line not in said))
    rows = tuple((line,) for line in warnings)
    return [TableBlock(headings=("remark",), rows=rows, caption="Remarks of the fit")] if rows else []


def _parameter_table(fitted: FitInputs, units: DisplayUnits) -> TableBlock:
    fit = fitted.fit
    rows = []
    for index, name in enumerate(PARAMETER_NAMES):
        prior, posterior = fit.prior.estimate(name), fit.estimate(name)
        rows.append(
            (
                parameter_words(name),
                parameter_text(name, prior.value, units, sigma=prior.sigma),
                parameter_text(name, posterior.value, units, sigma=posterior.sigma),
                percent(1.0 - min(1.0, float(fit.learned_ratio[index]))),
                prior.source,
            )
        )
    return TableBlock(
        headings=("parameter", "plan", "refined", "learned", "plan's source"),
        rows=tuple(rows),
        caption="Parameters, ± one standard uncertainty",
        explanations=("", "", "", "how far the data, rather than the plan, say what it is"),
    )


def _residual_table(fitted: FitInputs, labels: list[str]) -> TableBlock:
    rows = []
    for label, drive in zip(labels, fitted.fit.drives, strict=True):
        if drive.refusal:
            rows.append((label, f"left out: {drive.refusal}", "–", "–", "–", "–", "–"))
            continue
        rows.append(
            (
                label,
                number(drive.measured_wh),
                figure(drive.planned),
                figure(drive.refined),
                f"{signed(100 * drive.residual_ratio, 1)} %",
                figure(drive.level, digits=3),
                figure(drive.headwind, digits=1),
            )
        )
    return TableBlock(
        headings=(
            "drive",
            "measured Wh",
            "plan Wh",
            "refined Wh",
            "measured − refined",
            "day-to-day factor",
            "own headwind m/s",
        ),
        rows=tuple(rows),
        caption="Drive by drive",
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
