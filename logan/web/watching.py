"""A folder on this machine that is watched: every log that settles in it is imported."""

import threading
import time
from functools import partial
from pathlib import Path
from typing import Any, Final

from logan.errors import LoganError, UsageError
from logan.pipeline.builds import BuildFolder
from logan.web.state import Workspace
from logan.web.work import import_sent

PERIOD_S: Final = 2.0
SETTLED_S: Final = 3.0
"""A watched log is taken once it has stopped growing for this long."""
MOST_FOLDERS: Final = 500
_CHANGING: Final = threading.Lock()


class Watcher:
    """Watches one folder for one build, until told to stop.

    Parameters
    ----------
    folder : Path
        What is watched.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.taken: dict[tuple[str, int], str] = {}
        self.stop = threading.Event()

    def run(self, workspace: Workspace, name: str) -> None:
        """Look every two seconds; a folder that cannot be read now is looked at again."""
        while not self.stop.wait(PERIOD_S):
            try:
                self.look(workspace, name)
            except (OSError, LoganError):
                continue

    def look(self, workspace: Workspace, name: str) -> None:
        """Start an import for every log that is new and no longer grows."""
        build = workspace.build(name)
        for path in sorted(self.folder.iterdir()):
            if path.is_symlink() or not path.is_file():
                continue
            status = path.stat()
            key = (path.name, status.st_size)
            if status.st_size and time.time() - status.st_mtime >= SETTLED_S and key not in self.taken:
                work = partial(import_sent, build, [path], {})
                self.taken[key] = workspace.jobs.start(f"Import {path.name}", work, build=name).id


def watch_folder(workspace: Workspace, name: str, folder: Path) -> None:
    """Import every new log that settles in a folder, until told to stop.

    Raises
    ------
    UsageError
        If it is no folder, or the build's own.
    """
    if not folder.is_absolute() or not folder.is_dir():
        raise UsageError("that is no folder on this machine", "Give its whole path, or pick it")
    if workspace.settings.workspace.resolve() in (folder.resolve(), *folder.resolve().parents):
        raise UsageError("that folder belongs to logan itself", "Watch the one that your logger writes to")
    watcher = Watcher(folder)
    with _CHANGING:
        stop_watching(workspace, name)
        workspace.watchers[name] = watcher
    threading.Thread(target=watcher.run, args=(workspace, name), daemon=True).start()


def stop_watching(workspace: Workspace, name: str) -> None:
    """Stop watching for a build."""
    if (watcher := workspace.watchers.pop(name, None)) is not None:
        watcher.stop.set()


def watch_json(workspace: Workspace, folder: BuildFolder) -> dict[str, Any]:
    """What is watched for a build, and which jobs came of it."""
    watcher = workspace.watchers.get(folder.path.name)
    return {
        "is_watching": watcher is not None,
        "folder": "" if watcher is None else str(watcher.folder),
        "jobs": [] if watcher is None else list(watcher.taken.copy().values()),
    }


def folder_listing(path: str) -> dict[str, Any]:
    """Folders in a folder, by name; the user's home where none is given.

    Raises
    ------
    UsageError
        If it is no folder, or cannot be read.
    """
    try:
        place = Path(path) if path.strip() else Path.home()
        if not place.is_absolute() or not place.is_dir():
            raise UsageError("that is no folder on this machine", "Give its whole path, or start from your home")
        place = place.resolve()
        entries = [entry for entry in place.iterdir() if not entry.name.startswith(".")]
        inside = sorted((e.name for e in entries if e.is_dir()), key=str.lower)[:MOST_FOLDERS]
        file_count = sum(entry.is_file() for entry in entries)
    except (OSError, ValueError, RuntimeError):
        raise UsageError("that folder cannot be read", "Choose another one") from None
    return {"path": str(place), "parent": str(place.parent), "folders": inside, "file_count": file_count}
