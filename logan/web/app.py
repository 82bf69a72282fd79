"""The local page as one application: gate, pages, interface, files."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from typing import Any, Literal

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from logan.errors import ConflictError, LoganError
from logan.pipeline.what_if import figure_script, figure_style
from logan.version import VERSION
from logan.web import api, api_drives, pages
from logan.web.reading import in_reader_units
from logan.web.security import Gate
from logan.web.state import WebSettings, Workspace
from logan.web.words import in_page_words


def create_app(settings: WebSettings) -> FastAPI:
    """Build the application for one workspace.

    Parameters
    ----------
    settings : WebSettings
        Where the builds are, and who may ask.

    Returns
    -------
    FastAPI
        Ready to be served; its interface is described at ``/openapi.json``.
    """
    workspace = Workspace(settings)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        for name in workspace.builds():
            workspace.uploads(workspace.build(name)).sweep()
            workspace.jobs.take_up(name)
        yield
        workspace.close()

    app = FastAPI(
        title="logan",
        version=VERSION,
        description="Drives, range and limits of a converted vehicle. SI units; figures carry their uncertainty.",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    app.state.workspace = workspace
    app.middleware("http")(in_reader_units)
    app.middleware("http")(Gate(port=settings.port, hosts=settings.hosts, token=settings.token))
    app.add_exception_handler(LoganError, _refused)
    app.add_exception_handler(HTTPException, _not_there)
    app.add_exception_handler(RequestValidationError, _not_valid)
    app.add_exception_handler(ClientDisconnect, lambda *_: Response(status_code=400))  # nobody is left to read it
    app.include_router(api.router)
    app.include_router(api_drives.router)
    app.include_router(pages.router)
    app.mount(pages.STATIC, StaticFiles(directory=str(files("logan.web").joinpath("static"))), name="static")

    @app.get("/figures.{part}", include_in_schema=False)
    def figures(part: Literal["css", "js"]) -> Response:
        """Style and script of all figures, the same that a report carries."""
        text, kind = (figure_style(), "text/css") if part == "css" else (figure_script(), "text/javascript")
        return Response(text, media_type=kind, headers={"Cache-Control": "private, max-age=3600"})

    return app


def _wants_page(request: Request) -> bool:
    return not request.url.path.startswith("/api/") and "text/html" in request.headers.get("accept", "")


async def _refused(request: Request, error: Exception) -> Response:
    problems = list(getattr(error, "problems", ()))
    problem, remedy = (in_page_words(getattr(error, name, "")) for name in ("problem", "remedy"))
    body: dict[str, Any] = {"problem": problem, "remedy": remedy, "problems": problems}
    if isinstance(error, ConflictError):
        body["conflict"] = [{"key": key, "yours": yours, "theirs": theirs} for key, yours, theirs in error.texts]
    return JSONResponse(body, status_code=409 if "conflict" in body else 400)


async def _not_there(request: Request, error: Exception) -> Response:
    status = getattr(error, "status_code", 404)
    detail = str(getattr(error, "detail", "there is no such thing"))
    if _wants_page(request):
        return HTMLResponse(
            "<!doctype html><html lang=en><meta charset=utf-8><title>logan</title>"
            f'<link rel=stylesheet href="{pages.STATIC}/app.css"><main><h1>Nothing here</h1>'
            '<p>This address leads nowhere. <a href="/">Back to the builds</a></p></main></html>',
            status_code=status,
        )
    return JSONResponse({"problem": detail, "remedy": "", "problems": []}, status_code=status)


async def _not_valid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    problems = [f"{'.'.join(map(str, fault['loc'][1:]))}: {fault['msg']}" for fault in error.errors()]
    body = {"problem": "the request is not valid", "remedy": "Correct the values named", "problems": problems}
    return JSONResponse(body, status_code=422)
