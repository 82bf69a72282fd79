"""What the driver notes on a drive: conditions, tags, exclusion, masks."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import fields, replace
from difflib import get_close_matches
from functools import lru_cache
from threading import RLock
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

from logan.drive.provenance import Correction, DriveConditions
from logan.errors import ConflictError, UsageError
from logan.units import KILOGRAMS_PER_POUND
from logan.units.algebra import conversion

if TYPE_CHECKING:
    from logan.drive_library.records import DriveRecord
    from logan.drive_library.repository import DriveLibrary

_NOTING: Final = RLock()
"""Held from reading notes to writing them, so that two requests never undo each other's changes."""

_PLAUSIBLE = {
    "payload_kg": (-2_000.0, 20_000.0),
    "ambient_temperature_degc": (-60.0, 60.0),
    "pressure_pa": (45_000.0, 110_000.0),
    "relative_humidity_ratio": (0.0, 1.0),
    "wind_m_per_s": (0.0, 60.0),
    "wind_from_deg": (0.0, 360.0),
    "tyre_pressure_pa": (0.0, 1.5e6),
    "drag_factor": (0.5, 3.0),
    "rolling_factor": (0.5, 3.0),
}

_SPOKEN = {
    "payload": ("payload_kg", "kilogram", "300 lb", "kg"),
    "ambient": ("ambient_temperature_degc", "degC", "50 °F", "°C"),
    "wind": ("wind_m_per_s", "meter/second", "10 mph", "m/s"),
    "tire": ("tyre_pressure_pa", "pascal", "36 psi", "Pa"),
}
"""What a driver notes in units of their own: field, unit that it is kept in, example, and the unit's sign."""

PASSENGER_KG = 150.0 * KILOGRAMS_PER_POUND
"""A passenger (common practice)."""

_NOTHING: Mapping[str, str | None] = MappingProxyType({})


def noted(
    conditions: DriveConditions | None = None, said: Mapping[str, str | None] = _NOTHING, **values: Any
) -> DriveConditions:
    """Conditions with some values changed.

    Parameters
    ----------
    conditions : DriveConditions, optional
        As they stand.
    said : mapping of str to str
        ``payload``, ``ambient``, ``wind`` and ``tire`` as people say them: "300 lb", "50 °F", "10 mph", "36 psi".
        Blank forgets what was noted; None leaves it.
    **values
        Fields of ``DriveConditions`` in SI; None leaves one as it is.

    Raises
    ------
    UsageError
        If a value cannot be read, lacks its unit, or is not plausible.
    """
    known = {field.name for field in fields(DriveConditions)}
    changes = {name: value for name, value in values.items() if value is not None}
    for name, value in changes.items():
        if name not in known:
            raise UsageError(f"{name} is nothing that can be noted on a drive", f"Known: {', '.join(sorted(known))}")
        low, high = _PLAUSIBLE.get(name, (None, None))
        if low is not None and high is not None and not low <= float(value) <= high:
            raise UsageError(f"{name}: expected {low:g} to {high:g}, got {float(value):g}", "Give another value")
    before = conditions or DriveConditions()
    typed = dict(before.said) | {name: text.strip() for name, text in said.items() if text is not None}
    typed = {name: text for name, text in typed.items() if text}
    return replace(before, **changes, **_heard(said), said=typed)


def with_passengers(payload: str | None, passengers: int | None, unit: str = "lb") -> str | None:
    """The payload said, with passengers of 150 lb on top (common practice); as it was where none were said."""
    if passengers is None:
        return payload
    kilograms = (_heard({"payload": payload}).get("payload_kg") or 0.0) + passengers * PASSENGER_KG
    in_unit = conversion(unit, "kg")
    assert in_unit is not None
    return f"{in_unit.from_si(kilograms):.4g} {unit}"


def _heard(said: Mapping[str, str | None]) -> dict[str, Any]:
    """Fields of ``DriveConditions`` in SI, None for a blank text; a text that is None is left out."""
    from logan.configuration.declared import Quantity

    values: dict[str, Any] = {}
    for name, text in said.items():
        if text is None:
            continue
        field, unit, example, sign = _SPOKEN[name]
        try:
            values[field] = Quantity(unit, *_PLAUSIBLE[field], example, sign).read(text).value if text.strip() else None
        except ValueError as error:
            raise UsageError(f"{name}: {error}", "Correct it and run the command again") from None
    return values


@lru_cache(4096)  # most drives have equal notes
def conditions_version(conditions: DriveConditions) -> str:
    """Name of notes by their content, so that a change of others since they were read is seen."""
    from logan.drive_library.analysis_cache import settings_fingerprint

    return settings_fingerprint(conditions)


