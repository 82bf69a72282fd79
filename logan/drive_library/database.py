"""SQLite files that hold nothing the drive files do not hold: opened whatever state they and their medium are in."""

import contextlib
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_COMPANIONS: Final = ("-journal", "-wal", "-shm")


@dataclass(frozen=True, slots=True, kw_only=True)
class DatabaseKind:
    """What a file must hold.

    Parameters
    ----------
    version : int
        Moves with the tables; a file of another version is emptied.
    tables : str
        Statements that make the tables.
    synchronous : str
        How far SQLite waits for the medium.
    timeout_s : float
        How long to wait for another process. [s]
    """

    version: int
    tables: str
    synchronous: str
    timeout_s: float


def open_database(path: Path, kind: DatabaseKind, *, is_writable: bool) -> sqlite3.Connection:
    """Open a file, or a copy of it in memory where it cannot be written or stays locked; a ruined one is made again.

    Parameters
    ----------
    path : Path
        The file.
    kind : DatabaseKind
        What it must hold.
    is_writable : bool
        False on a read-only medium.

    Returns
    -------
    sqlite3.Connection
        In autocommit mode, for several threads that take turns.
    """
    if not is_writable:
        return _copy_in_memory(path, kind)
    try:
        return _prepared(_connect(str(path), kind), kind)
    except sqlite3.OperationalError:
        return _copy_in_memory(path, kind)
    except (sqlite3.DatabaseError, UnicodeDecodeError):  # the latter from a message that quotes the damage
        remove_database(path)
        return _prepared(_connect(str(path), kind), kind)


def remove_database(path: Path) -> None:
    """Delete a file with what SQLite keeps beside it."""
    for suffix in ("", *_COMPANIONS):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _connect(name: str, kind: DatabaseKind) -> sqlite3.Connection:
    # Foreign threads are let in because the callers hold a lock of their own around every use.
    return sqlite3.connect(name, timeout=kind.timeout_s, isolation_level=None, check_same_thread=False)


def _copy_in_memory(path: Path, kind: DatabaseKind) -> sqlite3.Connection:
    memory = _connect(":memory:", kind)
    # A journal is the trace of a writer that died: without undoing its work the file says nothing sure.
    if path.is_file() and not any(path.with_name(path.name + suffix).exists() for suffix in _COMPANIONS):
        with contextlib.suppress(sqlite3.Error):
            stored = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
            with contextlib.closing(stored):
                stored.backup(memory)
    try:
        return _prepared(memory, kind)
    except (sqlite3.DatabaseError, UnicodeDecodeError):
        return _prepared(_connect(":memory:", kind), kind)


def _prepared(connection: sqlite3.Connection, kind: DatabaseKind) -> sqlite3.Connection:
    """A connection whose tables are those of this version; closed where that fails."""
    try:
        connection.execute(f"PRAGMA synchronous = {kind.synchronous}")
        if connection.execute("PRAGMA user_version").fetchone()[0] == kind.version:
            return connection
        connection.execute("BEGIN EXCLUSIVE")
        if connection.execute("PRAGMA user_version").fetchone()[0] != kind.version:
            names = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            for (table,) in connection.execute(names).fetchall():
                connection.execute(f'DROP TABLE "{table}"')
            for statement in kind.tables.strip().removesuffix(";").split(";"):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {kind.version}")
        connection.execute("COMMIT")
    except (sqlite3.Error, UnicodeDecodeError):
        connection.close()
        raise
    return connection
