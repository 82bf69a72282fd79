"""Figures, values and names as people read them: the one place that the terminal, the page and the report share."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final, Literal

from logan.results import Figure, Quantiles, Refusal, Severity
from logan.units import QUANTITY_OF_UNIT, DisplayUnits
from logan.units.sentences import MARK, SENTENCE_UNITS, measure

if TYPE_CHECKING:
    from datetime import datetime

    from logan.driving_range.uncertainty_budget import UncertaintyBudget
    from logan.metrics.limits import LimitCheck

NONE: Final = "–"
"""Stands where there is no number."""

_PARAMETERS: Final[dict[str, tuple[str, str | None, int | None]]] = {
    "mass_kg": ("test weight", "weight", None),
    "drag_area_m2": ("CdA", "area", None),
    "rolling_coefficient": ("tire rolling resistance (Crr)", "", 4),
    "drive_efficiency_ratio": ("pack to wheel efficiency", "share", None),
    "regen_efficiency_ratio": ("wheel to pack efficiency", "share", None),
    "auxiliary_power_w": ("auxiliary power", "small_power", None),
    "rolling_temperature_coefficient_per_k": ("Crr lost per degree", "share_per_degree", None),
    "warm_up_rise_ratio": ("cold-tire extra", "share", 0),
    "constant_loss_w": ("drivetrain loss (constant)", "small_power", None),
    "copper_loss_w_per_n2": ("drivetrain loss (by force²)", "loss_by_force", None),
    "cold_regen_per_k": ("regen lost per degree of cold", "share_per_degree", None),
    "full_regen_ratio": ("regen lost when full", "share", 0),
    "driveline_drag_n": ("driveline drag (constant)", "force", 1),
    "driveline_n_s_per_m": ("driveline drag (by speed)", "force_by_speed", None),
    "tire_rise_ratio": ("Crr rise with speed", "share", 0),
    "regen_power_limit_w": ("regen limit", "electric_power", 1),
    "linear_road_load_n_s_per_m": ("road load (by speed)", "force_by_speed", None),
    "charging_efficiency_ratio": ("charging efficiency", "share", None),
    "tyre_rolling_circumference_m": ("tire circumference", "length", None),
    "usable_energy_wh": ("usable energy", "energy", None),
    "usable_loss_per_k": ("usable energy lost per degree", "share_per_degree", None),
    "pack_resistance_ohm": ("pack resistance", "resistance", None),
    "heating_w_per_k": ("cabin heating", "heat_by_degree", None),
    "cooling_w_per_k": ("air conditioning", "heat_by_degree", None),
    "air_pressure": ("air pressure", "pressure", 1),
    "spread": ("middle of the spread", "none", None),
    "others": ("all others", "none", None),
}
"""Name in the code: words, quantity, and digits after the point where they differ from the quantity's."""

CAUSE_WORDS: Final = {
    "rolling": "rolling",
    "air": "air",
    "hills": "hills",
    "speed_change": "speed left at the end",
    "friction_brakes": "friction brakes",
    "drivetrain_loss": "drivetrain",
    "regen_loss": "regen losses",
    "auxiliary": "auxiliaries",
    "cabin_climate": "heating and cooling",
}


def parameter_words(name: str) -> str:
    """A parameter's name as it is read."""
    return _PARAMETERS[name][0] if name in _PARAMETERS else channel_words(name)


def step_words(name: str) -> str:
    """A parameter's name where a change is told step by step: the fit's efficiencies stand beside losses with names."""
    return parameter_words(name).replace(" efficiency", ", named losses apart")


def parameter_text(name: str, value: float, units: DisplayUnits, unit: str = "", *, sigma: float | None = None) -> str:
    """A parameter's value with its unit; ``unit`` is for those that have no form of their own."""
    _, quantity, digits = _PARAMETERS.get(name, ("", None, None))
    if quantity == "none":
        return ""
    if value == float("inf"):
        return "no limit"
    if name.endswith("efficiency_ratio") and value >= 1.0:
        return "no loss told" + ("" if sigma is None else f" (± {quantity_text(sigma, 'share', units)})")
    if quantity is None:
        return shown_value(value, unit, units)
    if not quantity:
        return with_sigma(value, sigma, digits or 0)
    return quantity_text(value, quantity, units, digits, sigma=sigma)