def parse_span(text: str) -> tuple[float | None, float | None]:
    """Read ``750s..768s``, ``12:30..12:48`` (minutes and seconds) or ``..30s``.

    Raises
    ------
    UsageError
        If it is no span.
    """
    parts = text.split("..")
    if len(parts) != 2:
        raise UsageError(f"'{text}' is no span", "Write it like 750s..768s or 12:30..12:48")
    start_s, end_s = (_moment(part, text) for part in parts)
    if start_s is not None and end_s is not None and end_s < start_s:
        raise UsageError(f"'{text}' ends before it starts", "Turn it round")
    return start_s, end_s


def _moment(part: str, text: str) -> float | None:
    part = part.strip().lower().removesuffix("s")
    if not part:
        return None
    try:
        seconds = 0.0
        for piece in part.split(":"):
            seconds = seconds * 60.0 + float(piece)
    except ValueError:
        raise UsageError(f"'{text}' is no span", "Write it like 750s..768s or 12:30..12:48") from None
    if not 0.0 <= seconds < 1e7:
        raise UsageError(f"'{text}' lies outside any drive", "Give seconds from the start of the drive")
    return seconds


def with_mask(
    conditions: DriveConditions, spans: tuple[str, ...], why: str, channels: tuple[str, ...] = ()
) -> DriveConditions:
    """Conditions with masks added.

    Raises
    ------
    UsageError
        If a span cannot be read or the reason is missing.
    """
    if not why.strip():
        raise UsageError("a mask needs a reason", 'Give it with --why "..."')
    added = []
    for text in spans:
        start_s, end_s = parse_span(text)
        added.append(Correction(why=why, channels=channels, start_s=start_s, end_s=end_s))
    return replace(conditions, corrections=(*conditions.corrections, *added))


def refuse_unknown_channels(conditions: DriveConditions, channels: Collection[str]) -> None:
    """Refuse masks and corrections of channels that the drive lacks, before anything is kept.

    Raises
    ------
    UsageError
        With the nearest name.
    """
    for channel in (name for correction in conditions.corrections for name in correction.channels):
        if channel not in channels:
            near = get_close_matches(channel, list(channels), n=1)
            hint = f"Did you mean '{near[0]}'?" if near else f"It has: {', '.join(sorted(channels))}"
            raise UsageError(f"the drive has no channel '{channel}'", hint)


_CORRECTABLE = {"shift_s": (-3600.0, 3600.0), "offset": (-1e6, 1e6), "gain": (-1e3, 1e3), "sign": (-1.0, 1.0)}


def parse_correction(text: str, why: str) -> Correction:
    """Read ``pack_current.offset=-0.7``, or ``pack_current.gain=1.02@750s..768s`` for a span only.

    Raises
    ------
    UsageError
        If it is no correction, or the reason is missing.
    """
    if not why.strip():
        raise UsageError("a correction by hand needs a reason", 'Give it with --why "..."')
    body, _, span = text.partition("@")
    address, _, number = body.partition("=")
    channel, _, key = address.strip().rpartition(".")
    low, high = _CORRECTABLE.get(key, (0.0, 0.0))
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    if not channel or not low < high or not low <= value <= high or (key in ("gain", "sign") and value == 0.0):
        raise UsageError(
            f"'{text}' is no correction",
            f"Write CHANNEL.KEY=NUMBER with one of {', '.join(_CORRECTABLE)}, such as pack_current.offset=-0.7",
        )
    start_s, end_s = parse_span(span) if span else (None, None)
    more: dict[str, Any] = {key: int(value) if key == "sign" else value}
    return Correction(why=why, channels=(channel,), start_s=start_s, end_s=end_s, is_mask=False, **more)


def without_correction(conditions: DriveConditions, number: int) -> DriveConditions:
    """Conditions with one mask or correction by hand taken back, counted from 1.

    Raises
    ------
    UsageError
        If there is none of that number.
    """
    kept = conditions.corrections
    if not 1 <= number <= len(kept):
        raise UsageError(f"there is no correction {number}", f"The drive has {len(kept)}")
    return replace(conditions, corrections=(*kept[: number - 1], *kept[number:]))


