"""``build.toml`` as a form: every scalar key with its text, and the same checks as the file."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Final

from logan.errors import ConfigurationError, UsageError
from logan.pipeline.builds import BuildFolder

_TABLES: Final = ("build", "vehicle", "gearing", "motor", "powertrain", "pack", "auxiliary", "instruments", "target")
_CHOICES_OF_TEXT: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class FormField:
    """One key of a settings table.

    Parameters
    ----------
    key : str
        Path of the key, such as ``vehicle.mass``.
    text : str
        What stands there; empty where the key is left out.
    example, hint : str
        What could stand there, and the allowed range.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsForm:
    """The settings as a form.

    Parameters
    ----------
    sections : tuple of FormSection
        Tables with scalar keys.
    text : str
        The whole file, for what no form holds: limits, curves, scenarios.
    problems : tuple of str
        What is wrong with the file as it stands.
    """

    schema: ClassVar[str] = "settings-form/1"

    sections: tuple[FormSection, ...]
    text: str
    problems: tuple[str, ...] = ()


def read_form(folder: BuildFolder) -> SettingsForm:
    """Read the settings of a build as a form; a file with faults can be read too.

    Raises
    ------
    ConfigurationError
        If the file is not there or is not TOML.
    """
    from logan.configuration.problems import load
    from logan.configuration.schema import BuildFile

    content = load(folder.settings_file)
    schema = BuildFile.model_json_schema()
    definitions = schema["$defs"]
    sections = []
    for table in _TABLES:
        definition = definitions[_definition(schema["properties"][table])]
        required = set(definition.get("required", ()))
        values = content.get(table, {})
        fields = tuple(
            _field(table, key, about, values if isinstance(values, dict) else {}, key in required)
            for key, about in definition["properties"].items()
            if _is_scalar(about)
        )
        sections.append(FormSection(name=table, fields=fields))
    try:
        folder.settings()
        problems: tuple[str, ...] = ()
    except ConfigurationError as error:
        problems = error.problems or (error.problem,)
    text = folder.settings_file.read_text(encoding="utf-8-sig")
    return SettingsForm(sections=tuple(sections), text=text, problems=problems)


def _definition(about: dict[str, Any]) -> str:
    for option in (about, *about.get("allOf", ()), *about.get("anyOf", ())):
        if "$ref" in option:
            return str(option["$ref"]).rsplit("/", 1)[-1]
    raise KeyError("no table")


def _is_scalar(about: dict[str, Any]) -> bool:
    kinds = {about.get("type"), *(option.get("type") for option in about.get("anyOf", ()))}
    return bool(kinds & {"string", "integer", "number", "boolean"}) and "array" not in kinds and "object" not in kinds


def _field(table: str, key: str, about: dict[str, Any], values: dict[str, Any], is_required: bool) -> FormField:
    options = [about, *about.get("anyOf", ())]
    example = next((str(option["examples"][0]) for option in options if option.get("examples")), "")
    hint = next((str(option["description"]) for option in options if option.get("description")), "")
    choices = next((tuple(map(str, option["enum"])) for option in options if option.get("enum")), ())
    raw = values.get(key)
    if isinstance(raw, dict):
        raw = raw.get("value")
    text = "" if raw is None else (str(raw).lower() if isinstance(raw, bool) else str(raw))
    return FormField(
        key=f"{table}.{key}",
        text=text,
        example=example,
        hint=hint,
        choices=choices if len(choices) <= _CHOICES_OF_TEXT else (),
        is_required=is_required,
    )


def save_fields(folder: BuildFolder, changes: dict[str, str]) -> None:
    """Change some keys; comments and everything else in the file stay as they are.

    Parameters
    ----------
    folder : BuildFolder
        The build.
    changes : dict of str to str
        Key path to text; an empty text takes the key out.

    Raises
    ------
    ConfigurationError
        If the settings would not be valid; the file is left alone.
    UsageError
        If a key is none of the form's.
    """
    import tomlkit

    known = {field.key for section in read_form(folder).sections for field in section.fields}
    document = tomlkit.parse(folder.settings_file.read_text(encoding="utf-8-sig"))
    for path, text in changes.items():
        if path not in known:
            raise UsageError(f"{path} is no key of the form", "Edit the file itself for other keys")
        table_name, key = path.split(".", 1)
        table: Any = document.setdefault(table_name, tomlkit.table())
        if not text.strip():
            table.pop(key, None)
        elif isinstance(table.get(key), dict) and "value" in table[key]:
            table[key]["value"] = text.strip()
        else:
            table[key] = _value(text.strip())
    save_text(folder, tomlkit.dumps(document))


def _value(text: str) -> bool | int | str:
    if text in ("true", "false"):
        return text == "true"
    return int(text) if text.isdecimal() and len(text) < 10 else text


def save_text(folder: BuildFolder, text: str) -> None:
    """Replace the whole file, if it is valid.

    Raises
    ------
    ConfigurationError
        With every problem found; the file is left alone.
    """
    from logan.configuration.build import read_build

    target = folder.settings_file
    handle, name = tempfile.mkstemp(prefix=".build-", suffix=".toml", dir=folder.path)
    draft = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        try:
            read_build(draft)
        except ConfigurationError as error:
            raise ConfigurationError(error.problem, error.remedy, target, problems=error.problems) from None
        draft.replace(target)
    except OSError as error:
        raise ConfigurationError(f"cannot be saved: {error.strerror}", "Make room and try again", target) from None
    finally:
        draft.unlink(missing_ok=True)
