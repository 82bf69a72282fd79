"""Who may talk to the page: this machine only, unless a token is given.

A page on the internet must not be able to drive a page on loopback. So the Host header
must name this server (against DNS rebinding), a request that changes anything must come
from our own origin and carry our own header (against forged requests), nothing changes
by GET, and answers may neither be framed nor sniffed nor fetch anything from elsewhere.
"""

import contextlib
import hmac
import socket
from collections.abc import Awaitable, Callable
from typing import Final

from fastapi import Request, Response
from fastapi.responses import JSONResponse, PlainTextResponse

Next = Callable[[Request], Awaitable[Response]]

TOKEN_COOKIE: Final = "logan_token"
REQUEST_HEADER: Final = "x-logan"
"""A header that a form on a foreign page cannot send without asking us first."""

SAFE_METHODS: Final = ("GET", "HEAD", "OPTIONS")
LOOPBACK_NAMES: Final = ("127.0.0.1", "localhost", "[::1]")

CONTENT_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "connect-src 'self'; font-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)


class Gate:
    """Lets a request through or turns it away.

    Parameters
    ----------
    port : int
        Port that the server listens on.
    hosts : tuple of str
        Names and addresses by which the server may be called, besides loopback.
    token : str
        Secret that every request must bring, as cookie or header; empty on loopback.
    """

    def __init__(self, *, port: int, hosts: tuple[str, ...] = (), token: str = "") -> None:
        names = (*LOOPBACK_NAMES, *hosts)
        self._hosts = {f"{name}:{port}".lower() for name in names}
        if port in (80, 443):
            self._hosts |= {name.lower() for name in names}
        self._token = token

    async def __call__(self, request: Request, call_next: Next) -> Response:
        """Check a request, pass it on, and put the guarding headers on the answer."""
        refused = self._refusal(request)
        response = refused if refused is not None else await call_next(request)
        headers = response.headers
        headers.setdefault("Content-Security-Policy", CONTENT_POLICY)
        headers["X-Content-Type-Options"] = "nosniff"
        headers["X-Frame-Options"] = "DENY"
        headers["Referrer-Policy"] = "no-referrer"
        headers["Cross-Origin-Opener-Policy"] = "same-origin"
        headers["Cross-Origin-Resource-Policy"] = "same-origin"
        # The address is not parsed here: that of a request which was just refused for its bytes cannot be.
        is_script = request.scope["path"].startswith("/static/") and response.status_code == 200
        headers.setdefault("Cache-Control", "private, max-age=31536000, immutable" if is_script else "no-store")
        return response

    def _refusal(self, request: Request) -> Response | None:
        host = request.headers.get("host", "").lower()
        if host not in self._hosts:
            return PlainTextResponse("This server does not answer to that name.", status_code=421)
        if not request.scope["query_string"].isascii():
            return _forbidden("the address holds bytes that no address has", status=400)
        if request.method not in SAFE_METHODS:
            origin = request.headers.get("origin")
            if origin is not None and origin.lower().partition("://")[2] != host:
                return _forbidden("the request comes from another page")
            if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
                return _forbidden("the request comes from another page")
            if REQUEST_HEADER not in request.headers:
                return _forbidden(f"the header {REQUEST_HEADER} is missing")
        if self._token and not self._is_known(request):
            return _forbidden("the token is missing or wrong; open the address that `logan serve` printed", status=401)
        return None

    def _is_known(self, request: Request) -> bool:
        given = request.cookies.get(TOKEN_COOKIE) or request.headers.get("authorization", "").removeprefix("Bearer ")
        if hmac.compare_digest(given.encode(), self._token.encode()):
            return True
        # The printed address carries the token once; the page then keeps it as a cookie.
        return request.url.path == "/open" and hmac.compare_digest(
            request.query_params.get("token", "").encode(), self._token.encode()
        )


def own_names(host: str) -> tuple[str, ...]:
    """Names by which a server that listens on an address may be called; for all addresses, this machine's own."""
    if host not in ("0.0.0.0", "::"):
        return (_as_host(host),)
    name = socket.gethostname()
    try:
        found = [str(entry[4][0]) for entry in socket.getaddrinfo(name, None)]
    except OSError:
        found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe, contextlib.suppress(OSError):
        # Nothing is sent: a datagram socket only looks up which of its addresses would be used.
        probe.connect(("192.0.2.1", 9))
        found.insert(0, str(probe.getsockname()[0]))
    outward = [address for address in found if not address.startswith("127.") and address != "::1"]
    return tuple(dict.fromkeys([*map(_as_host, outward), name, f"{name}.local"]))


def _as_host(address: str) -> str:
    """An address as a Host header writes it."""
    bare = address.split("%", 1)[0]
    return f"[{bare}]" if ":" in bare else bare


def _forbidden(reason: str, *, status: int = 403) -> JSONResponse:
    return JSONResponse({"problem": reason, "remedy": "Reload the page from its own address"}, status_code=status)
