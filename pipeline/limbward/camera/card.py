"""The files of a card dump: which there are, what they are, and the order they were shot in.

Cameras lay out their cards by the *Design rule for Camera File system* (DCF 2.0, JEITA CP-3461B):
folders under ``DCIM`` named with three digits and five free characters, files named with four free
characters and a number from 0001 to 9999, a RAW and a JPEG of one shot sharing the number.
"""

import errno
import os
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from itertools import pairwise
from pathlib import Path, PurePosixPath

# Every suffix that LibRaw's cameras write; what it cannot decode is reported as unreadable.
_RAW = """.3fr .arw .bay .cap .cr2 .cr3 .crw .dcr .dcs .dng .drf .eip .erf .fff .gpr .iiq .k25 .kdc
.mdc .mef .mos .mrw .nef .nrw .orf .ori .pef .ptx .pxn .raf .raw .rw2 .rwl .rwz .sr2 .srf .srw
.sti .x3f"""
_VIDEO = ".3gp .avi .crm .m2ts .m4v .mkv .mov .mp4 .mpeg .mpg .mts .mxf .ser .wmv"
RAW_SUFFIXES = frozenset(_RAW.split())
JPEG_SUFFIXES = frozenset((".jpg", ".jpeg", ".jpe"))
HEIF_SUFFIXES = frozenset((".heic", ".heif", ".hif"))
TIFF_SUFFIXES = frozenset((".tif", ".tiff"))
FITS_SUFFIXES = frozenset((".fit", ".fits", ".fts", ".fits.gz", ".fit.gz", ".fits.fz"))
VIDEO_SUFFIXES = frozenset(_VIDEO.split())
LITTER = frozenset(  # of operating systems
    (
        *("$recycle.bin", "__macosx", "desktop.ini", "found.000", "lost.dir", "thumbs.db"),
        "system volume information",
    )
)
IMAGE_KINDS = frozenset(("raw", "tiff", "fits", "jpeg", "heif"))
"""Kinds whose pixels are measured and merged; a JPEG or HEIF with a RAW frame beside it is not."""

MADE_OF_RAW = ("jpeg", "heif")  # by the camera, beside it

DCF_LAST = 9999
DCF_FOLDER = re.compile(r"([1-9]\d\d)[0-9A-Za-z_]{5}")
DCF_FILE = re.compile(r"[0-9A-Za-z_]{4}(\d{4})")
ROLLOVER_GAP = 10  # files deleted right at 9999 -> 0001 that still leave a rollover recognisable


@dataclass(frozen=True)
class CardFile:
    """One file of a card dump.

    Attributes
    ----------
    path : Path
        Where it is.
    file : str
        Its path relative to the folder of the configuration, with forward slashes: its name in
        every table.
    kind : str
        ``raw``, ``jpeg``, ``heif``, ``tiff``, ``fits``, ``video`` or ``other``.
    size : int
        Bytes.
    mtime_ns : int
        Time of modification, ns since 1970.
    sequence : int
        Place in the order of shooting by name, from 0. Clocks of several cameras are not compared.
    paired_with : str
        `file` of the other half of a RAW and JPEG pair, or empty.
    """

    path: Path
    file: str
    kind: str
    size: int
    mtime_ns: int
    sequence: int = 0
    paired_with: str = ""


@dataclass(frozen=True)
class Listing:
    """The files found, in the order of shooting, and a sentence for each thing passed over."""

    files: tuple[CardFile, ...]
    notes: tuple[str, ...]


def kind_of(name: str) -> str:
    """Return the kind of a file by its name: raw, jpeg, heif, tiff, fits, video or other."""
    suffixes = [suffix.lower() for suffix in Path(name).suffixes]
    last, last_two = "".join(suffixes[-1:]), "".join(suffixes[-2:])
    if last in FITS_SUFFIXES or last_two in FITS_SUFFIXES:
        return "fits"
    for kind, known in (
        ("raw", RAW_SUFFIXES),
        ("jpeg", JPEG_SUFFIXES),
        ("heif", HEIF_SUFFIXES),
        ("tiff", TIFF_SUFFIXES),
        ("video", VIDEO_SUFFIXES),
    ):
        if last in known:
            return kind
    return "other"


