"""What every stage hands on: figures, flags, and results that turn into JSON.

A figure has its unit, origin, coverage and uncertainty, or is refused; a flag is what a detector has to say.
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
import json
import math
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum, StrEnum
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

from logan.errors import plain_words

if TYPE_CHECKING:
    import numpy as np

T = TypeVar("T")

JsonValue: TypeAlias = "bool | int | float | str | list[JsonValue] | dict[str, JsonValue] | None"


class StepWords(str):
    """Words on what is being done that also say how far a counted work has come, for a bar to be drawn.

    Parameters
    ----------
    words : str
        What is being done.
    done, total : int
        Steps behind, and steps in all.
    """

    __slots__ = ("done", "total")

    done: int
    total: int

    def __new__(cls, words: str, done: int, total: int) -> StepWords:
        """Text with its two numbers: text cannot be changed once it is made."""
        made = super().__new__(cls, words)
        made.done, made.total = done, total
        return made


Told: TypeAlias = Callable[[str], None]
"""Takes words on what is being done."""


def silent(words: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number that says where it comes from and how sure it is.

    Parameters
    ----------
    value : float
        The number, in ``unit``.
    unit : str
        Unit as written, such as ``"Wh/km"``.
    sigma : float or None
        One standard uncertainty in the same unit; None where it is not known.
    source : str
        How it was got: "measured", "plan", "fit", "typical, not your datasheet", ...
    coverage_ratio : float or None
        Share of the drive that it rests on, 0 to 1.
    """

    value: float
    unit: str
    sigma: float | None = None
    source: str = ""
    coverage_ratio: float | None = None

    @property
    def spread(self) -> float:
        """``sigma`` to reckon on with; not a number where it is not known, so that nothing built on it shows a ±."""
        return math.nan if self.sigma is None else self.sigma

    def interval(self, level_ratio: float = 0.9) -> tuple[float, float] | None:
        """Central normal interval that holds the truth with the given probability; None if unknown."""
        if self.sigma is None:
            return None
        half_width = NormalDist().inv_cdf(0.5 + level_ratio / 2.0) * self.sigma
        return self.value - half_width, self.value + half_width


@dataclass(frozen=True, slots=True)
class Refusal:
    """A figure that is not given, and why."""

    reason: str
    remedy: str = ""


Figure: TypeAlias = Estimate | Refusal


@dataclass(frozen=True, slots=True)
class Quantiles:
    """The 5, 10, 50, 90 and 95 % points of a distribution, in one unit."""

    p05: float
    p10: float
    p50: float
    p90: float
    p95: float
    unit: str

    @classmethod
    def of_samples(cls, samples: np.ndarray[Any, Any], unit: str) -> Quantiles:
        """Quantiles of equally likely samples."""
        import numpy as np

        p05, p10, p50, p90, p95 = (float(point) for point in np.quantile(samples, [0.05, 0.10, 0.50, 0.90, 0.95]))
        return cls(p05, p10, p50, p90, p95, unit)

    def scaled(self, factor: float, unit: str) -> Quantiles:
        """The same distribution in another unit; a factor above zero."""
        points = (self.p05, self.p10, self.p50, self.p90, self.p95)
        p05, p10, p50, p90, p95 = (factor * point for point in points)
        return Quantiles(p05, p10, p50, p90, p95, unit)


@typing.dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(dataclasses.field,))
def result(schema: str = "", *, kw_only: bool = True, eq: bool = True) -> Callable[[type[T]], type[T]]:
    """Make a class a finished result: a frozen, slotted dataclass whose arrays nobody can write through.

    Parameters
    ----------
    schema : str
        Name and number of its JSON form, such as ``"trend/1"``; the number moves when a key changes meaning.
    kw_only : bool
        Fields are given by name.
    eq : bool
        Results with equal fields are equal; never so where a field is an array.
    """

    def made(cls: type[T]) -> type[T]:
        if schema:
            cls.schema = schema  # type: ignore[attr-defined]
        kinds = {name: str(kind) for name, kind in inspect.get_annotations(cls).items()}
        arrays = tuple(name for name, kind in kinds.items() if "Array" in kind or "ndarray" in kind)
        checked = cls.__dict__.get("__post_init__")
        if arrays:

            def frozen_arrays(self: T) -> None:
                if checked is not None:
                    checked(self)
                for name in arrays:
                    if hasattr(array := getattr(self, name), "setflags"):
                        object.__setattr__(self, name, read_only(array))

            cls.__post_init__ = frozen_arrays  # type: ignore[attr-defined]
        return dataclass(frozen=True, slots=True, kw_only=kw_only, eq=eq and not arrays)(cls)

    return made