def quantity_text(
    value: float, quantity: str, units: DisplayUnits, digits: int | None = None, *, sigma: float | None = None
) -> str:
    """A value in SI as a table shows it, such as ``"3,823 ± 86 lb"``."""
    shown, digits = units.to_shown(value, quantity), units.digits_of(quantity) if digits is None else digits
    spread = None if sigma is None else abs(units.to_shown(value + sigma, quantity) - shown)
    return f"{with_sigma(shown, spread, digits)} {units.unit_of(quantity)}"


_AT_END: Final = re.compile(r"(?:([-+]?[\d.]*\d) (to|±) )?([-+]?[\d.]*\d)$")
_UNIT: Final = re.compile("|".join(map(re.escape, sorted(SENTENCE_UNITS, key=len, reverse=True))))


def told(text: str, units: DisplayUnits | None) -> str:
    """A text of the core with its quantities in the reader's units; as it was written where None, as in JSON.

    Every sentence passes here on its way to a terminal, a page or a report; see ``logan.units.sentences``.
    """
    if MARK not in text:
        return text
    first, *rest = text.split(MARK)
    shown = [first]
    for part in rest:
        number_found, unit_found = _AT_END.search(shown[-1][-40:]), _UNIT.match(part)
        if units is None or number_found is None or unit_found is None:
            shown.append(f" {part}")
            continue
        start = len(shown[-1]) - len(number_found[0])
        words, unit = _told_quantity(number_found, unit_found[0], units)
        shown[-1] = shown[-1][:start]
        shown += [words, f" {unit}{part[unit_found.end() :]}"]
    return "".join(shown)


def _told_quantity(found: re.Match[str], unit: str, units: DisplayUnits) -> tuple[str, str]:
    """Number, or the two of a span or an uncertainty, in the unit shown; with as many figures as were written."""
    low, joined, value = found.groups()
    quantity, factor = SENTENCE_UNITS[unit]
    shown_unit = units.unit_of(quantity)
    if shown_unit == unit:
        return found[0], unit
    zero = units.to_shown(0.0, quantity)
    per_unit = units.to_shown(factor, quantity) - zero

    def shown(text: str, origin: float = zero) -> str:
        digits = max(len(text.partition(".")[2]) - round(math.log10(per_unit)), 0)
        out = number(float(text) * per_unit + origin, digits)
        return f"+{out}" if text[0] == "+" and out[0] not in "-+" else out

    before = f"{shown(low)} {joined} " if low else ""
    return before + shown(value, 0.0 if joined == "±" else zero), shown_unit


def basis_words(basis: str) -> str:
    """Whose vehicle a figure of a drive rests on; where it is the plan's, what to do about it."""
    return f"{basis} (logan fit, then logan drive N give it by the drives)" if basis == "plan" else basis


def channel_words(channel: str) -> str:
    """A channel's name as it is read: ``motor_temperature_2`` becomes ``motor temperature 2``."""
    return channel.replace("state_of_charge", "SOC").replace("_", " ")


def limit_name(check: LimitCheck) -> str:
    """A limited channel in plain words, with the side where a low value is what counts."""
    is_low, words = check.side == "below", channel_words(check.channel)
    if check.over:
        return f"{words.partition(':')[0]}, {check.over}{', charging' if is_low else ''}"
    if check.channel == "pack_current":
        return f"{words}, {'charging' if is_low else 'driving'}"
    return f"{words}, lowest" if is_low and not words.endswith(" min") else words


_METRICS: Final = {
    "net_wh_per_km": "net consumption",
    "gross_wh_per_km": "gross consumption",
    "net_wh": "net energy",
    "gross_wh": "gross energy",
    "regenerated_wh": "regen energy",
    "drag_area_m2": "CdA",
    "rolling_coefficient_ratio": "Crr",
    "force_65_mph_n": f"road load at {measure(65, 'mph')}",
    "least_red_margin_k": "least margin to red",
    "rolling_circumference_m": "tire circumference",
}
"""Metrics whose words are not those of their name."""

_METRIC_UNIT: Final = re.compile(r"_(wh_per_km|ohm_per_v|degc|ratio|ohm|wh|kg|m2|a|v|w|k|m|n|s)$")


def metric_words(name: str) -> str:
    """A metric's name as it is read: ``pulse_resistance_10_s_ohm`` is ``DC internal resistance 10 s``."""
    bare = channel_words(_METRIC_UNIT.sub("", name).replace("pulse_resistance", "DC internal resistance"))
    return _METRICS.get(name, bare.replace(" max max", " max").replace(" min max", " min, highest"))


