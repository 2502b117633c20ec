"""Checking a bag: every file that is damaged, missing or extra, by name.

The library's own check ends at the first kind of fault and takes a hash in mixed case, or a line
ended by another control character, for right. Here every bit counts, and all faults are told.

Whoever rewrites a file, all manifests that lead to it, the inventory and the plan, each to fit the
others, is not found out: a bag carries no secret. Short of that, a manifest made to fit what is
left of a payload contradicts the plan and the inventory.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import unicodedata
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import bagit

from limbward.backup.bag import is_sealed
from limbward.backup.copy import CHUNK, forget_cached
from limbward.backup.intent import INCOMING, PLANS, read_plans
from limbward.backup.inventory import INVENTORY, read_inventory
from limbward.backup.names import utf8_text
from limbward.errors import LimbwardError
from limbward.regular import open_regular

MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt")
LINE = re.compile(r"([0-9a-f]+|[0-9A-F]+)[ \t]+\*?(\S(?:.*\S)?)")
BAG_FILES = (  # that the tag manifests of a bag made here name
    *("bagit.txt", "bag-info.txt", INVENTORY),
    *(f"manifest-{name}.txt" for name in ("sha256", "sha512")),
)
KNOWN = frozenset(("md5", "sha1", "sha224", "sha256", "sha384", "sha512"))

Entries = dict[str, dict[str, str]]
"""By path: hash by algorithm."""


@dataclass
class Verdict:
    """What became of a bag.

    Attributes
    ----------
    path : str
    files, bytes : int
        Checked: those of the payload and those that describe the bag.
    damaged, missing, extra : list of str
        Paths in the bag.
    problems : list of str
        Sentences about the bag itself.
    """

    path: str
    files: int = 0
    bytes: int = 0
    damaged: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    extra: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        """Whether the bag is as it was made."""
        return not (self.damaged or self.missing or self.extra or self.problems)

    def to_json_dict(self) -> dict[str, Any]:
        """Return the verdict for JSON."""
        plain = asdict(self)
        for name in ("damaged", "missing", "extra", "problems"):
            plain[name] = [utf8_text(text) for text in plain[name]]
        return {"ok": self.ok, **plain, "path": utf8_text(self.path)}


def verify_bag(root: Path, progress: Callable[[int, int], None] | None = None) -> Verdict:
    """Check every file of a bag against the bag's manifests.

    Parameters
    ----------
    root : Path
    progress : callable, optional
        Called with the number of files checked and their total.

    Returns
    -------
    Verdict

    Raises
    ------
    LimbwardError
        If the folder is no bag at all.
    """
    root = root.absolute()
    if not any((root / name).is_file() for name in ("bagit.txt", INVENTORY)) and not (
        (root / PLANS).is_dir()
    ):
        raise LimbwardError(f"{root} is not a bag: it has no bagit.txt.")
    verdict = Verdict(str(root))
    _refuse_odd_things(root, verdict)
    payload, tags = _manifests(root, verdict)
    if (root / "fetch.txt").exists():
        verdict.problems.append("The bag has a fetch.txt: part of it is stored elsewhere.")
    if _is_ours(root):
        payload = _check_plans(root, payload, tags, verdict)
    there = _payload_files(root, verdict)
    found = {unicodedata.normalize("NFC", path): path for path in there}
    entries = {**payload, **tags}
    for done, (path, hashes) in enumerate(entries.items()):
        if progress is not None:
            progress(done, len(entries))
        normal = unicodedata.normalize("NFC", path)
        _check_file(root, found.pop(normal, path), hashes, verdict)
    verdict.extra += sorted(found.values())
    if progress is not None:
        progress(len(entries), len(entries))
    if verdict.ok:
        _ask_library(root, verdict)
    return verdict


def _refuse_odd_things(root: Path, verdict: Verdict) -> None:
    """Name what is neither file nor folder beside the payload; none of it is opened."""

    def cannot(error: OSError) -> None:
        verdict.problems.append(f"{error.filename} cannot be read ({error.strerror}).")

    for folder, folders, names in os.walk(root, onerror=cannot):
        here = Path(folder)
        for path in (here / name for name in (*folders, *names)):
            mode = path.lstat().st_mode
            if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
                relative = path.relative_to(root).as_posix()
                verdict.problems.append(f"{relative!r} is a link or a device, not a file.")
        if here == root and "data" in folders:
            folders.remove("data")  # looked through with the payload


def _is_ours(root: Path) -> bool:
    """Return whether a bag was made here, by anything in it that says so."""
    if (root / INVENTORY).exists() or (root / PLANS).exists():
        return True
    try:
        with open_regular(root / "bag-info.txt") as file:
            return b"Bag-Software-Agent: limbward" in file.read()
    except OSError:
        return False


def _check_plans(root: Path, payload: Entries, tags: Entries, verdict: Verdict) -> Entries:
    """Compare what was meant to be in a bag with its manifests; return what to check.

    Of a backup that was not finished, there are no manifests; its files are checked against the
    inventory.
    """
    try:
        plans, records = read_plans(root), read_inventory(root)
    except OSError as error:
        verdict.problems.append(f"{error.filename} cannot be read ({error.strerror}).")
        return payload
    meant = {
        unicodedata.normalize("NFC", planned.path): planned
        for plan in plans.values()
        for planned in plan.files
    }
    recorded = {unicodedata.normalize("NFC", r.path): r for r in records.values()}
    stated = {unicodedata.normalize("NFC", path): hashes for path, hashes in payload.items()}
    unlisted = [folder for plan in plans.values() for folder in plan.unlisted]
    lacking = [planned.path for name, planned in meant.items() if name not in recorded]
    finished = is_sealed(root) and not (root / INCOMING).exists()
    if not finished or unlisted or not plans:
        verdict.problems.append(_unfinished(len(meant), len(lacking), unlisted))
    for plan in plans.values():
        if plan.damaged:
            verdict.problems.append(f"{plan.name} is damaged: the list of intended files is lost.")
    if not finished and not payload:
        verdict.missing += lacking
        return {r.path: {"sha256": r.sha256, "sha512": r.sha512} for r in records.values()}
    for name in (*BAG_FILES, *(plan.name for plan in plans.values())):
        if tags and name not in tags:
            verdict.problems.append(f"No manifest names {name}, which may have been changed.")
    verdict.missing += [p.path for name, p in meant.items() if name not in stated]
    for name, hashes in stated.items():
        if name not in meant or name not in recorded:
            verdict.problems.append(
                f"{name} is listed in a manifest, but was not part of the backup."
            )
        elif any(hashes.get(a) != getattr(recorded[name], a) for a in ("sha256", "sha512")):
            verdict.problems.append(f"{name}: the manifests and {INVENTORY} do not agree.")
        elif meant[name].size != recorded[name].size:
            verdict.problems.append(f"{name}: its plan and {INVENTORY} do not agree.")
    return payload


def _unfinished(meant: int, lacking: int, unlisted: list[str]) -> str:
    """Return the sentence about a backup that was cut off."""
    said = "The backup was not finished"
    if lacking:
        said += f": {lacking} of {meant} planned files are not in it"
    if unlisted:
        said += f"; {len(unlisted)} folders of the card could not be listed"
    return f"{said}. Run the same backup again to continue it."


def _manifests(root: Path, verdict: Verdict) -> tuple[Entries, Entries]:
    """Return what the manifests say of the payload and of the other files."""
    payload: Entries = {}
    tags: Entries = {}
    algorithms: dict[bool, set[str]] = {False: set(), True: set()}
    for path in sorted(root.iterdir()):
        match = MANIFEST.fullmatch(path.name)
        if match is None:
            continue
        if match[2] not in KNOWN:
            verdict.problems.append(f"{path.name} is of an unknown kind.")
            continue
        is_tag = match[1] is not None
        algorithms[is_tag].add(match[2])
        _read_manifest(root, path, match[2], tags if is_tag else payload, verdict)
    if not algorithms[False] and not _is_ours(root):
        verdict.problems.append("There is no manifest, so the files cannot be checked.")
    for entries, names, is_tag in (
        (payload, algorithms[False], False),
        (tags, algorithms[True], True),
    ):
        for path_in_bag, hashes in entries.items():
            if path_in_bag.startswith("data/") == is_tag:
                verdict.problems.append(f"{path_in_bag} is listed in a manifest of the wrong kind.")
            for name in sorted(names - set(hashes)):  # RFC 8493, section 2.2.1
                verdict.problems.append(f"{_manifest(name, is_tag)} does not name {path_in_bag}.")
    return payload, tags


def _manifest(algorithm: str, is_tag: bool) -> str:
    return f"{'tag' if is_tag else ''}manifest-{algorithm}.txt"


def _read_manifest(
    root: Path, path: Path, algorithm: str, entries: Entries, verdict: Verdict
) -> None:
    try:
        with open_regular(path) as file:
            text = file.read().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        verdict.problems.append(f"{path.name} cannot be read ({error}).")
        return
    lines = text.replace("\r\n", "\n").split("\n")
    if lines[-1] != "":
        verdict.problems.append(f"{path.name} is cut off.")
    length = 2 * hashlib.new(algorithm).digest_size
    for number, line in enumerate(lines, 1):
        if line == "" and (number == len(lines)):
            continue
        match = LINE.fullmatch(line)
        if match is None or len(match[1]) != length or _has_control(line):
            verdict.problems.append(f"{path.name}, line {number} is damaged.")
            continue
        name = match[2]
        for escaped, character in (("%0D", "\r"), ("%0A", "\n"), ("%25", "%")):
            name = name.replace(escaped, character)
        if not _stays_inside(root, name):
            verdict.problems.append(
                f"{path.name}, line {number} names {name!r}, outside the bag; it was not opened."
            )
            continue
        hashes = entries.setdefault(name, {})
        if algorithm in hashes:
            verdict.problems.append(f"{path.name} names {name} twice.")
        hashes[algorithm] = match[1].lower()


def _has_control(line: str) -> bool:
    return any(unicodedata.category(c) in ("Cc", "Zl", "Zp") for c in line)


def _stays_inside(root: Path, name: str) -> bool:
    """Return whether a path from a manifest, links followed, leads to a place in the bag."""
    pure = PurePosixPath(name)
    if pure.is_absolute() or ".." in pure.parts or "\0" in name or re.match(r"\w:|\\|~", name):
        return False
    try:
        return root.resolve() in (root / name).resolve().parents
    except (OSError, RuntimeError):  # a loop of links
        return False


def _payload_files(root: Path, verdict: Verdict) -> list[str]:
    """Return the files below data/, links and the like reported."""
    files: list[str] = []
    if (root / "data").is_symlink():
        verdict.problems.append("'data' is a link, not a folder.")
        return files

    def cannot(error: OSError) -> None:
        verdict.problems.append(f"{error.filename} cannot be read ({error.strerror}).")

    for folder, folders, names in os.walk(root / "data", onerror=cannot):
        here = Path(folder)
        for name in [*(f for f in folders if (here / f).is_symlink()), *names]:
            path = here / name
            relative = path.relative_to(root).as_posix()
            if not stat.S_ISREG(path.lstat().st_mode):
                verdict.problems.append(f"{relative!r} is a link or a device, not a file.")
            files.append(relative)
    return files


def _check_file(root: Path, name: str, hashes: dict[str, str], verdict: Verdict) -> None:
    path = root / name
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            verdict.damaged.append(name)
            return
        found = _hashes(path, hashes)
        verdict.bytes += path.stat().st_size
        verdict.files += 1
    except FileNotFoundError:
        verdict.missing.append(name)
        return
    except OSError as error:
        verdict.problems.append(f"{name} cannot be read ({error.strerror}).")
        return
    wrong = sorted(a for a in hashes if found[a] != hashes[a])
    if len(wrong) == len(hashes):
        verdict.damaged.append(name)
        return
    for algorithm in wrong:  # no file has one of its hashes right by chance
        manifest = _manifest(algorithm, not name.startswith("data/"))
        verdict.problems.append(f"{manifest} is damaged: {name} is as another manifest says.")


def _hashes(path: Path, wanted: dict[str, str]) -> dict[str, str]:
    hashers = {name: hashlib.new(name) for name in wanted}
    with open_regular(path) as file:
        forget_cached(file)
        while chunk := file.read(CHUNK):
            for hasher in hashers.values():
                hasher.update(chunk)
    return {name: hasher.hexdigest() for name, hasher in hashers.items()}


def _ask_library(root: Path, verdict: Verdict) -> None:
    """Add what the library objects to in the bag's structure; hashes are compared already."""
    try:
        bagit.Bag(str(root)).validate(completeness_only=True)
    except (bagit.BagError, ValueError, OSError) as error:
        verdict.problems.append(f"The bag is not valid: {error}.")