def schema_of(kind: type) -> str:
    """Schema of a result's JSON form."""
    return str(kind.schema)  # type: ignore[attr-defined]


def json_content(text: str | bytes) -> Any:
    """What a JSON text says.

    Raises
    ------
    ValueError
        If it is no JSON, or its parts lie too deep in each other.
    """
    try:
        return json.loads(text)
    except RecursionError as error:
        raise ValueError(plain_words(error)) from None


def json_ready(value: object) -> JsonValue:
    """Turn results, settings, arrays and enums into what JSON can hold; NaN and infinity become null.

    A dataclass with a ``schema`` class attribute carries it as its first key. Public properties
    listed in a ``derived`` class attribute are written as if they were fields, and so are the entries of the
    mapping that a ``flat`` class attribute names.
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Enum):
        return json_ready(value.value)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Path):
        return str(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        content: dict[str, JsonValue] = {}
        schema = getattr(value, "schema", None)
        if isinstance(schema, str):
            content["schema"] = schema
        if hasattr(value, "json_fields"):
            return content | typing.cast("dict[str, JsonValue]", value.json_fields())
        for field in dataclasses.fields(value):
            item = json_ready(getattr(value, field.name))
            content |= typing.cast("dict[str, JsonValue]", item) if _is_flat(value, field) else {field.name: item}
        for name in getattr(value, "derived", ()):
            content[name] = json_ready(getattr(value, name))
        return content
    if isinstance(value, Mapping):
        return {str(key): json_ready(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [json_ready(item) for item in value]
    # numpy's scalars and arrays, known by what they can do: a list of drives has none and loads no numpy.
    if hasattr(value, "tolist") and hasattr(value, "dtype"):
        import numpy as np

        array = np.asarray(value)
        items: JsonValue = array.tolist()
        is_plain = array.dtype.kind in "biu" or (array.dtype.kind == "f" and bool(np.isfinite(array).all()))
        return items if is_plain else json_ready(items)
    raise TypeError(f"{type(value).__name__} has no JSON form")


def _is_flat(owner: object, field: dataclasses.Field[Any]) -> bool:
    return field.name == getattr(owner, "flat", None)


def read_only(array: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Return a view of ``array`` that nobody can write through."""
    view = array.view()
    view.flags.writeable = False
    return view


def result_from_json(kind: type[T], content: JsonValue) -> T:
    """Build a result from its JSON form, the inverse of ``json_ready``.

    Parameters
    ----------
    kind : type
        A dataclass whose fields are numbers, texts, arrays, mappings, tuples, enums or such dataclasses.
    content : JSON value
        What ``json_ready`` made of it.

    Returns
    -------
    object
        An equal result; a null where a number belongs becomes the field's default, or NaN.

    Raises
    ------
    ValueError
        If the content does not fit the type, or carries another schema.
    """
    if not isinstance(content, dict):
        raise ValueError(f"{kind.__name__} needs an object")
    expected, found = getattr(kind, "schema", None), content.get("schema")
    if isinstance(expected, str) and isinstance(found, str) and expected != found:
        raise ValueError(f"schema is {found}, not {expected}")
    if hasattr(kind, "from_json_fields"):
        return typing.cast(T, kind.from_json_fields(content))  # type: ignore[attr-defined]
    hints = _hints(kind)  # type: ignore[arg-type]  # a class is hashable
    fields: dict[str, Any] = {}
    for field in dataclasses.fields(kind):  # type: ignore[arg-type]
        if _is_flat(kind, field):
            content = {**content, field.name: {name: item for name, item in content.items() if name not in hints}}
        has_default = field.default is not dataclasses.MISSING or field.default_factory is not dataclasses.MISSING
        if field.name not in content:
            if not has_default:
                raise ValueError(f"{kind.__name__} has no {field.name}")
        elif not (content[field.name] is None and hints[field.name] is float and has_default):
            fields[field.name] = _field_from_json(hints[field.name], content[field.name], field.name)
    return kind(**fields)


def all_refused(kind: type[T], refusal: Refusal, **known: Any) -> T:
    """A result whose figures are all refused for one reason; what else it holds is empty where it is not known."""
    fields: dict[str, Any] = {}
    for name, hint in _hints(kind).items():  # type: ignore[arg-type]  # a class is hashable
        if Refusal in typing.get_args(hint):
            fields[name] = refusal
        elif typing.get_origin(hint) is tuple:
            fields[name] = ()
        elif type(None) in typing.get_args(hint):
            fields[name] = None
    defaults = {
        one.name
        for one in dataclasses.fields(kind)  # type: ignore[arg-type]
        if one.default is not dataclasses.MISSING
    }
    return kind(**{name: value for name, value in fields.items() if name not in defaults} | known)


