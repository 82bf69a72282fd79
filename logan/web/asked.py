"""What requests to the interface rest on: the workspace, a build, a job by name, and how a job is told."""

from typing import Annotated, Any, Final

from fastapi import Depends, HTTPException, Path, Request

from logan.errors import LoganError
from logan.pipeline.builds import BuildFolder
from logan.web.jobs import Job
from logan.web.state import Workspace

BuildName = Annotated[str, Path(max_length=63)]
DriveNumber = Annotated[int, Path(ge=1, le=10_000_000)]
REFUSED: dict[int | str, dict[str, Any]] = {
    400: {"description": "The request cannot be done; the answer says why and what to do"},
    403: {"description": "The request does not come from this page"},
    404: {"description": "There is no such thing"},
}

CONFLICT: dict[int | str, dict[str, Any]] = {
    **REFUSED,
    409: {"description": "It was changed since that version; the answer holds both texts"},
}


def workspace_of(request: Request) -> Workspace:
    """The workspace that the server works on."""
    found: Workspace = request.app.state.workspace
    return found


Space = Annotated[Workspace, Depends(workspace_of)]


def commands_of(space: Workspace) -> list[dict[str, Any]]:
    """Everything that the command line can work out, with the options of each; none where it is not at hand."""
    described: list[dict[str, Any]] = space.settings.commands.described() if space.settings.commands else []
    return described


def build_of(build: BuildName, space: Space) -> BuildFolder:
    """The build that an address names."""
    try:
        return space.build(build)
    except LoganError as error:
        raise HTTPException(404, str(error)) from None


Build = Annotated[BuildFolder, Depends(build_of)]


_TOLD: Final = (
    *("id", "label", "state", "message", "build", "kind", "is_closed", "began_s"),
    *("done", "total", "rate", "time_left_s", "result"),
)


def job_json(job: Job) -> dict[str, Any]:
    """A job as the page reads it."""
    return {name: getattr(job, name) for name in _TOLD}
