"""A page served on a free port, and the browser that looks at it."""

import contextlib
import os
import shutil
import socket
import threading
import time

import pytest

FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


def chromium():
    """Path of Chromium; skips where there is none, fails where one is required."""
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        if os.environ.get("LOGAN_REQUIRE_BROWSER") == "1":
            pytest.fail("Chromium is required here and is not installed")
        pytest.skip("Chromium is not installed")
    return found


@contextlib.contextmanager
def serving(workspace):
    """Address of a page that serves a workspace."""
    import uvicorn

    from logan.cli import for_page
    from logan.web.app import create_app
    from logan.web.state import WebSettings

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    app = create_app(WebSettings(workspace=workspace, port=port, commands=for_page))
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.05)
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(timeout=30)
