"""Folders behind addresses (``s3://``, ``gs://``, ``https://``), listed and copied by fsspec.

A web server's folder is listed by the links of its page, and can only be read.

Whoever opens an address brings his own keys: the libraries behind fsspec read them from the
environment or from its config files. None stands in a campaign's config.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import unquote

from limbward.errors import ConfigError, LimbwardError
from limbward.workspace.writing import atomic_path

UNKNOWN = -1  # bytes
TRIES = 3  # of a copy that comes out short or damaged
MD5 = re.compile(r'"?([0-9a-f]{32})"?')
BLOCK = 1 << 22  # bytes


@dataclass(frozen=True)
class Item:
    """A file behind an address.

    Attributes
    ----------
    name : str
        From its folder, with ``/``.
    size : int
        Bytes; `UNKNOWN` if the store does not tell.
    tag : str
        What changes with its content, as far as the store tells: an ETag, a checksum, a time.
    md5 : str
        Empty if the store does not tell it.
    where : str
        Its address, as the store has it.
    """

    name: str
    size: int
    tag: str
    md5: str = ""
    where: str = ""


@contextmanager
def _opened(url: str) -> Iterator[tuple[Any, str]]:
    """Open a store; whatever its library raises becomes a sentence."""
    try:
        import fsspec
    except ImportError as error:
        raise ConfigError(
            f"{url} is read by fsspec, which is not installed: pip install 'limbward[store]'."
        ) from error
    try:
        yield fsspec.core.url_to_fs(url)
    except LimbwardError:
        raise
    except (ImportError, ValueError) as error:  # a library that is missing, an unknown kind
        raise ConfigError(f"{url} cannot be opened: {error}") from error
    except Exception as error:  # each store has errors of its own
        raise LimbwardError(f"{url} cannot be reached: {error or type(error).__name__}") from error


def listing(url: str) -> list[Item]:
    """Return the files in a folder and in the folders below it, sorted by name.

    Raises
    ------
    LimbwardError
        If there is none, or the store cannot be reached.
    """
    with _opened(url) as (store, root):
        store.invalidate_cache()
        web = is_web(store)
        found: dict[str, Any] = {}
        try:
            found = _of_pages(store, root) if web else store.find(root, detail=True)
        except FileNotFoundError:
            with suppress(FileNotFoundError):
                store.ls(root)  # of a server that cannot be reached it raises another error
        # What ends with a slash is the mark of a folder, which some tools write to object stores.
        items = [
            _item(path, info, root, web=web)
            for path, info in found.items()
            if not path.endswith("/")
        ]
    if not items:
        raise LimbwardError(f"There are no files in {url}.")
    return sorted(items, key=lambda i: i.name)


def is_web(store: Any) -> bool:
    """Return whether a store is a web server."""
    return "http" in store.protocol


def _of_pages(store: Any, root: str) -> dict[str, Any]:
    """Return the files that a web server's pages lead to, with sizes and times.

    Of the links those are followed that end with a slash and lead deeper; what has a question mark
    sorts the page that it is on.
    """
    below = f"{root.rstrip('/')}/"
    whole = store.info(root)
    if whole.get("mimetype") != "text/html":
        return {root: whole}
    found: dict[str, Any] = {}
    todo, seen = [below], {below}
    while todo:
        for link in store.ls(todo.pop(), detail=False):
            if link in seen or not link.startswith(below) or "?" in link:
                continue
            seen.add(link)
            if link.endswith("/"):
                todo.append(link)
            else:
                found[link] = store.info(link)
    return found


def _item(path: str, info: dict[str, Any], root: str, *, web: bool = False) -> Item:
    name = path[len(root) :].lstrip("/") or PurePosixPath(path).name
    name = unquote(name) if web else name
    _require_inside(name)
    keys = (
        "ETag", "etag", "md5Hash", "checksum", "LastModified", "Last-Modified", "mtime", "created",
    )  # fmt: skip
    tags = [str(info[k]) for k in keys if info.get(k)]
    # A web server's tag is whatever it likes.
    md5 = None if web else MD5.fullmatch(str(info.get("ETag") or info.get("etag") or ""))
    size = info.get("size")
    return Item(
        name, UNKNOWN if size is None else int(size), " ".join(tags),
        md5.group(1) if md5 else "", path,
    )  # fmt: skip


def _require_inside(name: str) -> None:
    if ".." in PurePosixPath(name).parts or PurePosixPath(name).is_absolute():
        raise LimbwardError(f"{name} is a name that leads out of its folder.")


def fetch(url: str, items: Sequence[Item], folder: Path) -> None:
    """Copy files of a folder into one of this machine, and check them by size and checksum.

    A file whose checksum is another, and the same in two copies, is taken: of what a store keeps
    encrypted with keys of its user, the tag looks like a checksum and is none.

    Raises
    ------
    LimbwardError
        If one does not come through.
    """
    with _opened(url) as (store, root):
        for item in items:
            target = folder / item.name
            target.parent.mkdir(parents=True, exist_ok=True)
            path = item.where or f"{root.rstrip('/')}/{item.name}"
            seen: set[str] = set()
            for _ in range(TRIES):
                with atomic_path(target) as part:
                    store.get_file(path, str(part))
                if _is_whole(target, item, seen):
                    break
            else:
                target.unlink()
                raise LimbwardError(
                    f"{url}: {item.name} came through damaged {TRIES} times ({item.size} bytes "
                    "are expected)."
                )


def _is_whole(path: Path, item: Item, seen: set[str]) -> bool:
    """Return whether a copy is whole; ``seen`` has the checksums of earlier ones of its size."""
    if item.size not in (path.stat().st_size, UNKNOWN):
        return False
    if not item.md5:
        return True
    digest = hashlib.md5(usedforsecurity=False)
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            digest.update(block)
    # The ETag of a file sent in parts is no checksum either, but then it has a dash.
    found = digest.hexdigest()
    again = found in seen
    seen.add(found)
    return again or found == item.md5


def send(folder: Path, names: Sequence[str], url: str) -> None:
    """Copy files to an address; they are there with their whole size, or it raises.

    Raises
    ------
    LimbwardError
    """
    with _opened(url) as (store, root):
        for name in names:
            target, size = f"{root.rstrip('/')}/{name}", (folder / name).stat().st_size
            store.makedirs(target.rpartition("/")[0], exist_ok=True)
            store.put_file(str(folder / name), target)
            store.invalidate_cache()
            if store.info(target)["size"] != size:
                raise LimbwardError(f"{url}: {name} was not written whole.")


def remove(url: str, names: Sequence[str]) -> None:
    """Delete files in a folder behind an address.

    Raises
    ------
    LimbwardError
        If a name leads out of the folder, for the list of files may be anybody's.
    """
    with _opened(url) as (store, root):
        for name in names:
            _require_inside(name)
            store.rm_file(f"{root.rstrip('/')}/{name}")


def read_text(url: str) -> str:
    """Return a small file; empty if it is not there."""
    with _opened(url) as (store, path):
        store.invalidate_cache()
        return str(store.cat_file(path).decode("utf-8")) if store.exists(path) else ""
