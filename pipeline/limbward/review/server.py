"""The server of the page: its routes, its start and its end.

starlette and uvicorn, since both are small, well kept and pure Python: routes, threads for what
computes, and a parser of HTTP that refuses what is malformed. It listens on 127.0.0.1 only.
"""

from __future__ import annotations

import json
import logging
import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from limbward.errors import ConfigError, LimbwardError
from limbward.review.desk import Desk
from limbward.review.guard import Guard, Keys
from limbward.review.session import Conflict

HOST = "127.0.0.1"
SWITCH_S = 0.0005
KINDS = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".jpg": "image/jpeg",
    ".png": "image/png",
    ".tif": "image/tiff",
    ".avif": "image/avif",
}
KEEP = {"Cache-Control": "private, max-age=3600, immutable"}

Handler = Callable[[Desk, Request, Any], Any]


def page_files() -> dict[str, bytes]:
    """Return the page's own files by their names; nothing else is served from there."""
    folder = files("limbward.review").joinpath("page")
    return {item.name: item.read_bytes() for item in folder.iterdir() if item.is_file()}


def application(desk: Desk, keys: Keys, hosts: Callable[[], list[str]]) -> Guard:
    """Return the whole of the server for one config.

    Parameters
    ----------
    desk : Desk
    keys : Keys
    hosts : callable
        See `Guard`.
    """
    served = page_files()

    async def page(request: Request) -> Response:
        name = request.path_params.get("name", "index.html")
        if name not in served:
            return PlainTextResponse("There is no such file.\n", 404)
        return Response(served[name], media_type=KINDS.get(Path(name).suffix, "text/plain"))

    get = [
        ("state", lambda d, r, b: d.state()),
        ("frames", lambda d, r, b: d.frames()),
        ("controls", lambda d, r, b: d.controls()),
        ("settings", lambda d, r, b: d.settings()),
        ("pending", lambda d, r, b: d.pending()),
        ("clock", lambda d, r, b: d.clock()),
        ("exports", lambda d, r, b: d.copies()),
        ("frame/{number:int}", lambda d, r, b: d.describe(r.path_params["number"])),
    ]
    post = [
        ("frames", lambda d, r, b: d.say(b)),
        ("settings", lambda d, r, b: d.save(b)),
        ("clock", lambda d, r, b: d.date(b)),
        ("value", lambda d, r, b: d.value(b)),
        ("make", lambda d, r, b: d.make()),
        ("export", lambda d, r, b: d.export(b)),
        ("cancel", lambda d, r, b: d.cancel()),
        ("stop", lambda d, r, b: d.stop()),
    ]
    routes = [
        Route("/", page),
        Route("/page/{name}", page),
        *(Route(f"/api/{path}", _json(desk, work), methods=["GET"]) for path, work in get),
        *(Route(f"/api/{path}", _json(desk, work), methods=["POST"]) for path, work in post),
        Route("/api/view", _view(desk), methods=["POST"]),
        Route("/thumb/{number:int}", _bytes(lambda r: desk.thumb(r.path_params["number"]))),
        Route(
            "/tile/{number:int}/{level:int}/{column:int}/{row:int}",
            _bytes(lambda r: desk.tile(r.path_params, r.query_params.get("stops", "0"))),
        ),
        Route("/made/{name}", _bytes(lambda r: desk.made(r.path_params["name"]), keep=False)),
    ]
    return Guard(Starlette(routes=routes), keys, hosts)


def refused(error: Exception) -> Response:
    """Return what the page is told of an error: a sentence, and 409 if the config has changed."""
    status = 409 if isinstance(error, Conflict) else 422 if isinstance(error, ConfigError) else 400
    return JSONResponse({"error": str(error)}, status)