def changed(
    conditions: DriveConditions,
    *,
    masks: tuple[str, ...] = (),
    trims: tuple[str, ...] = (),
    is_untrimmed: bool = False,
    mask_channels: tuple[str, ...] = (),
    hand: tuple[str, ...] = (),
    undone: int | None = None,
    why: str = "",
    is_unmasked: bool = False,
    is_excluded: bool = False,
    is_included: bool = False,
    said: Mapping[str, str | None] = _NOTHING,
    **values: Any,
) -> DriveConditions:
    """Conditions after everything that one command asks for.

    Parameters
    ----------
    conditions : DriveConditions
        As they stand.
    masks, mask_channels : tuple of str
        Spans to blank, and in which channels (where empty, they are cut out of the drive).
    trims : tuple of str
        Spans to cut out of the drive.
    is_untrimmed : bool
        Have back what was left out by itself as no measurement.
    hand : tuple of str
        Corrections by hand, as ``parse_correction`` reads them.
    undone : int, optional
        Number of one mask or correction by hand to take back, counted from 1.
    why : str
        Reason for masks, corrections or exclusion.
    is_unmasked, is_excluded, is_included : bool
        Take back all corrections by hand; leave the drive out of the fit; let it take part again, and with a
        reason even where its data speak against it.
    said, **values
        As in ``noted``.

    Raises
    ------
    UsageError
        If a reason is missing, a span cannot be read, or a value is not plausible.
    """
    if is_excluded and is_included:
        raise UsageError("a drive cannot be left out and take part", "Give one of --exclude and --include")
    if is_excluded and not why.strip():
        raise UsageError("leaving a drive out needs a reason", 'Give it with --why "..."')
    result = noted(conditions, said, **values)
    if is_unmasked:
        result = replace(result, corrections=(), untrimmed_because="")
    if undone is not None:
        result = without_correction(result, undone)
    if masks:
        result = with_mask(result, masks, why, mask_channels)
    if trims:
        result = with_mask(result, trims, why)
    if is_untrimmed:
        if not why.strip():
            raise UsageError("having back what holds no measurement needs a reason", 'Give it with --why "..."')
        result = replace(result, untrimmed_because=why)
    if hand:
        added = tuple(parse_correction(text, why) for text in hand)
        result = replace(result, corrections=(*result.corrections, *added))
    if is_excluded:
        return replace(result, excluded_because=why, included_because="")
    return replace(result, excluded_because="", included_because=why) if is_included else result


def change_notes(
    library: DriveLibrary,
    drive: int,
    changes: Mapping[str, Any],
    *,
    version: str | None = None,
    take_back: int | None = None,
) -> DriveRecord:
    """Change what is noted on a drive, unless others did since it was read.

    Parameters
    ----------
    library : DriveLibrary
        Where it is.
    drive : int
        Its number.
    changes : mapping of str to object
        Arguments of ``changed``.
    version : str, optional
        Of the notes as they were read; see ``conditions_version``.
    take_back : int, optional
        Number of one mask or correction by hand to take back, counted from 1.

    Raises
    ------
    ConflictError
        If the notes are no longer of that version; nothing is changed.
    UsageError
        If the change makes no sense, or names a channel that the drive lacks; nothing is changed.
    """
    with _NOTING:
        record = library.record(drive)
        if version not in (None, conditions_version(record.conditions)):
            raise ConflictError("the notes on this drive were", _both_texts(record.conditions, changes))
        conditions = changed(record.conditions, **changes)
        if take_back is not None:
            conditions = without_correction(conditions, take_back)
        if changes.get("masks") or changes.get("hand"):
            refuse_unknown_channels(conditions, record.channels)
        return library.set_conditions(drive, conditions)


def _both_texts(conditions: DriveConditions, changes: Mapping[str, Any]) -> tuple[tuple[str, str, str], ...]:
    """What is to be changed: its name, its text, and the one that is noted; as the page writes them."""
    yours, why = {**changes, **changes.get("said", {})}, changes.get("why", "")
    if changes.get("is_excluded") or changes.get("is_included"):
        yours |= {"exclude_because": "", "include_because": ""}
        yours["exclude_because" if changes.get("is_excluded") else "include_because"] = why
    noted_by_now = {name: getattr(conditions, field) for name, field in _TOLD.items()} | {
        name: conditions.said.get(name) or ("" if (si := getattr(conditions, field)) is None else f"{si:g} {sign}")
        for name, (field, _, _, sign) in _SPOKEN.items()
    }
    texts = ((key, yours[key], theirs) for key, theirs in noted_by_now.items() if yours.get(key) is not None)
    return tuple((key, _told(mine), _told(theirs)) for key, mine, theirs in texts)


_TOLD: Final = {name: name for name in ("note", "change", "tags", "wind_from_deg", "drag_factor", "rolling_factor")} | {
    "exclude_because": "excluded_because", "include_because": "included_because",
}  # fmt: skip


def _told(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.15g}"
    return ", ".join(map(str, value)) if isinstance(value, list | tuple) else "" if value is None else str(value)
