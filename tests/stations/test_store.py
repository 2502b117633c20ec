"""Folders behind addresses: copied whole or not at all."""

import hashlib
import io
import os
import threading
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import quote

import pytest

from limbward.errors import LimbwardError
from limbward.stations import store
from limbward.stations.store import Item, fetch, listing, read_text, remove, send

fsspec = pytest.importorskip("fsspec")


@pytest.fixture
def memory():
    there = fsspec.filesystem("memory")
    there.pipe({"/bucket/card/a/1.dng": b"one", "/bucket/card/2.dng": b"second"})
    yield there
    there.rm("/bucket", recursive=True)


def test_there_and_back(memory, tmp_path):
    items = listing("memory://bucket/card")
    assert [(i.name, i.size) for i in items] == [("2.dng", 6), ("a/1.dng", 3)]
    fetch("memory://bucket/card", items, tmp_path / "card")
    assert (tmp_path / "card" / "a" / "1.dng").read_bytes() == b"one"
    send(tmp_path / "card", ["a/1.dng"], "memory://bucket/out")
    assert read_text("memory://bucket/out/a/1.dng") == "one"
    remove("memory://bucket/out", ["a/1.dng"])
    assert read_text("memory://bucket/out/a/1.dng") == ""


def test_a_file_that_changes_has_another_tag(memory):
    (before,) = (i for i in listing("memory://bucket/card") if i.name == "2.dng")
    memory.pipe("/bucket/card/2.dng", b"other!")
    (after,) = (i for i in listing("memory://bucket/card") if i.name == "2.dng")
    assert (before.size, before.tag != after.tag) == (after.size, True)


@pytest.fixture
def cut(memory, monkeypatch):
    """What the next copies bring instead of what is there."""
    brought = []

    def get_file(self, path, target, **_):
        with open(target, "wb") as file:
            file.write(brought.pop(0) if brought else self.cat_file(path))

    monkeypatch.setattr(type(memory), "get_file", get_file)
    return brought


SECOND = Item("2.dng", 6, "", hashlib.md5(b"second").hexdigest())


def test_the_mark_of_a_folder_is_no_file(memory, monkeypatch):
    there = {"/bucket/card/a/": {"size": 0}, "/bucket/card/a/1.dng": {"size": 3}}
    monkeypatch.setattr(type(memory), "find", lambda *_, **__: there)
    assert [i.name for i in listing("memory://bucket/card")] == ["a/1.dng"]


def test_a_copy_of_another_size_is_not_kept(memory, tmp_path):
    with pytest.raises(LimbwardError, match=r"2\.dng came through damaged 3 times"):
        fetch("memory://bucket/card", [Item("2.dng", 7, "")], tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_copies_that_differ_each_time_are_not_kept(cut, tmp_path):
    cut += [b"sEcond", b"seCond", b"secOnd"]
    with pytest.raises(LimbwardError, match=r"2\.dng came through damaged 3 times"):
        fetch("memory://bucket/card", [SECOND], tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("first", [b"seCond", b"sec"])
def test_a_damaged_copy_is_made_again(cut, tmp_path, first):
    cut.append(first)
    fetch("memory://bucket/card", [SECOND], tmp_path)
    assert (tmp_path / "2.dng").read_bytes() == b"second"


def test_a_tag_that_looks_like_a_checksum_and_is_none_does_no_harm(memory, tmp_path):
    encrypted = Item("2.dng", 6, "", hashlib.md5(b"cipher").hexdigest())
    fetch("memory://bucket/card", [encrypted], tmp_path)
    assert (tmp_path / "2.dng").read_bytes() == b"second"


class Quiet(SimpleHTTPRequestHandler):
    """Serves a folder with the links that Apache adds, which sort the page or lead up."""

    def log_message(self, *_):
        pass

    def list_directory(self, path):
        names = sorted(p.name + "/" * p.is_dir() for p in Path(path).iterdir())
        links = ["?C=N;O=D", "/", *map(quote, names)]
        page = "".join(f'<li><a href="{link}">link</a></li>' for link in links).encode()
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(page)))
        self.end_headers()
        return io.BytesIO(page)


