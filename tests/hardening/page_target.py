"""The page's interface as an entrance: a request as bytes, asked in this process, without a server.

A request is written as it goes over the wire: ``METHOD /path?query``, headers, an empty line, the body. Work that
runs in the background is queued but not done: the log, settings and notes that it would read have targets of their own.
"""

from __future__ import annotations

import asyncio
import functools
import json
import shutil
import tempfile
from pathlib import Path
from urllib.parse import unquote

import numpy as np

from logan.errors import UsageError

PORT = 8723
HOST = f"127.0.0.1:{PORT}"


class _Idle:
    """Takes work and ends it before it began."""

    def submit(self, run, job, work) -> None:
        job.state = "stopped"

    def shutdown(self, **_) -> None:
        pass


@functools.cache
def _page():
    """The application over a workspace with one build and one drive, its event loop, and what to put back."""
    from logan.demo.conversion import write_build
    from logan.drive_library.repository import DriveLibrary
    from logan.pipeline.builds import BuildFolder
    from logan.pipeline.plan import make_plan
    from logan.pipeline.plan_files import freeze_plan
    from logan.web.app import create_app
    from logan.web.state import WebSettings
    from tests.drive_library.small_drives import small_drive, small_summary

    root = Path(tempfile.mkdtemp(prefix="logan-page-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
    (root / "van").mkdir()
    write_build(root / "van")
    folder = BuildFolder(root / "van")
    with DriveLibrary.open(folder.library, create=True) as library:
        library.add(small_drive(samples=40), summary=small_summary())
    freeze_plan(make_plan(folder.settings(), np.random.default_rng(1)), folder.path / "plans")
    app = create_app(WebSettings(workspace=root, port=PORT, max_upload_bytes=1 << 20))
    app.state.workspace.jobs._pool = _Idle()
    log = folder.path / ".incoming" / ("0" * 16)
    log.mkdir(parents=True)
    (log / "drive.log").write_text("(1700000000.000000) can0 100#0102030405060708\n")
    kept = {path: path.read_bytes() for path in root.rglob("*") if path.is_file() and "drives" not in path.parts}
    return app, asyncio.new_event_loop(), root, kept


def page_requests() -> list[bytes]:
    """One good request for every operation that the interface describes, with what a page sends."""
    app = _page()[0]
    bodies = {
        "/api/v1/builds": {"name": "wagon"},
        "/api/v1/builds/{build}/settings": {"fields": {"vehicle.mass": "1400 kg", "target.range": "120 mi"}},
        "/api/v1/builds/{build}/channels": {"channels": [{"channel": "speed", "signal": "ESP.Speed", "unit": "km/h"}]},
        "/api/v1/builds/{build}/dbcs": {"dbcs": [{"file": "demo.dbc", "bus": "can0"}]},
        "/api/v1/builds/{build}/import": {"logs": ["0" * 16], "payload": "300 lb", "note": "wet", "is_one_drive": True},
        "/api/v1/builds/{build}/watch": {"folder": ""},
        "/api/v1/builds/{build}/drives/{drive}": {
            "note": "windy", "tags": ["a"], "payload": "300 lb", "ambient": "50 °F", "change": "tires", "take_back": 1,
            "mask": {"span": "1s..2s", "why": "tunnel", "channels": ["speed"]}, "version": "x",
            "trims": ["..1s"], "correct": "speed.gain=1.02@1s..2s", "why": "tire",
        },
        "/api/v1/builds/{build}/rows/{name}": {"rows": [{"name": "work", "speed": "55 mph"}], "version": "x"},
        "/api/v1/builds/{build}/commands/{name}": {"options": {"grade": "6 %", "cycle": "/etc/passwd"}},
        "/api/v1/builds/{build}/what-if": {
            "speed_m_per_s": 27.0, "ambient_temperature_degc": 5.0, "payload_kg": 200.0, "usable_energy_wh": 40000.0,
        },
        "/api/v1/builds/{build}/report": {"kind": "drive", "drive": 1},
    }  # fmt: skip
    whole_text = {"text": (_page()[2] / "van" / "build.toml").read_text(), "version": "x"}
    names = {
        "build": "van",
        "drive": "1",
        "drive_id": "0" * 16,
        "job": "1",
        "log": "0" * 16,
        "name": "report.html",
        "view": "range",
    }
    found = [_request("PUT", "/api/v1/builds/van/settings", whole_text), _request("GET", "/open?token=x", None)]
    found += [_request("GET", f"/builds/van/{view}", None) for view in ("drives", "range", "settings", "logs")]
    for path, operations in app.openapi()["paths"].items():
        address = path
        for key, value in names.items():
            own = (
                {"rows": "scenario", "commands": "gearing"}.get(path.split("/")[-2], value) if key == "name" else value
            )
            address = address.replace("{" + key + "}", own)
        for method in operations:
            query = {
                "folders": "?path=/",
                "window": "?channels=speed&start_s=0&end_s=9&parts=5",
                "span": "?start_s=1&end_s=9",
            }.get(path.rsplit("/", 1)[-1], "")
            query = "?name=log.csv" if (method, path.endswith("/logs")) == ("post", True) else query
            found.append(_request(method.upper(), address + query, bodies.get(path) if method != "get" else None))
    return found


def _request(method: str, address: str, body: object) -> bytes:
    said = f"{method} {address}\nHost: {HOST}\nX-Logan: 1\nContent-Type: application/json\nAccept: text/html\n\n"
    return said.encode() + (b"" if body is None else json.dumps(body, ensure_ascii=False).encode())


def ask_page(content: bytes) -> object:
    """Ask, and hold the answer against what is promised of every answer."""
    app, loop, root, kept = _page()
    head, _, body = content.partition(b"\n\n")
    first, *lines = head.split(b"\n")
    method, _, target = first.partition(b" ")
    # As a server hands it on: names of headers in lower case, the path without its escapes.
    raw_path, _, query = target.strip().partition(b"?")
    headers = [(name.strip().lower(), value.strip()) for line in lines for name, _, value in [line.partition(b":")]]
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "http", "root_path": "",
        "method": method.decode("ascii", "ignore").upper(), "path": unquote(raw_path.decode("ascii", "ignore")),
        "raw_path": raw_path, "query_string": query, "headers": headers,
        "client": ("127.0.0.1", 50_000), "server": ("127.0.0.1", PORT),
    }  # fmt: skip
    status, answer = loop.run_until_complete(_asked(app, scope, body))
    is_change = scope["method"] not in ("GET", "HEAD", "OPTIONS")
    given = dict(reversed(headers))  # of several of one name the first counts, as for the page
    if is_change and status < 400:
        _put_back(root, kept)
        assert b"x-logan" in given, "a change without the page's own header"
    if status < 400:
        assert given.get(b"host", b"").decode("latin-1").lower().rsplit(":", 1)[-1] == str(PORT), "a strange host"
        return answer
    assert status < 500, status
    assert b"Traceback" not in answer
    if scope["path"].startswith("/api/v1/") and status not in (405, 421):
        json.loads(answer)["problem"]
    raise UsageError(f"refused with {status}", "")


async def _asked(app, scope, body: bytes) -> tuple[int, bytes]:
    parts: list[bytes] = []
    status = [0]
    sent = iter([{"type": "http.request", "body": body, "more_body": False}])

    async def receive():
        return next(sent, {"type": "http.disconnect"})

    async def send(message):
        if message["type"] == "http.response.start":
            status[0] = message["status"]
        else:
            parts.append(message.get("body", b""))

    await app(scope, receive, send)
    return status[0], b"".join(parts)


def _put_back(root: Path, kept: dict[Path, bytes]) -> None:
    """The workspace as it was: builds that were made are gone, files that were changed are back."""
    for place in root.iterdir():
        if place.name != "van":
            shutil.rmtree(place)
    for place in (root / "van" / ".incoming").glob("*"):
        if place.name != "0" * 16:
            shutil.rmtree(place, ignore_errors=True)
    for path, content in kept.items():
        if not path.is_file() or path.read_bytes() != content:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
