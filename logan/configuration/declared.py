"""How a setting is declared: one ``Key`` says what may stand there, and what becomes of it.

Its example and its words stand in the template of the file, which the form shows too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Final

from logan.settings import PlanningValue
from logan.units import plain_number
from logan.units.algebra import conversion
from logan.units.quantities import Measured, TypedNumber, parse_quantity


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity of one kind within a range; held as ``Measured`` in ``to_unit``.

    Parameters
    ----------
    to_unit : str
        Unit that it is held in.
    low, high : float
        Allowed range, in that unit.
    example : str
        Shown when the user's text cannot be read.
    shown : str
        Unit as printed in messages.
    least : float
        What is smaller, and not zero, is refused too.
    """

    to_unit: str
    low: float
    high: float
    example: str
    shown: str
    least: float = 0.0

    def read(self, raw: object) -> Measured:
        """Read and check one value.

        Raises
        ------
        ValueError
            In the words shown to the user.
        """
        if isinstance(raw, Measured):
            return raw
        measured = parse_quantity(raw, self.to_unit, self.example, low=self.low or self.least, high=self.high)
        slack = 1e-9 * max(abs(self.low), abs(self.high))  # 140 °F is a hair more than 60 °C
        is_inside = self.low - slack <= measured.value <= self.high + slack
        if not is_inside or 0.0 < abs(measured.value) < self.least * (1.0 - 1e-9):
            raise ValueError(f"expected {self.range_in(measured.unit)}, got {measured.text or f'{measured.value:g}'}")
        widest = measured.value if self.low > 0.0 else max(abs(self.low), abs(self.high))
        if measured.sigma is not None and measured.sigma > widest:
            raise ValueError(f"{measured.text} is no value yet: its uncertainty is larger than it")
        return measured

    @property
    def allowed(self) -> str:
        """The range in words."""
        return self.range_in("")

    def range_in(self, typed: str) -> str:
        """What is allowed, in the unit that was typed; to two digits, a little inside, where it is not round in it."""
        to_si = conversion(typed, self.to_unit) if typed else None
        low, least, high = (
            plain_number(value if to_si is None else _round_inside(to_si.from_si(value), rounded))
            for value, rounded in ((self.low, math.ceil), (self.least, math.ceil), (self.high, math.floor))
        )
        return f"{low}{f', or {least}' if self.least else ''} to {high} {typed or self.shown}".strip()


def _round_inside(value: float, rounded: Callable[[float], int]) -> float:
    if math.isclose(value, float(f"{value:.3g}"), rel_tol=1e-9):
        return value
    step = 10.0 ** (math.floor(math.log10(abs(value))) - 1)
    return rounded(value / step) * step


@dataclass(frozen=True, slots=True)
class Plain:
    """A value that is no quantity.

    Parameters
    ----------
    is_right : callable
        Whether a value may stand here.
    wanted : str
        What is expected, in words.
    choices : tuple of str
        The only texts allowed, where it is a choice.
    is_number : bool
        Numbers typed into a form become numbers.
    """

    is_right: Callable[[Any], bool]
    wanted: str
    choices: tuple[str, ...] = ()
    is_number: bool = False
    allowed: str = ""

    def read(self, raw: object) -> Any:
        """The value, if it may stand here.

        Raises
        ------
        ValueError
            In the words shown to the user.
        """
        if self.is_right(raw):
            return raw
        if self.choices:
            hint = nearest(raw, self.choices) if isinstance(raw, str) else ""
            raise ValueError(f"expected {self.wanted}; got {_short(raw)}{hint}")
        raise ValueError(f"expected {self.wanted}, got {_short(raw)}")


@dataclass(frozen=True, slots=True)
class Parsed:
    """A value that a function of its own reads and refuses; ``is_scalar`` where a form can show it."""

    read: Callable[[Any], Any]
    is_scalar: bool = False
    allowed: str = ""


def one_of(*names: str, is_needed: bool = False) -> Plain:
    """One of some texts; an empty one says nothing, where that may be."""
    return Plain(lambda raw: raw in names or (raw == "" and not is_needed), f"one of {', '.join(names)}", names)


def whole(low: int, high: int) -> Plain:
    """A whole number."""
    return Plain(lambda raw: type(raw) is int and low <= raw <= high, f"a whole number from {low} to {high}", (), True)


def number(low: float = -math.inf, high: float = math.inf, *, wanted: str = "a number") -> Plain:
    """A finite number."""
    return Plain(
        lambda raw: type(raw) in (int, float) and math.isfinite(raw) and low <= raw <= high, wanted, is_number=True
    )


def text(most: int, least: int = 0) -> Plain:
    """A text of bounded length."""
    wanted = f"a text of {least} to {most} characters" if least else f"a text in quotes of at most {most} characters"
    return Plain(lambda raw: isinstance(raw, str) and least <= len(raw) <= most, wanted)


YES_NO: Final = Plain(lambda raw: isinstance(raw, bool), "true or false")


@dataclass(frozen=True, slots=True)
class Table:
    """A table of a settings file.

    Parameters
    ----------
    keys : tuple of Key
        In the order in which they are shown.
    other : callable or None
        Reads what no key declares, by its name; None refuses it.
    """

    keys: tuple[Key, ...]
    other: Callable[[str, object, str, list[str]], Any] | None = None

    def key(self, name: str) -> Key | None:
        """The key of a name; None where there is none."""
        return next((key for key in self.keys if key.name == name), None)


@dataclass(frozen=True, slots=True)
class Tables:
    """Several tables of one kind, as ``[[name]]``."""

    of: Callable[[], Table]
    most: int
    least: int = 0