def find_files(
    roots: Iterable[Path],
    base: Path,
    exclude: Iterable[str] = (),
    skip: Callable[[Path], bool] | None = None,
) -> Listing:
    """Find every file under some folders.

    Hidden files, the litter of operating systems and symbolic links are passed over: a link
    either leads off the card or to a file that is found anyway.

    Parameters
    ----------
    roots : iterable of Path
        Folders, or single files, in the order of their shooting (first card first). A link given
        here is followed.
    base : Path
        Folder that the names in tables are relative to.
    exclude : iterable of str
        Shell patterns; a file is left out if one matches its bare name, its relative path, or
        that of a folder it is in.
    skip : callable, optional
        Tells of a folder whether to leave it out with all that is in it.

    Returns
    -------
    Listing
    """
    notes: list[str] = []
    patterns = tuple(exclude)
    found: dict[Path, CardFile] = {}
    for root in roots:
        for path in _walk(root, notes, skip):
            file = relative_name(path, base)
            if _excluded(file, patterns):
                continue
            try:
                stat = path.stat()
                real = path.resolve()
            except OSError as error:
                notes.append(f"{file} cannot be read ({error.strerror}).")
                continue
            if real not in found:  # a folder may be named twice, or inside another
                found[real] = CardFile(
                    path, file, kind_of(path.name), stat.st_size, stat.st_mtime_ns
                )
    return Listing(tuple(_paired(_in_order(list(found.values())))), tuple(notes))


def relative_name(path: Path, base: Path) -> str:
    """Return a path relative to ``base`` with forward slashes (absolute on another drive)."""
    try:
        return Path(os.path.relpath(path, base)).as_posix()
    except ValueError:  # Windows: no relative path leads from one drive to another
        return path.absolute().as_posix()


def _excluded(file: str, patterns: tuple[str, ...]) -> bool:
    names = [file, *(parent.as_posix() for parent in PurePosixPath(file).parents)]
    bare = PurePosixPath(file).name
    return any(fnmatch(n, p) for p in patterns for n in (bare, *names[:-1]))


def _walk(
    root: Path, notes: list[str], skip: Callable[[Path], bool] | None = None
) -> Iterator[Path]:
    if root.is_file():
        yield root
        return

    def unreadable(error: OSError) -> None:
        notes.append(f"The folder {error.filename} cannot be read ({error.strerror}).")

    for folder, folders, files in os.walk(root, onerror=unreadable):
        here = Path(folder)
        if not os.access(folder, os.X_OK):  # names can be listed, but nothing be asked of them
            unreadable(PermissionError(errno.EACCES, os.strerror(errno.EACCES), folder))
            folders.clear()
            continue
        if "bagit.txt" in files and "data" in folders:
            # A bag (RFC 8493): the photographs lie in data, the other files are about them.
            folders[:], files[:] = ["data"], []
        keep = []
        for name in sorted(folders):
            if _litter(name) or (skip is not None and skip(here / name)):
                continue
            if (here / name).is_symlink():
                notes.append(f"The link {here / name} was not followed.")
            else:
                keep.append(name)
        folders[:] = keep
        for name in sorted(files):
            path = here / name
            if _litter(name):
                continue
            if path.is_symlink():
                notes.append(f"The link {path} was not followed.")
            elif path.is_file():  # no sockets, no pipes: opening one would wait for ever
                yield path
            else:
                notes.append(f"{path} is not a regular file and was left out.")


def _litter(name: str) -> bool:
    return name.startswith(".") or name.lower() in LITTER


