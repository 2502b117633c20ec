"""One small workspace, and a server for it, for all tests of the page."""

from __future__ import annotations

import http.client
import json
import shutil
import threading

import pytest

from limbward.review.desk import Desk
from limbward.review.server import Server
from tests.review.made import write_workspace


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """The folder of a config with its workspace; not to be changed."""
    folder = tmp_path_factory.mktemp("review")
    write_workspace(folder, 300, 200, frames=24)
    return folder


@pytest.fixture
def own(made, tmp_path):
    """The config file in a copy of the folder that a test may change."""
    folder = tmp_path / "own"
    shutil.copytree(made, folder)
    return folder / "limbward.yaml"


class Running:
    """A server at work, and a client that speaks plain HTTP to it."""

    def __init__(self, server: Server) -> None:
        self.server = server
        self.port, self.keys = server.port, server.keys
        self.host = f"127.0.0.1:{self.port}"

    def ask(self, method, path, body=None, headers=None, host=None):
        """Return status, headers and body; the path is taken as it is."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            given = {"Host": self.host if host is None else host} | (headers or {})
            data = None if body is None else body if isinstance(body, bytes) else json.dumps(body)
            if data is not None:
                given = {"Content-Type": "application/json"} | given
            link.request(method, path, data, given)
            answer = link.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read()
        finally:
            link.close()

    def inside(self, path):
        """Return the path with the session's secret before it."""
        return f"/{self.keys.secret}/{path}"

    def get(self, path):
        """Return what the page is answered, as JSON."""
        return json.loads(self.ask("GET", self.inside(f"api/{path}"))[2])

    def post(self, path, body):
        """Return status and JSON."""
        status, _, data = self.ask("POST", self.inside(f"api/{path}"), body)
        return status, json.loads(data)


@pytest.fixture
def running(own):
    """A server for a config of one's own."""
    server = Server(Desk(own))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield Running(server)
    server.stop()
    thread.join(20)
    assert not thread.is_alive()
