"""``build.toml`` as a form: its keys with their texts, and the same checks as the file."""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from threading import RLock
from typing import Any, Final

from logan.configuration.declared import YES_NO, Key
from logan.configuration.problems import refuse_deep, template
from logan.drive_library.durable import set_aside
from logan.errors import ConfigurationError, ConflictError, UsageError, in_our_words, plain_words
from logan.pipeline.builds import BuildFolder, shown_units
from logan.results import result
from logan.units import DisplayUnits

_TABLES: Final = (
    *("build", "vehicle", "gearing", "motor", "powertrain", "pack", "auxiliary", "instruments", "certificate"),
    *("limits", "target"),
)
_CHOICES_OF_TEXT: Final = 40
_WORDED: Final = {"gearing.reductions": "drive unit = 9.1, axle = 4.11", "pack.usable_window": "0.05, 0.95"}
"""Keys that are no scalars but can be said in one line, with an example."""
SAVING: Final = RLock()
"""Held from reading settings or the channel map to replacing them, so that no two requests undo each other."""
_LIMIT_KEYS: Final = ("amber", "derate", "red", "source")
_LIMIT_EXAMPLES: Final = {"pack_current": ("500 A", "600 A"), "motor_current": ("500 A", "600 A")}


@dataclass(frozen=True, slots=True, kw_only=True)
class FormField:
    """One key of a settings table.

    Parameters
    ----------
    key : str
        Path of the key, such as ``vehicle.mass`` or ``limits.motor_temperature.red``.
    text : str
        What stands there; empty where the key is left out.
    example, hint : str
        What could stand there; what the template says of it, and the allowed range.
    choices : tuple of str
        The only texts allowed; empty where it is free.
    is_required : bool
        True when there is no default and no typical value.
    """

    key: str
    text: str
    example: str
    hint: str
    choices: tuple[str, ...]
    is_required: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FormSection:
    """One table of the settings."""

    name: str
    fields: tuple[FormField, ...]


@result("settings-form/1")
class SettingsForm:
    """The settings as a form.

    Parameters
    ----------
    sections : tuple of FormSection
        Tables with the keys that fit on one line.
    text : str
        The whole file, for what no form holds: alternatives, curves, scenarios.
    version : str
        Hash of the file as read; a save that names it is refused once the file is another.
    problems : tuple of str
        What is wrong with the file as it stands.
    """

    sections: tuple[FormSection, ...]
    text: str
    version: str
    problems: tuple[str, ...] = ()


def read_form(folder: BuildFolder) -> SettingsForm:
    """Read the settings of a build as a form; a file with faults can be read too.

    Raises
    ------
    ConfigurationError
        If the file is not there or is not TOML.
    """
    from logan.configuration.problems import load

    with SAVING:
        content = load(folder.settings_file)
        text = folder.settings_file.read_text(encoding="utf-8-sig")
    sections, units = [], shown_units(folder.path)
    for table in _TABLES:
        values = content.get(table)
        values = values if isinstance(values, dict) else {}
        fields = [
            _field(path, key, values.get(key.name), units)
            for path, key in _keys().items()
            if path.startswith(f"{table}.")
        ]
        if table == "limits":
            fields.extend(_limit_fields(values))
        sections.append(FormSection(name=table, fields=tuple(fields)))
    try:
        folder.settings()
        problems: tuple[str, ...] = ()
    except ConfigurationError as error:
        problems = error.problems or (error.problem,)
    return SettingsForm(sections=tuple(sections), text=text, version=version_of(text), problems=problems)


def settings_like(word: str, units: DisplayUnits) -> tuple[FormField, ...]:
    """The settings whose name holds a word, as declared and as the template explains them; none of their texts."""
    from logan.configuration.keys import SCENARIO

    asked = word.lower().strip().replace(" ", "_")
    keys = _keys() | {f"scenario.{key.name}": key for key in SCENARIO.keys}
    return tuple(_field(path, key, None, units) for path, key in keys.items() if asked in path)


