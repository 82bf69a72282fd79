"""Settings of which there are several, as small tables: scenarios, alternatives, curves, what was measured."""

import json
from collections.abc import Sequence
from typing import Any, Final

from logan.configuration.keys import BUILD_FILE
from logan.configuration.measurements import KEYS as MEASUREMENT_KEYS
from logan.errors import ConflictError, UsageError
from logan.pipeline.builds import BuildFolder
from logan.pipeline.settings_form import SAVING, replace_file, toml_document, version_of

MEASUREMENT: Final = "measurement"
ROWS: Final = ("scenario", "gearing.alternative", "pack.alternative", "limits.curve", "limits.conductor", MEASUREMENT)
_ESSENTIAL: Final = ("name", "component", "kind", "value", "source")


def read_rows(folder: BuildFolder, name: str) -> dict[str, Any]:
    """Rows of one kind with the keys that there are, each value as it is typed.

    Raises
    ------
    UsageError
        If there is no such kind, or its file cannot be read.
    """
    text, document = _read(folder, name)
    rows = [{key: _typed(value) for key, value in row.items()} for row in _rows(document, name)]
    used = {key for row in rows for key in row}
    keys = sorted(_keys(name), key=lambda key: (key not in used, key not in _ESSENTIAL))
    return {"schema": "settings-rows/1", "name": name, "keys": keys, "rows": rows, "version": version_of(text)}


def save_rows(folder: BuildFolder, name: str, rows: Sequence[dict[str, str]], *, version: str | None = None) -> None:
    """Put these rows in place of those that stand there; a row that did not change keeps its comments.

    Raises
    ------
    ConfigurationError
        With every problem found; the file is left alone.
    ConflictError
        If the file is no longer of that version; it is left alone.
    """
    import tomlkit

    with SAVING:
        text, document = _read(folder, name)
        before = read_rows(folder, name)["rows"]
        if version not in (None, version_of(text)):
            raise ConflictError("these rows were", ((name, json.dumps(rows, indent=1), json.dumps(before, indent=1)),))
        kept, made = list(_rows(document, name)), tomlkit.aot()
        wanted = [{key: value for key, value in row.items() if value.strip()} for row in rows]
        if wanted == before:
            return
        for said in wanted:
            made.append(kept[before.index(said)] if said in before else tomlkit.item(_parsed(said)))
        *parents, last = name.split(".")
        table = document.setdefault(parents[0], tomlkit.table()) if parents else document
        if wanted:
            table[last] = made
        else:
            table.pop(last, None)
        replace_file(folder, tomlkit.dumps(document), _file(folder, name))


def _file(folder: BuildFolder, name: str) -> Any:
    return folder.measurements_file if name == MEASUREMENT else folder.settings_file


def _read(folder: BuildFolder, name: str) -> tuple[str, Any]:
    if name not in ROWS:
        raise UsageError(f"there are no rows of '{name}'", f"Known: {', '.join(ROWS)}")
    return toml_document(_file(folder, name), "Mend its text first")


def _rows(document: Any, name: str) -> list[Any]:
    found = document
    for part in name.split("."):
        found = found.get(part, {}) if isinstance(found, dict) else {}
    return [row for row in found if isinstance(row, dict)] if isinstance(found, list) else []


def _keys(name: str) -> tuple[str, ...]:
    if name == MEASUREMENT:
        return MEASUREMENT_KEYS
    table: Any = BUILD_FILE
    for part in name.split("."):
        kind = table.key(part).kind
        table = kind.of() if hasattr(kind, "of") else kind
    return tuple(key.name for key in table.keys)


def _typed(value: Any) -> str:
    return value if isinstance(value, str) else value.as_string() if hasattr(value, "as_string") else str(value)


def _parsed(row: dict[str, str]) -> dict[str, Any]:
    """Texts as TOML where they are lists, tables, numbers or truths; else as the texts that they are."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    found: dict[str, Any] = {}
    for key, text in row.items():
        try:
            value = tomlkit.parse(f"x = {text}\n")["x"]
            found[key] = value if "\n" not in text else text
        except (TOMLKitError, ValueError):
            found[key] = text.strip()
    return found
