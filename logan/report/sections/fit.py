"""The fit: what was learned, how well it predicts drives it has not seen, and what to do next."""

from collections.abc import Callable, Mapping

from logan.model.fit_result import DriveFit, FitResult
from logan.model.next_test import NextTests
from logan.report.figures.consumption import calibration_figure
from logan.report.inputs import Block, FigureBlock, FitInputs, ReportInputs, Section, TableBlock, Words, table
from logan.results import Estimate
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
        blocks += next_tests_table(fitted.next_tests, inputs.units, 4)
    return Section(anchor="fit", title="How far to believe it", blocks=tuple(blocks))


def fit_appendix(inputs: ReportInputs) -> tuple[Section, ...]:
    """Parameters before and after, and drive by drive."""
    if inputs.fitted is None:
        return ()
    fit, label_of = inputs.fitted.fit, {drive.drive_id: drive.label for drive in inputs.drives}
    blocks = (
        *parameter_table(fit, inputs.units),
        *drives_table(fit, inputs.units, label_of),
        *(next_tests_table(inputs.fitted.next_tests, inputs.units, 20) if inputs.fitted.next_tests else []),
        *_remarks(inputs.fitted),
    )
    return (Section(anchor="fit-tables", title="The fit in figures", blocks=blocks, length=3),)


def _remarks(fitted: FitInputs) -> list[Block]:
    said = set(fitted.fit.statements)
    warnings = tuple(dict.fromkeys(line for line in fitted.fit.warnings if line not in said))
    rows = tuple((line,) for line in warnings)
    return [TableBlock(headings=("remark",), rows=rows, caption="Remarks of the fit")] if rows else []


def parameter_table(fit: FitResult, units: DisplayUnits) -> list[TableBlock]:
    """Every parameter before and after the drives."""

    def value(name: str, of: Estimate) -> str:
        return parameter_text(name, of.value, units, sigma=of.sigma)

    learned = dict(zip(fit.parameter_names, map(float, fit.learned_ratio), strict=True))
    return table(
        fit.parameter_names,
        ("parameter", parameter_words),
        ("plan", lambda name: value(name, fit.prior.estimate(name))),
        ("fit", lambda name: value(name, fit.as_planned(name))),
        ("learned", lambda name: percent(max(1.0 - learned[name], 0.0))),
        ("plan's source", lambda name: fit.prior.estimate(name).source),
        caption="± one standard uncertainty; learned: by the drives rather than the plan",
    )


def drives_table(fit: FitResult, units: DisplayUnits, label_of: Mapping[str, str] | None = None) -> list[TableBlock]:
    """Each drive as measured and as fitted."""
    used = units.consumption_label

    def taken(text: Callable[[DriveFit], str]) -> Callable[[DriveFit], str]:
        return lambda drive: "" if drive.refusal else text(drive)

    return table(
        fit.drives,
        ("drive", lambda drive: (label_of or {}).get(drive.drive_id, drive.drive_id)),
        (units.distance, taken(lambda drive: number(drive.distance_m / units.metres, 1))),
        (f"measured {used}", taken(lambda drive: number(drive.measured_wh * units.metres / drive.distance_m))),
        (f"fit {used}", taken(lambda drive: number(drive.refined.value * units.metres / drive.distance_m))),
        ("residual", lambda drive: "no part" if drive.refusal else f"{signed(100.0 * drive.residual_ratio, 1)} %"),
        ("day factor", taken(lambda drive: f"{signed(100.0 * (drive.level.value - 1.0), 1)} %")),
        caption="Residual: measured over fit. Day factor: wind, tires, traffic of that day",
    )


def next_tests_table(tests: NextTests, units: DisplayUnits, count: int = 6) -> list[TableBlock]:
    """What narrows the target's interval most, per hour of work."""
    mile, width = units.distance, number(tests.width_m / units.metres, 1)
    return table(
        tests.candidates[:count],
        ("test", lambda test: test.name),
        (f"narrows it by {mile}", lambda test: number(test.gain_m / units.metres, 1)),
        ("hours", lambda test: number(test.hours, 1)),
        (f"{mile} per hour", lambda test: number(test.gain_m_per_h / units.metres, 1)),
        ("how", lambda test: test.how),
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
