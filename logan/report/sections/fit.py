"""The fit: what was learned, how well it predicts drives it has not seen, and what to do next."""

from __future__ import annotations

from logan.model.parameters import PARAMETER_NAMES
from logan.report.document import Block, FigureBlock, KeyFigure, KeyFigures, Section, TableBlock, Words
from logan.report.figures.consumption import calibration_figure, predicted_measured_figure
from logan.report.inputs import FitInputs, ReportInputs
from logan.units import DisplayUnits
from logan.wording import figure, number, parameter_text, parameter_words, percent, sentence, signed


def fit_section(inputs: ReportInputs) -> Section:
    """Parameters before and after, drive by drive, and calibration."""
    if inputs.fitted is None:
        words = Words(lines=(f"No fit: {inputs.no_fit_because}",), tone="grey")
        return Section(anchor="fit", title="What the drives taught", blocks=(words,))
    fitted, units = inputs.fitted, inputs.units
    label_of = {drive.drive_id: drive.label for drive in inputs.drives}
    labels = [label_of.get(drive.drive_id, drive.drive_id) for drive in fitted.fit.drives]
    blocks: list[Block] = [
        _parameter_table(fitted, units),
        *_remarks(fitted),
        FigureBlock(
            title="Predicted against measured, drive by drive",
            figure=predicted_measured_figure(fitted.fit, labels, inputs.units),
            note="Refined: for that drive's speeds, hills and weather, without its own level, wind and auxiliaries.",
        ),
        _residual_table(fitted, labels),
        *_calibration(fitted, label_of),
    ]
    if fitted.next_tests and fitted.next_tests.candidates:
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
    return Section(anchor="fit", title="What the drives taught", blocks=tuple(blocks))


def _remarks(fitted: FitInputs) -> list[Block]:
    """What the data cannot tell, in the open; what was merely taken into account, folded away."""
    said = tuple(dict.fromkeys(fitted.identifiability.statements))
    warnings = tuple(dict.fromkeys(line for line in fitted.fit.warnings if line not in said))
    blocks: list[Block] = (
        [Words(lines=tuple(map(sentence, said)), title="What the drives cannot tell apart")] if said else []
    )
    if warnings:
        rows = tuple((line,) for line in warnings)
        blocks.append(TableBlock(headings=("remark",), rows=rows, caption="Remarks of the fit", is_long=True))
    return blocks


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
            "own level",
            "own headwind m/s",
        ),
        rows=tuple(rows),
        caption="Drive by drive",
        is_long=True,
    )


def _calibration(fitted: FitInputs, label_of: dict[str, str]) -> list[Block]:
    calibration = fitted.calibration
    if calibration.reason or calibration.median_error_ratio is None:
        return [Words(lines=(f"Calibration: {calibration.reason}",), tone="grey")]
    return [
        KeyFigures(
            figures=(
                KeyFigure(
                    label="error on a drive not seen",
                    value=percent(calibration.median_error_ratio, 1),
                    detail=f"median over {len(calibration.drives)} drives, each left out in turn; "
                    f"90th percentile {percent(calibration.p90_error_ratio, 1)}",
                ),
                KeyFigure(
                    label="the row to beat",
                    value=percent(calibration.naive_median_error_ratio, 1),
                    detail="median error of simply taking the other drives' mean consumption",
                ),
                KeyFigure(
                    label="inside the 90 % interval",
                    value=f"{sum(drive.is_covered for drive in calibration.drives)} of {len(calibration.drives)}",
                    detail="drives, each left out in turn; nine in ten are promised",
                ),
            )
        ),
        FigureBlock(
            title="Residuals and coverage: every drive predicted by a fit that has not seen it",
            figure=calibration_figure(
                calibration,
                [label_of.get(drive.drive_id, drive.drive_id) for drive in calibration.drives],
                {drive.drive_id: -drive.residual_ratio for drive in fitted.fit.drives if not drive.refusal},
            ),
            note="Error: prediction over measurement, less one. Residual: the same, for the fit that saw the drive.",
        ),
    ]