def asked_metric(text: str, names: Iterable[str]) -> str:
    """The metric that is meant: by its name in files, or by its words with blanks or hyphens; else as it was typed."""

    def plain(words: str) -> str:
        return told(words, None).replace("-", " ").replace(",", "").lower()

    return next((name for name in names if text == name or plain(text) == plain(metric_words(name))), text)


def moment(started: datetime | None, form: str = "%Y-%m-%d %H:%M %Z") -> str:
    """A moment in local time with its zone."""
    return started.astimezone().strftime(form) if started else "no clock"


def number(value: float | None, digits: int = 0) -> str:
    """A number with thousands separators and no minus zero; a dash where there is none."""
    if value is None or value != value:
        return NONE
    text = f"{value:,.{digits}f}"
    return text if value >= 0.0 or text.strip("-0.,") else text[1:]


def with_sigma(value: float, sigma: float | None, digits: int = 0) -> str:
    """A number with its standard uncertainty: with as many digits as say anything of it, and never ± 0."""
    if sigma is None or sigma != sigma or sigma <= 0.0:
        return number(value, digits)
    needed = -math.floor(math.log10(sigma))
    if round(sigma, digits) == 0.0:
        if needed > digits + 3:
            return number(value, digits)
        digits = needed
    return f"{number(value, digits)} ± {number(sigma, digits)}"


def figure(value: Figure, *, scale: float = 1.0, digits: int = 0, unit: str = "") -> str:
    """A figure with its standard uncertainty; a refused one says "refused"."""
    if isinstance(value, Refusal):
        return "refused"
    text = with_sigma(value.value * scale, None if value.sigma is None else value.sigma * scale, digits)
    return f"{text} {unit}".rstrip()


def figure_text(value: Figure, units: DisplayUnits, quantity: str = "") -> str:
    """A figure in the units shown, by its own unit where no quantity is given, or why there is none."""
    if isinstance(value, Refusal):
        return f"refused: {reason(value)}"
    if quantity := quantity or QUANTITY_OF_UNIT.get(value.unit, ""):
        return quantity_text(value.value, quantity, units, sigma=value.sigma)
    digits = 5 if value.unit in ("", "ratio") else 1
    return figure(value, digits=digits, unit="" if value.unit == "ratio" else value.unit)


def reason(value: Figure) -> str:
    """Why a figure is refused; empty where it is given."""
    return f"{value.reason}. {value.remedy}".strip() if isinstance(value, Refusal) else ""


def consumption(value: Figure, units: DisplayUnits) -> str:
    """A consumption in Wh/km, as it is shown."""
    return figure(value, scale=units.metres / 1000.0)


def distance(metres: float | None, units: DisplayUnits, digits: int = 0) -> str:
    """A distance with its unit."""
    return NONE if metres is None else f"{number(metres / units.metres, digits)} {units.distance}"


def endless(metres: float, units: DisplayUnits, digits: int = 0) -> str:
    """A distance without its unit; one that has no end says so."""
    return number(metres / units.metres, digits) if metres < float("inf") else "no end"


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
        return NONE
    if digits == 0 and 0.0 < ratio < 0.005:
        return "< 1 %"
    if digits == 0 and 0.995 < ratio < 1.0:
        return "> 99 %"
    return f"{number(100.0 * ratio, digits)} %"


def road_grade_percent(rise_per_road_distance: float) -> float:
    """Grade as road signs give it, from rise over distance along the road."""
    return 100.0 * rise_per_road_distance / math.sqrt(max(1e-9, 1.0 - rise_per_road_distance**2))


def probability(ratio: float | None) -> str:
    """A chance in percent; no number of samples makes it certain, so it is never 0 or 100."""
    if ratio is None or ratio != ratio:
        return NONE
    return "< 1 %" if ratio < 0.005 else "> 99 %" if ratio > 0.995 else f"{100.0 * ratio:.0f} %"


def signed(value: float, digits: int = 0) -> str:
    """A change with its sign; what rounds to nothing has none."""
    text = f"{value:+,.{digits}f}"
    return text if text.strip("+-0.,") else text[1:]


def clock(seconds: float | None) -> str:
    """A moment or a duration as minutes and seconds, or hours and minutes."""
    if seconds is None:
        return NONE
    whole = round(seconds)
    hours, minutes = whole // 3600, whole % 3600 // 60
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {whole % 60:02d} s"


