"""The server: what the page is answered, and that nobody else is."""

from __future__ import annotations

import io
import json
import socket
import threading

import numpy as np
import pytest
from PIL import Image

from limbward.config.loading import load_config
from limbward.errors import ConfigError
from limbward.review.desk import Desk
from limbward.review.server import Server
from limbward.review.session import Session


def everything(folder):
    return {p: p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_link_opens_once_and_the_page_closes_itself_to_others(running):
    status, _, _ = running.ask("GET", "/open?key=wrong")
    assert status == 403
    status, headers, _ = running.ask("GET", f"/open?key={running.keys.token}")
    assert (status, headers["location"]) == (303, running.inside(""))
    assert running.ask("GET", f"/open?key={running.keys.token}")[0] == 403
    status, headers, body = running.ask("GET", running.inside(""))
    assert status == 200
    assert b"page/app.js" in body
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert "access-control-allow-origin" not in headers


def test_it_listens_on_this_machine_only(running):
    assert running.server._socket.getsockname()[0] == "127.0.0.1"


def test_other_pages_hosts_and_paths_are_refused(running, own):
    """Each with the right secret, so that the check alone refuses it."""
    running.server.desk.warm()  # leaves its copy of the merge, as it does at each start
    before = everything(own.parent)
    inside = running.inside
    revision = running.get("state")["revision"]
    body = {"revision": revision, "settings": {"compose": {"up": "zenith"}}}
    evil = "http://evil.example"
    refused = [
        ("POST", inside("api/settings"), body, {"Origin": evil}, None, 403),
        ("POST", inside("api/settings"), body, {"Origin": "null"}, None, 403),
        ("POST", inside("api/settings"), body, {"Origin": "http://127.0.0.1:1"}, None, 403),
        ("POST", inside("api/settings"), body, {"Sec-Fetch-Site": "cross-site"}, None, 403),
        ("POST", inside("api/settings"), body, {"Sec-Fetch-Site": "same-site"}, None, 403),
        ("POST", inside("api/settings"), body, {"Sec-Fetch-Site": "none"}, None, 403),
        ("POST", inside("api/settings"), body, {"Content-Type": "text/plain"}, None, 415),
        ("GET", inside("api/frames"), None, {"Sec-Fetch-Site": "cross-site"}, None, 403),
        ("GET", inside("api/frames"), None, {}, "evil.example", 421),
        ("GET", inside("api/frames"), None, {}, f"evil.example:{running.port}", 421),
        ("GET", inside("api/frames"), None, {}, "127.0.0.1", 421),
        ("GET", "/api/frames", None, {}, None, 403),
        ("GET", f"/{'x' * 43}/api/frames", None, {}, None, 403),
        ("GET", f"/{running.keys.secret}", None, {}, None, 403),
        ("PUT", inside("api/settings"), body, {}, None, 405),
        ("DELETE", inside("api/settings"), None, {}, None, 405),
        ("OPTIONS", inside("api/settings"), None, {"Origin": evil}, None, 403),
        ("GET", inside("page/../../guard.py"), None, {}, None, 404),
        ("GET", inside("page/%2e%2e%2fguard.py"), None, {}, None, 404),
        ("GET", inside("made/..%2f..%2flimbward.yaml"), None, {}, None, 404),
        ("GET", inside("made/%2Fetc%2Fpasswd"), None, {}, None, 404),
        ("GET", inside("made/corona.fits"), None, {}, None, 404),
        ("GET", inside("thumb/-1"), None, {}, None, 404),
        ("GET", inside("thumb/999999"), None, {}, None, 404),
        ("GET", inside("tile/1/0/9999/0"), None, {}, None, 404),
        ("GET", inside("tile/1/0/0/0?stops=nan"), None, {}, None, 404),
        ("GET", inside("tile/1/0/0/0?stops=x"), None, {}, None, 404),
    ]
    for method, path, sent, headers, host, wanted in refused:
        status, _, data = running.ask(method, path, sent, headers, host)
        assert status == wanted, (method, path, headers, host, data)
        assert b"100TESTA" not in data
    assert everything(own.parent) == before
    assert (
        running.ask("POST", inside("api/settings"), body, {"Origin": f"http://{running.host}"})[0]
        == 200
    )


def test_malformed_requests_do_no_harm(running, own):
    """Random bytes, cut-off and oversized requests, and bodies that are no settings."""
    running.server.desk.warm()  # leaves its copy of the merge, as it does at each start
    before = everything(own.parent)
    rng = np.random.default_rng(1)
    start = f"POST {running.inside('api/settings')} HTTP/1.1\r\nHost: {running.host}\r\n"
    json_kind = "Content-Type: application/json\r\n"
    kinds = [
        lambda: rng.bytes(int(rng.integers(1, 3000))),
        lambda: start.encode()[: int(rng.integers(1, len(start)))],
        lambda: (start + json_kind + "Content-Length: 999999999\r\n\r\n{}").encode(),
        lambda: (start + json_kind + "Content-Length: -1\r\n\r\n{}").encode(),
        lambda: (start + json_kind + "Transfer-Encoding: chunked\r\n\r\nzz\r\n").encode(),
        lambda: (start + "X: " + "y" * 100_000 + "\r\n\r\n").encode(),
        lambda: (start + f"Host: {running.host}\r\n\r\n").encode(),
        lambda: b"GET /\x00\xff HTTP/1.1\r\n\r\n",
    ]
    for n in range(120):
        with socket.create_connection(("127.0.0.1", running.port), timeout=10) as link:
            link.sendall(kinds[n % len(kinds)]())
            link.shutdown(socket.SHUT_WR)
            answer = link.recv(4096)
        assert not answer.startswith(b"HTTP/1.1 2")
    for body in (
        b"", b"[", b"[]", b"null", b'"x"', b"{}", b'{"a": NaN}', b"[" * 100_000, b"\xff",
        b'{"revision": 3}', b'{"revision": "x", "settings": []}',
    ):  # fmt: skip
        for path in ("settings", "frames", "clock", "value", "export"):
            status, _, data = running.ask("POST", running.inside(f"api/{path}"), body)
            assert status in (400, 409, 411, 422), (path, body)
            assert json.loads(data)["error"] if status != 411 else True
    assert everything(own.parent) == before
    assert running.get("state")["there"]["corona"]


def test_a_frame_is_said_on_the_page_and_stands_in_the_config(running, own):
    told = running.get("frames")
    assert len(told["frames"]) == 24
    assert {f["phase"] for f in told["frames"]} == {"partial", "contact", "totality"}
    row = next(f for f in told["frames"] if f["phase"] == "totality")
    status, after = running.post(
        "frames", {"revision": told["revision"], "ids": [row["id"]], "use": "drop"}
    )
    assert status == 200
    assert after["frames"][row["id"]]["use"] == "drop"
    rules = load_config(own).frames
    assert [(r.files, r.use) for r in rules] == [([row["file"]], "drop")]
    # The other page does not know of it yet: it is told, and nothing is written.
    status, told = running.post("frames", {"revision": told["revision"], "ids": [0], "use": "drop"})
    assert (status, len(load_config(own).frames)) == (409, 1)


def test_views_and_values(running):
    settings = running.get("settings")
    sent = {"settings": {k: settings[k] for k in ("compose", "enhance")}}
    for view in ("picture", "structure", "linear"):
        status, headers, data = running.ask(
            "POST", running.inside("api/view"), sent | {"view": view}
        )
        assert (status, data[:2]) == (200, b"\xff\xd8")
        about = json.loads(headers["limbward-about"])
        assert about["sun_x"] == pytest.approx((about["width"] - 1) / 2)
        # The middle of the picture, where the Sun is, comes to lie where the Sun is said to be.
        a, b, c, d, e, f = about["transform"]
        with Image.open(io.BytesIO(data)) as image:
            x, y = image.width / 2, image.height / 2
        assert a * x + c * y + e == pytest.approx(about["sun_x"] + 0.5)
        assert b * x + d * y + f == pytest.approx(about["sun_y"] + 0.5)
        assert sum(about["histogram"][0]) == about["height"] * about["width"]  # a small one
    # The made-up corona is the same all round up to 30 %, and falls outwards.
    near, far = (running.post("value", {"height": h, "angle": 40.0})[1] for h in (1.3, 2.3))
    assert near["value"] > 5 * far["value"] > 0
    assert near["sigma"] < near["value"]
    assert running.post("value", {"height": 50.0, "angle": 0.0})[1]["value"] is None
    status, told = running.post("view", {"settings": {"compose": {"saturation": 99}}})
    assert (status, "at most 4" in told["error"]) == (422, True)


def test_a_frame_is_decoded_in_parts(running):
    frames = running.get("frames")["frames"]
    row = next(f for f in frames if f["phase"] == "totality")
    assert running.get(f"frame/{row['id']}")["width"] == 360
    status, headers, data = running.ask("GET", running.inside(f"tile/{row['id']}/0/0/0"))
    assert (status, headers["content-type"], data[:2]) == (200, "image/png", b"\x89P")
    gone = next(f for f in frames if f["id"] == 23)  # a partial frame whose file is not there
    status, _, data = running.ask("GET", running.inside(f"api/frame/{gone['id']}"))
    assert (status, b"Connect the card" in data) == (400, True)


def test_a_photographed_clock(running, own):
    revision = running.get("clock")["revision"]
    status, told = running.post(
        "clock", {"revision": revision, "id": 3, "utc": "2026-08-12T17:31:05.2"}
    )
    assert status == 200
    (reference,) = load_config(own).timing.references
    assert reference.utc.isoformat() == "2026-08-12T17:31:05.200000+00:00"
    status, told = running.post("clock", {"revision": told["revision"], "id": 3, "utc": "noon"})
    assert status == 422
    revision = running.get("clock")["revision"]
    assert running.post("clock", {"revision": revision, "id": 3, "utc": None})[0] == 200
    assert load_config(own).timing.references == []


def test_a_config_broken_by_hand_is_told(running, own):
    own.write_text(own.read_text() + "compose:\n")
    assert "given twice" in running.get("state")["trouble"]
    status, told = running.post("make", {})
    assert (status, "given twice" in told["error"]) == (422, True)


def test_the_page_ends_the_server(own):
    server = Server(Desk(own))
    thread = threading.Thread(target=server.run)
    thread.start()
    from tests.review.conftest import Running

    assert Running(server).post("stop", {}) == (200, {"stopped": True})
    thread.join(20)
    assert not thread.is_alive()


def test_a_port_in_use_is_told(running, own):
    with pytest.raises(ConfigError, match="another --port"):
        Server(Desk(own), running.port)


def test_a_workspace_without_anything(tmp_path):
    path = tmp_path / "limbward.yaml"
    path.write_text(
        "site: {latitude: 65.0, longitude: -23.4}\neclipse: 2026-08-12\ninput: {cards: [card]}\n"
    )
    desk = Desk(path)
    state = desk.state()
    assert not any(state["there"].values())
    assert desk.frames()["frames"] == []
    assert "no folder" in desk.frames()["card"]
    assert desk.clock()["clocks"] == []
    assert desk.pending()["stages"][0] == "ingest"
    assert Session(path).revision() == state["revision"]
    assert not (tmp_path / "workspace").exists()