async def _body(request: Request) -> dict[str, Any]:
    try:
        value = json.loads(await request.body(), parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise LimbwardError("The request is not JSON.") from error
    if not isinstance(value, dict):
        raise LimbwardError("The request is not a JSON object.")
    return value


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no JSON")


def _json(desk: Desk, work: Handler) -> Callable[[Request], Any]:
    async def answer(request: Request) -> Response:
        try:
            body = await _body(request) if request.method == "POST" else None
            return JSONResponse(await run_in_threadpool(work, desk, request, body))
        except LimbwardError as error:
            return refused(error)
        except (KeyError, TypeError, ValueError, OSError) as error:
            return _failed(error)

    return answer


def _view(desk: Desk) -> Callable[[Request], Any]:
    async def answer(request: Request) -> Response:
        try:
            shown = await run_in_threadpool(desk.view, await _body(request))
        except LimbwardError as error:
            return refused(error)
        except (KeyError, TypeError, ValueError, OSError, MemoryError) as error:
            return _failed(error)
        told = json.dumps(shown.about, separators=(",", ":"), allow_nan=False)
        return Response(shown.jpeg, media_type="image/jpeg", headers={"Limbward-About": told})

    return answer


def _failed(error: Exception) -> Response:
    logging.getLogger(__name__).debug("a request failed", exc_info=error)
    told = f"This request cannot be answered ({type(error).__name__}: {error})."
    return JSONResponse({"error": told[:500]}, 400)


def _bytes(
    find: Callable[[Request], tuple[bytes, str]], *, keep: bool = True
) -> Callable[[Request], Any]:
    async def answer(request: Request) -> Response:
        try:
            data, suffix = await run_in_threadpool(find, request)
        except LimbwardError as error:
            return JSONResponse({"error": str(error)}, 404)
        except (ValueError, OSError) as error:
            return JSONResponse({"error": str(error)}, 404)
        kind = KINDS.get(suffix, "application/octet-stream")
        return Response(data, media_type=kind, headers=KEEP if keep else None)

    return answer


class Server:
    """A server on 127.0.0.1 with its link.

    Parameters
    ----------
    desk : Desk
    port : int
        0 takes one that is free.

    Raises
    ------
    ConfigError
        If the port cannot be used.
    """

    def __init__(self, desk: Desk, port: int = 0) -> None:
        self.desk, self.keys = desk, Keys()
        self._socket = _listening(port)
        self.port = int(self._socket.getsockname()[1])
        app = application(desk, self.keys, self._hosts)
        config = uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            server_header=False,
            lifespan="off",
            ws="none",
            http="h11",
            loop="asyncio",
            timeout_keep_alive=30,
            timeout_graceful_shutdown=2,
            limit_concurrency=200,
        )
        logging.getLogger("uvicorn").setLevel(logging.CRITICAL)  # of malformed requests
        self._server = uvicorn.Server(config)
        desk.on_stop = self.stop

    @property
    def link(self) -> str:
        """The address that opens the page once."""
        return f"http://{HOST}:{self.port}/open?key={self.keys.token}"

    def _hosts(self) -> list[str]:
        return [f"{name}:{self.port}" for name in (HOST, "localhost")]

    def run(self, *, browser: bool = False) -> None:
        """Serve until Ctrl-C, or until the page says stop.

        Parameters
        ----------
        browser : bool
            Whether the link is opened in the user's browser.
        """
        # A view is some fifty calls of kernels, each of which takes the interpreter's lock again:
        # beside a thread that imports, at 5 ms each, it would take a second.
        sys.setswitchinterval(SWITCH_S)
        threading.Thread(target=self.desk.warm, daemon=True).start()
        if browser:
            threading.Timer(0.2, webbrowser.open, (self.link,)).start()
        try:
            self._server.run(sockets=[self._socket])
        except KeyboardInterrupt:
            pass
        finally:
            self.desk.close()
            self._socket.close()

    def stop(self) -> None:
        """End `run` soon, from any thread."""
        self._server.should_exit = True


def _listening(port: int) -> socket.socket:
    # asyncio sends at once, without waiting 40 ms for more, only if the protocol is named.
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    # Elsewhere than on Windows it lets a port be used again at once; there it would let another
    # program listen on the same port at the same time, and needs forbidding.
    exclusive = getattr(socket, "SO_EXCLUSIVEADDRUSE", None)
    made.setsockopt(socket.SOL_SOCKET, exclusive or socket.SO_REUSEADDR, 1)
    try:
        made.bind((HOST, port))
        made.listen(128)
    except OSError as error:
        made.close()
        raise ConfigError(
            f"Port {port} of {HOST} cannot be used ({error.strerror}): give another --port, or "
            "none, which takes one that is free."
        ) from error
    return made
