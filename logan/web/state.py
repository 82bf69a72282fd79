"""What the page works on: a workspace of builds, the jobs under way, and sent logs."""

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logan.errors import UsageError
from logan.pipeline.builds import BUILD_FILE, BuildFolder, new_build
from logan.units import DisplayUnits
from logan.web.jobs import JobRunner
from logan.web.uploads import Uploads

if TYPE_CHECKING:
    from logan.web.watching import Watcher

MAX_UPLOAD_BYTES: Final = 20_000_000_000
DEMO_NAME: Final = "demo"

_NAME: Final = re.compile(r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,62}$")


@dataclass(frozen=True, slots=True, kw_only=True)
class WebSettings:
    """How the page is served.

    Parameters
    ----------
    workspace : Path
        Folder whose folders are builds.
    port : int
        Port on loopback.
    hosts : tuple of str
        Other names it may be called by.
    token : str
        Secret; empty on loopback.
    max_upload_bytes : int
        Largest log taken.
    commands : module or None
        ``described`` and ``run_command`` of the command line, which hands itself in: the page lies below it.
    """

    workspace: Path
    port: int = 8710
    hosts: tuple[str, ...] = ()
    token: str = ""
    max_upload_bytes: int = MAX_UPLOAD_BYTES
    commands: Any = None


@dataclass(slots=True)
class Workspace:
    """The builds of one workspace, and what is going on with them."""

    settings: WebSettings
    jobs: JobRunner = field(init=False)
    watchers: "dict[str, Watcher]" = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.jobs = JobRunner(self._journal_of)

    def _journal_of(self, build: str) -> Path | None:
        """Journal of a build's jobs, kept with its drives; None where there is no such build (yet)."""
        folder = BuildFolder(self.settings.workspace / build)
        return folder.library / "jobs.json" if build and folder.settings_file.is_file() else None

    def builds(self) -> tuple[str, ...]:
        """Names of the builds, by name."""
        root = self.settings.workspace
        if not root.is_dir():
            return ()
        return tuple(
            sorted(path.name for path in root.iterdir() if _NAME.match(path.name) and (path / BUILD_FILE).is_file())
        )

    def build(self, name: str) -> BuildFolder:
        """One build by name; only names that ``builds`` lists lead anywhere.

        Raises
        ------
        UsageError
            If there is none.
        """
        if name not in self.builds():
            raise UsageError("there is no such build", "Choose one from the list")
        return BuildFolder(self.settings.workspace / name)

    def make(self, name: str, units: str = "us") -> BuildFolder:
        """Make a new build, written and shown in these units.

        Raises
        ------
        LoganError
            If the name is unfit or taken, or the units are unknown.
        """
        if not _NAME.match(name):
            raise UsageError("a build's name holds letters, digits, spaces, dots, dashes", "Choose another name")
        folder = self.settings.workspace / name
        try:
            shown = DisplayUnits.parse(units)
        except ValueError as error:
            raise UsageError(f"units: {error}", "Say us, metric, or single choices such as us,C") from None
        new_build(folder, shown)
        return BuildFolder(folder)

    def uploads(self, folder: BuildFolder) -> Uploads:
        """Sent logs of a build."""
        return Uploads(folder.path / ".incoming", self.settings.max_upload_bytes)

    def close(self) -> None:
        """Stop everything."""
        for watcher in tuple(self.watchers.values()):
            watcher.stop.set()
        self.jobs.close()
