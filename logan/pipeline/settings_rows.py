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
Change = tuple[dict[str, str] | None, dict[str, str] | None]
"""A row as it was read, and as it shall be; None where there was none, or is to be none."""


def read_rows(folder: BuildFolder, name: str) -> dict[str, Any]:
    """Rows of one kind with the keys that there are, each value as it is typed.

    Raises
    ------
    UsageError
        If there is no such kind, or its file cannot be read.
    """
    text, document = _read(folder, name)
    rows = [_row(item) for item in _rows(document, name)]
    used = {key for row in rows for key in row}
    keys = sorted(_keys(name), key=lambda key: (key not in used, key not in _ESSENTIAL))
    return {"schema": "settings-rows/1", "name": name, "keys": keys, "rows": rows, "version": version_of(text)}


def save_rows(folder: BuildFolder, name: str, changes: Sequence[Change]) -> None:
    """Change single rows; the others stay as they are now, with their comments, whoever changed them meanwhile.

    A row is guarded by its own content: one that stands there no more as it was read is not overwritten.

    Raises
    ------
    ConfigurationError
        With every problem found; the file is left alone.
    ConflictError
        If a row was changed elsewhere; its texts are both rows as JSON, and the file is left alone.
    """
    import tomlkit

    with SAVING:
        _, document = _read(folder, name)
        there = [(_row(item), item) for item in _rows(document, name)]
        rows, lost = there.copy(), []
        for before, after in ((_row(before or {}), _row(after or {})) for before, after in changes):
            known = [row for row, _ in rows]
            made = [(after, tomlkit.item(_parsed(after)))] if after else []
            place = known.index(before) if before in known else len(rows)
            if before in known or not before:
                rows[place : place + 1] = made
            elif after not in known and (theirs := _become(before, known)) != after:
                lost.append((f"{name} {_named(before)}", json.dumps(after), json.dumps(theirs)))
        if lost:
            raise ConflictError("these rows were", tuple(lost))
        if rows == there:
            return
        _put(document, name, [item for _, item in rows])
        replace_file(folder, tomlkit.dumps(document), _file(folder, name))


def _row(item: Any) -> dict[str, str]:
    """A row as it is typed, without what is blank."""
    return {key: text for key, value in item.items() if (text := _typed(value)).strip()}


def _named(row: dict[str, str]) -> str:
    return next((row[key] for key in _ESSENTIAL if key in row), "")


def _become(row: dict[str, str], known: list[dict[str, str]]) -> dict[str, str]:
    """The row that this one may have become: of its name, else with most of its cells; an empty one if it is gone."""
    in_common = [len(row.items() & other.items()) for other in known]
    alike = [k for k, other in enumerate(known) if _named(other) == _named(row) or 2 * in_common[k] > len(row)]
    return known[max(alike, key=lambda k: (_named(known[k]) == _named(row), in_common[k]))] if alike else {}


def _put(document: Any, name: str, items: list[Any]) -> None:
    import tomlkit

    *parents, last = name.split(".")
    table = document.setdefault(parents[0], tomlkit.table()) if parents else document
    made = tomlkit.aot()
    made.extend(items)
    if items:
        table[last] = made
    else:
        table.pop(last, None)


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
    if isinstance(value, bool):
        return str(value).lower()
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