def toml_document(path: Path, remedy: str) -> tuple[str, Any]:
    """Text of a file, and what it says with its comments; both empty where there is none.

    Raises
    ------
    UsageError
        If it cannot be read.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        text = path.read_text(encoding="utf-8-sig") if path.exists() else ""
        refuse_deep(text)
        return text, tomlkit.parse(text)
    except RecursionError as error:
        raise UsageError(f"{path.name} cannot be read ({plain_words(error)})", remedy) from None
    except (OSError, UnicodeDecodeError, TOMLKitError) as error:
        raise UsageError(f"{path.name} cannot be read ({error})", remedy) from None


def version_of(text: str) -> str:
    """Version of a file: a name made of its text."""
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def _keys() -> dict[str, Key]:
    """Each key that the form shows, by its path."""
    from logan.configuration.keys import BUILD_FILE

    tables = {table.name: getattr(table.kind, "keys", ()) for table in BUILD_FILE.keys if table.name in _TABLES}
    paths = {f"{table}.{key.name}": key for table in _TABLES for key in tables[table]}
    return {path: key for path, key in paths.items() if key.is_scalar or path in _WORDED}


@cache
def _template(units: DisplayUnits) -> dict[str, tuple[str, str]]:
    """Example and remark of each key in the template, be it set there or only shown."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    found: dict[str, tuple[str, str]] = {}
    table = ""
    for line in template("build.toml", units).splitlines():
        bare = line.removeprefix("# ").strip()
        if heading := re.match(r"\[+([\w.]+)\]", bare):
            table = heading[1]
        elif re.match(r"\w+ = ", bare):
            try:
                parsed = tomlkit.parse(bare)
            except (TOMLKitError, ValueError):
                continue
            ((key, value),) = parsed.items()
            remark = parsed.item(key).trivia.comment.removeprefix("#").strip()  # type: ignore[union-attr]
            found.setdefault(f"{table}.{key}", (_text(value), remark))
    return found


def _text(raw: object) -> str:
    """A value as the form shows it."""
    if isinstance(raw, dict):
        return _text(raw["value"]) if "value" in raw else ", ".join(f"{key} = {_text(raw[key])}" for key in raw)
    if isinstance(raw, list | tuple):
        return ", ".join(_text(item) for item in raw)
    return "" if raw is None else (str(raw).lower() if isinstance(raw, bool) else str(raw))


def _allowed(key: Key, typed: str) -> str:
    """What is allowed, in the unit that is typed, or would be."""
    try:
        return key.kind.range_in(key.kind.read(typed).unit)  # type: ignore[union-attr]
    except (AttributeError, ValueError):
        return getattr(key.kind, "allowed", "")


def _field(path: str, key: Key, raw: object, units: DisplayUnits) -> FormField:
    text = _text(raw)
    is_yes_no = key.kind is YES_NO
    choices: tuple[str, ...] = ("true", "false") if is_yes_no else getattr(key.kind, "choices", ())
    shown, remark = _template(units).get(path, ("", ""))
    return FormField(
        key=path,
        text=text,
        example=_WORDED.get(path, shown or getattr(key.kind, "example", "")),
        hint="; ".join(
            filter(None, ("" if choices and key.kind is not YES_NO else remark, _allowed(key, text or shown)))
        ),
        choices=choices if len(choices) <= _CHOICES_OF_TEXT else (),
        is_required=key.is_required,
    )


def _limit_fields(values: dict[str, Any]) -> Iterator[FormField]:
    """Amber, derating, red and source of each channel that has limits here or commonly has."""
    from logan.channels.vocabulary import channel_kind
    from logan.configuration.build import typical_limits

    examples = dict(_LIMIT_EXAMPLES)
    for limit in typical_limits():
        kind = channel_kind(limit.channel)
        unit = kind.unit if kind else ""
        examples[limit.channel] = (f"{limit.amber:g} {unit}", f"{limit.red:g} {unit}")
    given = [channel for channel in values if isinstance(values[channel], dict)]
    for channel in dict.fromkeys((*given, *examples)):
        amber, red = examples.get(channel, ("", ""))
        entry = values[channel] if channel in given else {}
        for key, example in zip(_LIMIT_KEYS, (amber, amber, red, "datasheet"), strict=True):
            path = f"limits.{channel}.{key}"
            text = _text(entry.get(key))
            yield FormField(key=path, text=text, example=example, hint="", choices=(), is_required=False)