@functools.cache
def _hints(kind: Any) -> dict[str, Any]:
    """Types of a dataclass's fields; looked up once, since a stored analysis holds hundreds of results."""
    return typing.get_type_hints(kind)


def _fitting(kinds: list[Any], content: JsonValue) -> Any:
    """The one of several types whose fields are those of the content; the first where none fits."""
    if isinstance(content, dict):
        names = set(content) - {"schema"}
        for kind in kinds:
            if dataclasses.is_dataclass(kind) and names == {field.name for field in dataclasses.fields(kind)}:
                return kind
    return kinds[0]


def figure_from_json(content: Mapping[str, JsonValue]) -> Figure:
    """An estimate or a refusal from its JSON form; a value that is not finite is refused."""
    if "reason" in content:
        return result_from_json(Refusal, dict(content))
    return result_from_json(Estimate, dict(content)) if content.get("value") is not None else _NOT_FINITE


_NOT_FINITE = Refusal("the value is not finite")


def _is_array(hint: Any) -> bool:
    return getattr(hint, "__module__", "") == "numpy" and getattr(hint, "__name__", "") == "ndarray"


def _field_from_json(hint: Any, content: JsonValue, name: str) -> Any:
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if _is_array(origin or hint):
        import numpy as np

        return np.asarray(content, dtype=np.float64)
    if origin in (typing.Union, types.UnionType):
        if content is None and type(None) in arguments:
            return None
        if Estimate in arguments and Refusal in arguments and isinstance(content, dict):
            return figure_from_json(content)
        present = [argument for argument in arguments if argument is not type(None)]
        return _field_from_json(_fitting(present, content), content, name)
    if origin is tuple:
        if not isinstance(content, list):
            raise ValueError(f"{name} needs a list")
        inner = [arguments[0]] * len(content) if arguments[-1] is Ellipsis else list(arguments)
        return tuple(_field_from_json(kind, item, name) for kind, item in zip(inner, content, strict=True))
    if origin is not None and issubclass(origin, Mapping):
        if not isinstance(content, dict):
            raise ValueError(f"{name} needs an object")
        return {key: _field_from_json(arguments[1], item, name) for key, item in content.items()}
    if dataclasses.is_dataclass(hint):
        return result_from_json(typing.cast(type, hint), content)
    if hint is float:
        if content is None:
            return math.nan
        if isinstance(content, bool) or not isinstance(content, int | float) or not abs(content) < math.inf:
            raise ValueError(f"{name} needs a number")
        return float(content)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint(content)
    if not isinstance(content, hint) or (hint is int and isinstance(content, bool)):
        raise ValueError(f"{name} needs {hint.__name__}")
    return content


class Severity(StrEnum):
    """How much a flag matters for the figures."""

    NOTE = "note"
    """Worth knowing; no figure changes."""
    AMBER = "amber"
    """A figure is less sure, or a limit is near."""
    RED = "red"
    """A figure is wrong or refused, or a limit is passed."""


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a drive, in seconds from its start."""

    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """Length [s]."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True, kw_only=True)
class DataFlag:
    """One finding of one detector; it never repairs anything.

    Parameters
    ----------
    code : str
        Name of the detector's finding, such as ``current_sign_reversed``; empty until its detector stamps it.
    severity : Severity
        How much it matters.
    channels : tuple of str
        Canonical channels concerned; empty where it is the log or the whole drive.
    title : str
        The finding in a few plain words; like ``remedy`` empty until its detector stamps it.
    evidence : str
        The numbers that show it.
    remedy : str
        What to do about it.
    spans : tuple of Span
        When; empty means the whole drive.
    effect_wh_per_km : float or None
        How far the net consumption would move if it were put right, or None where it cannot be told.
    refuses : tuple of str
        Metrics that must not be shown while this stands, such as ``net_energy`` or ``regen``.
    """

    code: str = ""
    severity: Severity = Severity.NOTE
    channels: tuple[str, ...] = ()
    title: str = ""
    evidence: str
    remedy: str = ""
    spans: tuple[Span, ...] = ()
    effect_wh_per_km: float | None = None
    refuses: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing that was done to a drive's data, in the order it was done.

    Parameters
    ----------
    action : str
        What was done, such as ``mask`` or ``shift_current``.
    detail : str
        With which numbers.
    reason : str
        Why, in plain words.
    channels : tuple of str
        Channels it touched.
    net_wh_before, net_wh_after : float or None
        Net pack energy before and after. [Wh]
    """

    action: str
    detail: str
    reason: str
    channels: tuple[str, ...] = ()
    net_wh_before: float | None = None
    net_wh_after: float | None = None
