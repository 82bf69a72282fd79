"""The pages: server-made frames that the script fills; names and texts are escaped by the template engine."""

import secrets
from hashlib import sha256
from importlib.resources import files
from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.templating import Jinja2Templates

from logan.errors import ConfigurationError
from logan.pipeline.builds import BuildFolder, shown_units
from logan.pipeline.cautions import CAUTION_ALWAYS, CAUTION_HIGH_VOLTAGE, CAUTION_ROAD_TEST
from logan.pipeline.method import chapters, glossary
from logan.units import QUANTITY_OF_UNIT, DisplayUnits
from logan.version import VERSION
from logan.web.asked import Build, Space, commands_of
from logan.web.security import TOKEN_COOKIE
from logan.web.state import Workspace

router = APIRouter(include_in_schema=False)
_SHOWN = (
    *((unit, quantity) for unit, quantity in QUANTITY_OF_UNIT.items() if quantity != "temperature_step"),
    *(("elevation", "height"), ("odometer", "distance"), ("state_of_charge", "share")),
)
_TEMPLATES = Jinja2Templates(directory=str(files("logan.web").joinpath("templates")))
_PARTS = sorted(files("logan.web").joinpath("static").iterdir(), key=lambda part: part.name)
STATIC = f"/static/{sha256(b''.join(part.read_bytes() for part in _PARTS)).hexdigest()[:12]}"
"""Address of scripts and style; another one once they change, so that a browser may keep them."""
_CAUTIONS = " ".join((CAUTION_ALWAYS, CAUTION_HIGH_VOLTAGE, CAUTION_ROAD_TEST))
_TEMPLATES.env.globals |= {"static": STATIC, "cautions": _CAUTIONS}


def _page(request: Request, name: str, space: Workspace, build: BuildFolder | None = None, **content: Any) -> Response:
    about: dict[str, Any] = {"build": None, "problems": (), "units": DisplayUnits(), "shown": {}}
    if build is not None:
        units = shown_units(build.path)
        about = {"build": build.path.name, "problems": _problems(build), "units": units}
        about["shown"] = {name: _line(units, quantity) for name, quantity in _SHOWN}
    return _TEMPLATES.TemplateResponse(
        request, name, {**about, "builds": space.builds(), "version": VERSION, **content}
    )


def _line(units: DisplayUnits, quantity: str) -> tuple[str, float, float]:
    """Unit that a quantity is shown in, and the straight line to it from SI."""
    zero = units.to_shown(0.0, quantity)
    return units.unit_of(quantity), units.to_shown(1.0, quantity) - zero, zero


def _problems(build: BuildFolder) -> tuple[str, ...]:
    try:
        build.settings()
    except ConfigurationError as error:
        return error.problems or (error.problem,)
    return ()


@router.get("/", response_class=HTMLResponse)
def home(request: Request, space: Space) -> Response:
    """All builds, and the way to a first one."""
    return _page(request, "home.html", space)


@router.get("/open")
def open_with_token(request: Request, token: Annotated[str, Query(max_length=200)] = "") -> Response:
    """Take the token from the printed address into a cookie, and go on without it in the address."""
    answer = RedirectResponse("/", status_code=303)
    wanted = request.app.state.workspace.settings.token
    if wanted and secrets.compare_digest(token.encode(), wanted.encode()):
        answer.set_cookie(TOKEN_COOKIE, token, httponly=True, samesite="strict")
    return answer


@router.get("/interface", response_class=HTMLResponse)
def interface(request: Request, space: Space) -> Response:
    """What programs can ask for, read from the interface's own description."""
    described = request.app.openapi()["paths"]
    operations = [
        {"path": path, "method": method.upper(), "summary": about.get("description", ""), "takes": _takes(about)}
        for path, methods in described.items()
        for method, about in methods.items()
    ]
    about = {"operations": operations, "commands": commands_of(space), "has_token": bool(space.settings.token)}
    return _page(request, "interface.html", space, None, page="interface", **about)


@router.get("/explain", response_class=HTMLResponse)
def explain(request: Request, space: Space) -> Response:
    """What the words mean, and the chapters of the method, by topic."""
    return _page(request, "explain.html", space, page="explain", words=glossary(), chapters=chapters())


def _takes(about: dict[str, Any]) -> str:
    """Names of what an operation is given in its address and its body."""
    named = [str(parameter["name"]) for parameter in about.get("parameters", ()) if parameter["in"] == "query"]
    for kind, content in about.get("requestBody", {}).get("content", {}).items():
        named.append(str(content["schema"].get("$ref", kind)).rsplit("/", 1)[-1])
    return ", ".join(named)


_VIEWS = ("overview", "settings", "logs", "drives", "limits", "range", "tools", "report")


@router.get("/builds/{build}", response_class=HTMLResponse)
@router.get("/builds/{build}/{view}", response_class=HTMLResponse)
def view_of(request: Request, space: Space, folder: Build, view: str = "overview") -> Response:
    """One view of a build; its overview, the answer and what to do next, where none is named."""
    if view not in _VIEWS:
        raise HTTPException(404, "there is no such page")
    return _page(request, f"{view}.html", space, folder, view=view)


@router.get("/builds/{build}/drives/{drive}", response_class=HTMLResponse)
def one_drive(
    request: Request, space: Space, folder: Build, drive: Annotated[int, Path(ge=1, le=10_000_000)]
) -> Response:
    """One drive."""
    return _page(request, "drive.html", space, folder, view="drives", page="drive", drive=drive)
