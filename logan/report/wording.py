"""Numbers as words: value, unit, uncertainty, and the reason where there is none."""

from __future__ import annotations

from collections.abc import Iterable

from logan.flags import Severity
from logan.report.document import Tone
from logan.results import Figure, Quantiles, Refusal
from logan.units import RADIANS_PER_SECOND_PER_RPM, DisplayUnits


def number(value: float | None, digits: int = 0) -> str:
    """A number with thousands separators; a dash where there is none."""
    return "–" if value is None or value != value else f"{value:,.{digits}f}"


def figure(value: Figure, *, scale: float = 1.0, digits: int = 0, unit: str = "") -> str:
    """A figure with its standard uncertainty; a refused one says "refused"."""
    if isinstance(value, Refusal):
        return "refused"
    text = number(value.value * scale, digits)
    if value.sigma is not None:
        text += f" ± {number(value.sigma * scale, digits)}"
    return f"{text} {unit}".rstrip()


def reason(value: Figure) -> str:
    """Why a figure is refused; empty where it is given."""
    return f"{value.reason}. {value.remedy}".strip() if isinstance(value, Refusal) else ""


def consumption(value: Figure, units: DisplayUnits) -> str:
    """A consumption in Wh/km, as it is shown."""
    return figure(value, scale=units.metres / 1000.0)


def distance(metres: float | None, units: DisplayUnits, digits: int = 0) -> str:
    """A distance with its unit."""
    return "–" if metres is None else f"{number(metres / units.metres, digits)} {units.distance}"


def range_text(quantiles: Quantiles, units: DisplayUnits) -> str:
    """Middle and 10 to 90 % points of a range."""
    scaled = quantiles.scaled(1.0 / units.metres, units.distance)
    return f"{scaled.p50:.0f} ({scaled.p10:.0f} to {scaled.p90:.0f})"


def consumption_text(quantiles: Quantiles, units: DisplayUnits) -> str:
    """Middle and 10 to 90 % points of a consumption."""
    scaled = quantiles.scaled(units.metres / 1000.0, units.consumption_label)
    return f"{scaled.p50:.0f} ({scaled.p10:.0f} to {scaled.p90:.0f})"


def percent(ratio: float | None, digits: int = 0) -> str:
    """A share in percent; never a bare 0 or 100 for what is only nearly so."""
    if ratio is None or ratio != ratio:
        return "–"
    if digits == 0 and 0.0 < ratio < 0.005:
        return "< 1 %"
    if digits == 0 and 0.995 < ratio < 1.0:
        return "> 99 %"
    return f"{100.0 * ratio:.{digits}f} %"


def probability(ratio: float | None) -> str:
    """A chance in percent; no number of samples makes it certain, so it is never 0 or 100."""
    if ratio is None or ratio != ratio:
        return "–"
    return "< 1 %" if ratio < 0.005 else "> 99 %" if ratio > 0.995 else f"{100.0 * ratio:.0f} %"


def signed(value: float, digits: int = 0) -> str:
    """A change, with a minus that is as wide as the plus."""
    text = f"{value:+,.{digits}f}"
    # What rounds to nothing has no sign.
    return text.replace("-", "−") if any(digit in text for digit in "123456789") else text[1:]


def spread_text(quantiles: Quantiles) -> str:
    """The 10 and 90 % points."""
    return f"{quantiles.p10:.0f} to {quantiles.p90:.0f}"


def clock(seconds: float | None) -> str:
    """A moment or a duration as minutes and seconds, or hours and minutes."""
    if seconds is None:
        return "–"
    whole = round(seconds)
    hours, minutes = whole // 3600, whole % 3600 // 60
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {whole % 60:02d} s"


def sentence(line: str) -> str:
    """A remark as a sentence."""
    return f"{line[:1].upper()}{line[1:].rstrip('.')}."


def runs(numbers: Iterable[int]) -> str:
    """Numbers of drives, neighbours joined: ``1 to 4, 7``."""
    parts: list[list[int]] = []
    for value in sorted(set(numbers)):
        if parts and value == parts[-1][-1] + 1:
            parts[-1].append(value)
        else:
            parts.append([value])
    return ", ".join(f"{part[0]} to {part[-1]}" if len(part) > 2 else ", ".join(map(str, part)) for part in parts)


def sentences(lines: Iterable[str]) -> str:
    """Remarks as sentences, one after the other."""
    return " ".join(sentence(line) for line in lines if line.strip())


def temperature_text(temperature_degc: float, units: DisplayUnits) -> str:
    """A temperature with its unit."""
    return f"{units.temperature_of(temperature_degc):.0f} {units.temperature_label}"


def tone_of(severity: Severity | None) -> Tone:
    """Tone of a row by its severity."""
    if severity is Severity.RED:
        return "red"
    return "amber" if severity is Severity.AMBER else "plain"


def shown_value(value: float | None, unit: str, units: DisplayUnits) -> str:
    """A channel's value in the units shown."""
    if value is None:
        return "–"
    if unit == "degC":
        return f"{units.temperature_of(value):.0f} {units.temperature_label}"
    if unit == "ratio":
        return percent(value, 1)
    if unit == "rad/s":
        return f"{number(value / RADIANS_PER_SECOND_PER_RPM)} rpm"
    if unit == "m/s":
        return f"{number(value / units.metres_per_second, 1)} {units.speed_label}"
    digits = 3 if abs(value) < 10 else (1 if abs(value) < 1000 else 0)
    return f"{number(value, digits)} {unit}"
