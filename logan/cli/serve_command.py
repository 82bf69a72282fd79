"""``logan serve``: the local page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from logan.cli.rendering import print_lines
from logan.errors import MissingExtraError


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command("serve")
    def serve(
        workspace: Annotated[Path, typer.Argument(help="Folder whose folders are builds, or a build.")] = Path(
            "logan-builds"
        ),
        port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port on this machine.")] = 8710,
        host: Annotated[
            str, typer.Option("--host", help="Address to listen on; any but loopback needs a token, which is printed.")
        ] = "127.0.0.1",
        browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
    ) -> None:
        """Open a local page for those who would rather click than type."""
        try:
            import uvicorn

            from logan.web.app import create_app
        except ModuleNotFoundError:
            raise MissingExtraError("web", "the local page") from None
        import secrets
        import webbrowser
        from urllib.parse import quote

        from logan.cli import for_page
        from logan.pipeline.builds import BUILD_FILE
        from logan.web.security import own_names
        from logan.web.state import WebSettings

        is_loopback = host in ("127.0.0.1", "localhost", "::1")
        token = "" if is_loopback else secrets.token_urlsafe(24)
        folder, opened = workspace.resolve(), ""
        if (folder / BUILD_FILE).is_file():
            # A build was named rather than the folder around it: that one is opened.
            folder, opened = folder.parent, f"builds/{quote(folder.name)}"
        folder.mkdir(parents=True, exist_ok=True)
        names = () if is_loopback else own_names(host)
        settings = WebSettings(workspace=folder, port=port, hosts=names, token=token, commands=for_page)
        shown = next(iter(names), "[::1]" if host == "::1" else host)
        address = f"http://{shown}:{port}/" + (f"open?token={token}" if token else opened)
        typer.echo(f"logan is at {address} - stop it with Ctrl-C")
        if not is_loopback:
            print_lines("Anybody who has this address can read and change the builds. The connection is not encrypted.")
        if browser:
            webbrowser.open(address)
        uvicorn.run(create_app(settings), host=host, port=port, log_level="warning", server_header=False)