def save_fields(folder: BuildFolder, changes: dict[str, str], *, version: str | None = None) -> None:
    """Change some keys; comments and everything else in the file stay as they are.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    changes : dict of str to str
        Key path to text; an empty text takes the key out.
    version : str, optional
        Of the form that the changes were made in.

    Raises
    ------
    ConfigurationError
        If the settings would not be valid; the file is left alone.
    ConflictError
        If the settings are no longer of that version; the file is left alone.
    UsageError
        If a key is none of the form's.
    """
    with SAVING:
        form = read_form(folder)
        known = {field.key: field.text for section in form.sections for field in section.fields}
        if unknown := sorted(set(changes) - set(known)):
            raise UsageError(f"{unknown[0]} is no key of the form", "Edit the file itself for other keys")
        if version not in (None, form.version):
            texts = tuple((key, text, known[key]) for key, text in changes.items())
            raise ConflictError("the settings were", texts)
        save_text(folder, _changed(folder, form.text, changes))


def _changed(folder: BuildFolder, before: str, changes: dict[str, str]) -> str:
    """The text of the file with some keys changed."""
    import tomlkit

    from logan.configuration.problems import refusal

    document = tomlkit.parse(before)
    problems = []
    for path, text in changes.items():
        *tables, key = path.split(".")
        try:
            _put(document, tables, key, _value(path, text.strip()))
        except ValueError as error:
            problems.append(f"{path}: {error}")
    if problems:
        raise refusal(folder.settings_file, tuple(problems))
    return tomlkit.dumps(document)


def _put(document: Any, tables: list[str], key: str, value: object) -> None:
    """Set one key, or take it out where the value is None; a limit without values goes whole."""
    import tomlkit

    table = document.setdefault(tables[0], tomlkit.table())
    parent = table
    for name in tables[1:] if isinstance(parent, dict) else ():
        if name not in parent:
            parent[name] = tomlkit.inline_table()
        table = parent[name]
    if not isinstance(table, dict):
        raise ValueError(f"{'.'.join(tables)} is no table in the file; mend its text first")
    if value is not None:
        if isinstance(table.get(key), dict) and "value" in table[key]:
            table[key]["value"] = value
        else:
            table[key] = value
    elif key in table:
        table.pop(key)
        if tables[1:] and not {"amber", "derate", "red"} & set(table):
            parent.pop(tables[1])


def _value(path: str, text: str) -> object:
    """A text of the form as TOML; None where it is empty.

    Raises
    ------
    ValueError
        If a text of several values cannot be taken apart.
    """
    import tomlkit

    if not text:
        return None
    if path in _WORDED:
        parts = [part.strip() for part in text.split(",")]
        try:
            if path == "pack.usable_window":
                return [float(p[:-1]) / 100.0 if p.endswith("%") else float(p) for p in parts]
            reductions = tomlkit.inline_table()
            for name, _, ratio in (part.partition("=") for part in parts):
                if not name.strip() or name.strip() in reductions:
                    raise ValueError
                reductions[name.strip()] = float(ratio)
            return reductions
        except ValueError:
            raise ValueError(f"expected such as {_WORDED[path]}, got {text}") from None
    kind = _keys()[path].kind if path in _keys() else None
    if kind is YES_NO and text in ("true", "false"):
        return text == "true"
    return int(text) if getattr(kind, "is_number", False) and text.isdecimal() and len(text) < 10 else text


def save_text(folder: BuildFolder, text: str, *, version: str | None = None) -> None:
    """Replace the whole file, if it is valid and, where a version is named, still the one that was read.

    Raises
    ------
    ConfigurationError
        With every problem found; the file is left alone.
    ConflictError
        If the file is no longer of that version; it is left alone.
    """
    with SAVING:
        if version is not None:
            theirs = folder.settings_file.read_text(encoding="utf-8-sig", errors="replace")
            if version != version_of(theirs):
                raise ConflictError("the settings were", (("build.toml", text, theirs),))
        replace_file(folder, text, folder.settings_file)


def replace_file(folder: BuildFolder, text: str, target: Path) -> None:
    """Replace settings or measurements by a text that is valid; else the file is left alone.

    Raises
    ------
    ConfigurationError
        With every problem found, or if it cannot be written.
    """
    from logan.configuration.build import read_build
    from logan.configuration.measurements import read_measurements, read_readings

    refused = in_our_words(ConfigurationError, "cannot be saved: {}", "Make room and try again", target)
    with refused, set_aside(target) as draft:
        draft.write_text(text, encoding="utf-8")
        try:
            for read in (read_build,) if target == folder.settings_file else (read_measurements, read_readings):
                read(draft)
        except ConfigurationError as error:
            raise ConfigurationError(error.problem, error.remedy, target, problems=error.problems) from None
