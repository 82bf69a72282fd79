"""``logan serve``: the local page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("serve")
    def serve(
        workspace: Annotated[Path, typer.Argument(help="Folder whose folders are builds.")] = Path("logan-builds"),
        port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port on this machine.")] = 8710,
        host: Annotated[
            str, typer.Option("--host", help="Address to listen on; any but loopback needs a token, which is printed.")
        ] = "127.0.0.1",
        browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
    ) -> None:
        """Open a local page for those who would rather click than type."""
        from logan.errors import MissingExtraError

        try:
            import uvicorn

            from logan.web.app import create_app
        except ModuleNotFoundError:
            raise MissingExtraError("web", "the local page") from None
        import secrets
        import webbrowser

        from logan.web.state import WebSettings

        is_loopback = host in ("127.0.0.1", "localhost", "::1")
        token = "" if is_loopback else secrets.token_urlsafe(24)
        workspace.mkdir(parents=True, exist_ok=True)
        settings = WebSettings(
            workspace=workspace.resolve(), port=port, hosts=() if is_loopback else (host,), token=token
        )
        shown = f"[{host}]" if ":" in host else host
        address = f"http://{shown}:{port}/" + (f"open?token={token}" if token else "")
        typer.echo(f"logan is at {address} - stop it with Ctrl-C")
        if not is_loopback:
            typer.echo("Anybody who has this address can read and change the builds. The connection is not encrypted.")
        if browser:
            webbrowser.open(address)
        uvicorn.run(create_app(settings), host=host, port=port, log_level="warning", server_header=False)