def _in_order(files: list[CardFile]) -> list[CardFile]:
    """Sort by folder, then by number with the rollover undone; roots keep their order."""
    folders: dict[Path, list[CardFile]] = defaultdict(list)
    for file in files:
        folders[file.path.parent].append(file)
    # Folders are walked in the order of their names, and DCF numbers folders with three digits, so
    # the order of discovery is the order of shooting across folders, the rollover to the next
    # folder included. What is left is a camera that rolls over within one folder.
    ordered = [file for members in folders.values() for file in _folder_in_order(members)]
    return [replace(file, sequence=i) for i, file in enumerate(ordered)]


def _folder_in_order(members: list[CardFile]) -> list[CardFile]:
    numbers = sorted({n for f in members if (n := dcf_number(f.path)) is not None})
    start = rollover_start(numbers)

    def key(file: CardFile) -> tuple[object, ...]:
        number = dcf_number(file.path)
        if number is None:
            return (1, 0, _natural(file.path.name))
        return (0, (number - start) % DCF_LAST, _natural(file.path.name))

    return sorted(members, key=key)


def _natural(name: str) -> tuple[tuple[int, str], ...]:
    """Return a key that puts frame 9 before frame 10."""
    parts = re.split(r"(\d+)", name.casefold())
    return tuple((int(p), "") if i % 2 else (-1, p) for i, p in enumerate(parts))


def dcf_number(path: Path) -> int | None:
    """Return the number of a DCF file name (``IMG_0042.DNG`` gives 42), or None."""
    match = DCF_FILE.fullmatch(path.stem)
    number = int(match[1]) if match else 0
    return number or None  # DCF has no file 0000


def rollover_start(numbers: list[int]) -> int:
    """Return the first number shot among the sorted numbers of one folder.

    Numbers that reach 9999 and begin again at 0001 within a folder leave a run at either end with
    a gap between; the run before 9999 was shot first. Without such a run at both ends, or without
    a wider gap elsewhere, the order is that of the numbers.
    """
    if len(numbers) < 2:
        return 1
    across = numbers[0] + DCF_LAST - numbers[-1]
    gaps = [b - a for a, b in pairwise(numbers)]
    widest = max(gaps)
    if across > ROLLOVER_GAP or widest <= across:
        return 1
    return numbers[gaps.index(widest) + 1]


def _paired(files: list[CardFile]) -> list[CardFile]:
    """Pair each JPEG with the one RAW of its folder that shares its stem or its DCF number."""
    by_stem: dict[tuple[Path, str], list[CardFile]] = defaultdict(list)
    by_number: dict[tuple[Path, int], list[CardFile]] = defaultdict(list)
    for raw in (f for f in files if f.kind == "raw"):
        by_stem[raw.path.parent, raw.path.stem.casefold()].append(raw)
        number = dcf_number(raw.path)
        if number is not None and DCF_FOLDER.fullmatch(raw.path.parent.name):
            by_number[raw.path.parent, number].append(raw)
    partner: dict[str, str] = {}
    jpegs = [f for f in files if f.kind in ("jpeg", "heif")]
    for jpeg in jpegs:
        candidates = by_stem.get((jpeg.path.parent, jpeg.path.stem.casefold()), [])
        if len(candidates) == 1 and candidates[0].file not in partner:
            partner[jpeg.file], partner[candidates[0].file] = candidates[0].file, jpeg.file
    for jpeg in jpegs:
        number = dcf_number(jpeg.path)
        if jpeg.file in partner or number is None:
            continue
        candidates = by_number.get((jpeg.path.parent, number), [])
        if len(candidates) == 1 and candidates[0].file not in partner:
            partner[jpeg.file], partner[candidates[0].file] = candidates[0].file, jpeg.file
    return [replace(f, paired_with=partner.get(f.file, "")) for f in files]


def with_more(files: Sequence[CardFile], more: Sequence[CardFile]) -> list[CardFile]:
    """Return files with more behind them, which are numbered on."""
    last = max((f.sequence for f in files), default=-1)
    return [*files, *(replace(f, sequence=last + 1 + k) for k, f in enumerate(more))]