@dataclass(frozen=True, slots=True)
class Key:
    """One setting.

    Parameters
    ----------
    name : str
        As it stands in the file.
    kind : Quantity, Plain, Parsed, Table or Tables
        Type, unit and range.
    is_required : bool
        True where there is neither a default nor a typical value.
    sigma_ratio : float or None
        For a planning value: its relative uncertainty where neither the user nor ``typical`` tells.
    typical : PlanningValue or None
        Taken where the user gives none.
    field : str
        Of the typed object; by default the one with this name, its unit behind it; "-" for none.
    default : object
        Where the typed object has none.
    """

    name: str
    kind: Quantity | Plain | Parsed | Table | Tables
    is_required: bool = False
    sigma_ratio: float | None = None
    typical: PlanningValue | None = None
    field: str = ""
    default: Any = None

    @property
    def is_scalar(self) -> bool:
        """True where it can be said in one line of a form."""
        return isinstance(self.kind, Quantity | Plain) or (isinstance(self.kind, Parsed) and self.kind.is_scalar)


@dataclass(frozen=True, slots=True)
class Given:
    """What a table of a file says, read and checked, with the sources that the user named."""

    table: Table
    values: Mapping[str, Any] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Any:
        """A value; its default, or None, where it was not given."""
        key = self.table.key(name)
        return self.values.get(name, key.default if key else None)

    def value(self, name: str) -> float | None:
        """A quantity without its uncertainty."""
        found = self[name]
        return None if found is None else float(found.value)

    def source(self, name: str) -> str:
        """Where a value comes from; "given" where the user did not say."""
        return self.sources.get(name, "given")

    def planned(self, name: str, typical: PlanningValue | None = None) -> PlanningValue:
        """A planning value: the user's, or the typical one."""
        key = self.table.key(name)
        assert key is not None
        return planning_value(self[name], self.source(name), typical or key.typical, key.sigma_ratio or 0.0)

    def typed(self, kind: type) -> dict[str, Any]:
        """Fields of a typed object, by name; what was not given and has no typical value is left to its default."""
        names = [one.name for one in fields(kind)]
        found: dict[str, Any] = {}
        for key in self.table.keys:
            near = (name for name in names if name == key.name or name.startswith(f"{key.name}_"))
            if (name := key.field or next(near, "-")) == "-":
                continue
            value = self[key.name]
            if key.sigma_ratio is not None and (value is not None or key.typical is not None):
                found[name] = self.planned(key.name)
            elif value is not None:
                found[name] = TypedNumber(value.value, value.text) if isinstance(value, Measured) else value
        return found


def planning_value(
    measured: Measured | None, source: str, typical: PlanningValue | None, sigma_ratio: float
) -> PlanningValue:
    """Take the user's value; its uncertainty, where left out, is the typical one for its kind."""
    if measured is None:
        if typical is None:
            raise ValueError("no value and no typical value")
        return typical
    if measured.sigma is not None:
        return PlanningValue(measured.value, measured.sigma, source, measured.text)
    if typical is not None and typical.value:
        sigma = typical.sigma / typical.value * measured.value
        return PlanningValue(measured.value, sigma, f"{source}; uncertainty {typical.source}", _typed(measured, sigma))
    note = f"{source}; uncertainty {sigma_ratio * 100:g} %, common practice"
    sigma = sigma_ratio * measured.value
    return PlanningValue(measured.value, sigma, note, _typed(measured, sigma))


def _typed(measured: Measured, sigma: float) -> str:
    """What the user typed without an uncertainty, and the one that it is given."""
    if not measured.text or not measured.value:
        return measured.text
    share = 100.0 * abs(sigma if measured.unit == "%" else sigma / measured.value)
    return f"{measured.text} ± {share:.2g} %"


def read_table(raw: object, table: Table, where: str, problems: list[str]) -> Given:
    """Read and check a table; everything wrong with it is added to ``problems``, with its path."""
    if not isinstance(raw, dict):
        problems.append(f"{where}: expected a table, got {_short(raw)}")
        return Given(table)
    values: dict[str, Any] = {}
    sources: dict[str, str] = {}
    for name, item in raw.items():
        key, path = table.key(name), f"{where}.{name}" if where else name
        if key is not None:
            if isinstance(item, dict) and "value" in item and set(item) <= {"value", "source"} and key.is_scalar:
                sources |= {name: str(item["source"])} if "source" in item else {}
                item = item["value"]
            values[name] = _read(item, key, path, problems)
        elif table.other is not None:
            values[name] = table.other(name, item, path, problems)
        else:
            problems.append(f"{path}: unknown key{nearest(name, [key.name for key in table.keys])}")
    missing = [key.name for key in table.keys if key.is_required and key.name not in raw]
    problems += [f"{where}.{name}: missing; it has no typical value".lstrip(".") for name in missing]
    return Given(table, {name: value for name, value in values.items() if value is not None}, sources)


def _read(raw: object, key: Key, path: str, problems: list[str]) -> Any:
    if isinstance(key.kind, Table):
        return read_table(raw, key.kind, path, problems)
    if isinstance(key.kind, Tables):
        if not isinstance(raw, list) or not key.kind.least <= len(raw) <= key.kind.most:
            problems.append(f"{path}: expected {key.kind.least} to {key.kind.most} [[{path}]] tables")
            return None
        return [read_table(item, key.kind.of(), f"{path}[{row}]", problems) for row, item in enumerate(raw, start=1)]
    try:
        return key.kind.read(raw)
    except ValueError as error:
        problems.append(f"{path}: {error}")
        return None


def _short(value: object) -> str:
    shown = repr(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."


def nearest(word: object, known: Sequence[str]) -> str:
    """Return ``"; did you mean x?"``, or nothing where no name is near."""
    from difflib import get_close_matches

    matches = get_close_matches(str(word), known, n=1, cutoff=0.6)
    return f"; did you mean {matches[0]}?" if matches else ""
