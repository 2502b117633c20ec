"""Who may talk to the server: the browser tab that was opened by the link, and nobody else.

Any page that a person has open in another tab can send requests to this machine. So each request
must

- name this machine as its host, which a name that was pointed at 127.0.0.1 does not;
- come from the page itself as far as the browser says where it comes from (Origin, Sec-Fetch-Site);
- carry the session's secret in its path. It is in no cookie, since cookies go to every port of a
  host, so another server on this machine would be told it.

The secret is given once, in exchange for the token of the link, since a command line that opens a
browser is seen by all users of a machine.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable
from hmac import compare_digest

from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY = 1_000_000  # bytes: the longest config
METHODS = frozenset({"GET", "HEAD", "POST"})
SITES = frozenset({"same-origin", "none"})  # none: typed, or opened by the link
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
WITHOUT_KEY = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>limbward</title>'
    "<h1>This address is closed</h1><p>{}</p></html>"
)
USED = (
    "The link that limbward printed has been used: it opens the page once. Go on in the tab that "
    "it opened, or stop the command with Ctrl-C and start it again."
)
WRONG = "The page opens by the link that <code>limbward review</code> prints."


class Keys:
    """The token of the link and the secret of the session.

    Attributes
    ----------
    token : str
        Opens the page once.
    secret : str
        Begins the path of every other request.
    """

    def __init__(self) -> None:
        self.token = secrets.token_urlsafe(24)
        self.secret = secrets.token_urlsafe(32)
        self.used = False

    def take(self, token: str) -> bool:
        """Return whether a token opens the page; it does so only once."""
        good = not self.used and same(token, self.token)
        self.used = self.used or good
        return good


def same(given: str, wanted: str) -> bool:
    """Return whether two texts are alike, in a time that does not tell how far."""
    return compare_digest(given.encode("utf-8", "replace"), wanted.encode())


class Guard:
    """Lets through what comes from the page, with the secret taken off its path.

    Parameters
    ----------
    app : ASGI application
    keys : Keys
    hosts : callable
        Returns the hosts, with the port, by which this server may be called.
    """

    def __init__(self, app: ASGIApp, keys: Keys, hosts: Callable[[], Iterable[str]]) -> None:
        self.app, self.keys, self.hosts = app, keys, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request or pass it on."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # nothing here speaks WebSocket
            await send({"type": "websocket.close", "code": 1008})
            return
        refusal = self._refusal(Request(scope))
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        inner = dict(scope)
        inner["path"] = "/" + scope["path"].removeprefix(f"/{self.keys.secret}").lstrip("/")
        inner["raw_path"] = inner["path"].encode()
        await self.app(inner, _limited(receive), _with_headers(send))

    def _refusal(self, request: Request) -> Response | None:
        host = request.headers.getlist("host")
        if len(host) != 1 or host[0] not in set(self.hosts()):
            return PlainTextResponse("This server answers to 127.0.0.1 only.\n", 421)
        origin = request.headers.getlist("origin")
        site = request.headers.get("sec-fetch-site", "none")
        if origin not in ([], [f"http://{host[0]}"]) or site not in SITES:
            return PlainTextResponse("Other pages may not ask this server.\n", 403)
        if request.method not in METHODS:
            return PlainTextResponse("GET and POST only.\n", 405)
        path: str = request.scope["path"]
        if path == "/open":
            return self._opened(request)
        if not same(path[1:].split("/", 1)[0], self.keys.secret) or path.count("/") < 2:
            return HTMLResponse(WITHOUT_KEY.format(USED if self.keys.used else WRONG), 403)
        if request.method == "POST":
            return _unfit_body(request, site)
        return None

    def _opened(self, request: Request) -> Response:
        if request.method == "GET" and self.keys.take(request.query_params.get("key", "")):
            return RedirectResponse(f"/{self.keys.secret}/", 303)
        return HTMLResponse(WITHOUT_KEY.format(USED if self.keys.used else WRONG), 403)


def _unfit_body(request: Request, site: str) -> Response | None:
    """Return why a body is not read, None if it may be."""
    if site == "none" and "sec-fetch-site" in request.headers:
        return PlainTextResponse("Other pages may not ask this server.\n", 403)
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":  # what a form cannot send
        return PlainTextResponse("JSON only.\n", 415)
    length = request.headers.get("content-length", "")
    if not (length.isascii() and length.isdigit()):
        return PlainTextResponse("The request must state its length.\n", 411)
    if int(length[:12]) > LARGEST_BODY:
        return PlainTextResponse("Too long.\n", 413)
    return None


def _limited(receive: Receive) -> Receive:
    """Return what reads a body up to `LARGEST_BODY` bytes, whatever its header said."""
    read = 0

    async def read_on() -> Message:
        nonlocal read
        message = await receive()
        read += len(message.get("body", b""))
        if read > LARGEST_BODY:
            return {"type": "http.disconnect"}
        return message

    return read_on


def _with_headers(send: Send) -> Send:
    """Return what sends an answer with the headers that close it to other pages."""

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = [(k.lower().encode(), v.encode()) for k, v in HEADERS.items()]
            given = [(k, v) for k, v in message.get("headers", []) if k != b"server"]
            if all(k != b"cache-control" for k, _ in given):
                own.append((b"cache-control", b"no-store"))
            message = {**message, "headers": [*given, *own]}
        await send(message)

    return sent
