"""The last step of every answer: sentences of the core in the units of the build that is asked about."""

import re
from collections.abc import Awaitable, Callable
from typing import Final

from fastapi import Request, Response

from logan.pipeline.builds import shown_units
from logan.units.sentences import MARK
from logan.wording import told

_ABOUT: Final = re.compile(r"/(?:api/(?:v\d+/)?)?(builds|jobs)/([^/]+)")


async def in_reader_units(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
    """Pass a request on; quantities within the sentences of its answer are read in the build's units.

    Bare numbers stay SI. Files are passed on as they are: a report is written in its reader's units.
    """
    response = await call_next(request)
    kind = response.headers.get("content-type", "")
    if "etag" in response.headers or not kind.startswith(("application/json", "text/html")):
        return response
    body = b"".join([part async for part in response.body_iterator])  # type: ignore[attr-defined]
    if MARK.encode() in body:
        space, about = request.app.state.workspace, _ABOUT.match(request.url.path)
        job = space.jobs.find(about[2]) if about and about[1] == "jobs" else None
        name = job.build if job else about[2] if about else ""
        body = told(body.decode(), shown_units(space.settings.workspace / name)).encode()
    headers = {name: value for name, value in response.headers.items() if name != "content-length"}
    return Response(body, response.status_code, headers)