class Streaming(Quiet):
    """Says of no file how large it is."""

    def send_header(self, keyword, value):
        if keyword != "Content-Length":
            super().send_header(keyword, value)


@pytest.fixture(params=[Quiet, Streaming])
def web(request, tmp_path):
    """A folder and the address of its ``card``."""
    pytest.importorskip("aiohttp")
    for name in NAMES:
        path = tmp_path / "www" / "card" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(name.encode())
    (tmp_path / "www" / "secret.txt").write_text("not of the card")
    handler = partial(request.param, directory=str(tmp_path / "www"))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        yield tmp_path / "www" / "card", f"http://127.0.0.1:{server.server_port}/card"
        server.shutdown()
        thread.join()


NAMES = ("100 A/F 1.fits", "F#3+ü%20?.fits", "F2.fits")


@pytest.mark.parametrize("end", ["", "/"])
def test_a_card_on_a_web_server(web, tmp_path, end):
    folder, url = web
    items = listing(url + end)
    assert [i.name for i in items] == sorted(NAMES)
    fetch(url + end, items, tmp_path / "card")
    for item in items:
        assert (tmp_path / "card" / item.name).read_bytes() == item.name.encode()
        assert item.size in (len(item.name.encode()), store.UNKNOWN)
    os.utime(folder / "F2.fits", (1e9, 1e9))
    changed = {i.name for i in set(listing(url)) ^ set(items)}
    assert changed == {"F2.fits"}


def test_one_file_on_a_web_server(web, tmp_path):
    _, url = web
    (item,) = listing(f"{url}/F2.fits")
    assert item.name == "F2.fits"
    fetch(f"{url}/F2.fits", [item], tmp_path / "one")
    assert (tmp_path / "one" / "F2.fits").read_bytes() == b"F2.fits"


def test_a_web_server_that_is_not_there_is_said(web):
    url = web[1]
    with pytest.raises(LimbwardError, match="There are no files in"):
        listing(f"{url}/none")
    with pytest.raises(LimbwardError, match="cannot be reached"):
        listing("http://127.0.0.1:1/card")
    assert read_text(f"{url}/none") == ""


def test_a_copy_that_is_cut_off_once_is_made_again(memory, tmp_path, monkeypatch):
    tries = []

    def get_file(self, path, target, **_):
        tries.append(path)
        with open(target, "wb") as file:
            file.write(self.cat_file(path)[: 3 * len(tries)])

    monkeypatch.setattr(type(memory), "get_file", get_file)
    fetch("memory://bucket/card", [Item("2.dng", 6, "")], tmp_path)
    assert (tmp_path / "2.dng").read_bytes() == b"second"


def test_what_is_not_there_is_said(memory):
    with pytest.raises(LimbwardError, match="There are no files in memory://bucket/none"):
        listing("memory://bucket/none")
    with pytest.raises(LimbwardError, match="nowhere://x cannot be opened"):
        listing("nowhere://x")


def test_a_name_that_leads_out_of_its_folder_is_refused():
    with pytest.raises(LimbwardError, match="leads out of its folder"):
        store._item("card/../../x", {"size": 1}, "card")


@pytest.mark.parametrize(("tag", "md5"), [(f'"{"a" * 32}"', "a" * 32), (f'"{"a" * 32}-3"', "")])
def test_the_tag_of_a_file_sent_in_parts_is_no_checksum(tag, md5):
    assert store._item("card/x", {"size": 1, "ETag": tag}, "card").md5 == md5


@pytest.mark.parametrize("name", ["../other/a.dng", "/a.dng", "a/../../b"])
def test_nothing_outside_the_folder_is_deleted(memory, name):
    with pytest.raises(LimbwardError, match="leads out of its folder"):
        remove("memory://bucket/out", [name])