def capital(words: str) -> str:
    """Words as a sentence begins; what is in capitals stays so."""
    return words[:1].upper() + words[1:]


def sentence(line: str) -> str:
    """A remark as a sentence."""
    return f"{capital(line).rstrip('.')}."


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


def tone_of(severity: Severity | None) -> Literal["red", "amber", "plain"]:
    """Tone of a row by its severity."""
    if severity is Severity.RED:
        return "red"
    return "amber" if severity is Severity.AMBER else "plain"


def shown_value(value: float | None, unit: str, units: DisplayUnits, *, more: int = 0) -> str:
    """A value in SI, or as a result carries it, in the units shown, with more digits than usual where asked for."""
    if value is None or value != value:
        return NONE
    if unit == "ratio":
        return percent(value, 1 + more)
    if (quantity := QUANTITY_OF_UNIT.get(unit)) is not None:
        return quantity_text(value, quantity, units, units.digits_of(quantity) + more)
    if unit == "ohm" and abs(value) >= 1000.0:
        return f"{number(value / 1000.0, more)} kΩ"
    # Cells to a hundredth of a volt; else three figures: 0.700, 9.85, 35.2, 4,200.
    digits = 0 if value == 0 else min(max(2 - math.floor(math.log10(abs(value))), 0), 3)
    return f"{number(value, digits + more)} {unit}".strip()


def told_apart(value: float | None, *limits: float | None, unit: str, units: DisplayUnits) -> tuple[str, ...]:
    """A value and its limits, with as many digits as tell it from each that it is not."""
    texts: tuple[str, ...] = ()
    for more in range(5):
        texts = tuple(shown_value(one, unit, units, more=more) for one in (value, *limits))
        if all(text != texts[0] for text, one in zip(texts[1:], limits, strict=True) if one not in (value, None)):
            break
    return texts


def budget_table(budget: UncertaintyBudget, units: DisplayUnits) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Headings and rows of a range's uncertainty budget, as JCGM 100 lays it out; what says nothing is left out."""
    headings = ("source", "type", "uncertainty", "sensitivity", units.distance, "dof", "basis")
    rows: list[tuple[str, ...]] = [
        (
            parameter_words(row.source),
            row.evaluation,
            f"{_two_figures(row.sigma * step)} {unit}",
            f"{_two_figures(row.sensitivity / units.metres / step)} {units.distance} per {unit}",
            number(row.contribution / units.metres, 1),
            _freedom(row.degrees_of_freedom),
            "; ".join(filter(None, (row.basis, row.told_by and f"told by {row.told_by}"))),
        )
        for row, (step, unit) in ((row, _step_in(row.unit, units)) for row in budget.rows)
        if row.contribution > 0.005 * budget.combined
    ]
    return headings, rows


def _step_in(unit: str, units: DisplayUnits) -> tuple[float, str]:
    """Units shown in one unit of a result, and the unit shown."""
    quantity = "share" if unit == "ratio" else QUANTITY_OF_UNIT.get(unit)
    if quantity is None:
        return 1.0, unit
    return units.to_shown(1.0, quantity) - units.to_shown(0.0, quantity), units.unit_of(quantity)


def budget_sum(budget: UncertaintyBudget, units: DisplayUnits) -> str:
    """What the rows of a budget come to together."""
    return (
        f"Combined {number(budget.combined / units.metres, 1)} {units.distance}, effective degrees of freedom "
        f"{_freedom(budget.effective_degrees_of_freedom)}, k = {budget.coverage_factor:.2f}: "
        f"{number(budget.value / units.metres)} ± {number(budget.expanded / units.metres, 1)} {units.distance} "
        f"({percent(budget.level_ratio)}). Rows that one sensor read are correlated; the sum knows."
    )


def untold_text(budget: UncertaintyBudget, units: DisplayUnits) -> str:
    """What no number of drives tells, with its share of the uncertainty and the test that would; empty where little."""
    parts = [
        f"{parameter_words(row.source)} ± {number(row.contribution / units.metres, 1)} {units.distance} ({row.told_by})"
        for row in budget.rows
        if row.told_by and row.contribution > 0.2 * budget.combined
    ]
    return f"No number of drives tells all of it; these would: {', '.join(parts)}." if parts else ""


def _freedom(degrees: float) -> str:
    return "∞" if degrees > 1e5 else number(degrees)


def _two_figures(value: float) -> str:
    return f"{value:.2g}" if abs(value) < 100 else number(value)
