"""File names that every file system, and every reader of a bag's manifest, takes as they are."""

from __future__ import annotations

import unicodedata
from pathlib import PurePosixPath
from urllib.parse import quote_from_bytes

# What FAT, exFAT and NTFS refuse, and '%', which manifests use to escape line ends.
REFUSED = frozenset('<>:"\\|?*%')
LINE_ENDS = ("Zl", "Zp")  # Unicode line and paragraph separators end a line for some readers


def portable(relative: str) -> str:
    r"""Return a relative path with every character replaced that might not survive.

    Parameters
    ----------
    relative : str
        With forward slashes; bytes that are no UTF-8 as lone surrogates, as Python reads them.

    Returns
    -------
    str
        Unchanged for the names that cameras write.

    Examples
    --------
    >>> portable("DCIM/100TESTA/TST_0001.DNG")
    'DCIM/100TESTA/TST_0001.DNG'
    >>> portable("first\nlight?.dng ")
    'first_light_.dng_'
    """
    return "/".join(_portable_part(part) for part in relative.split("/"))


def _portable_part(part: str) -> str:
    kept = "".join("_" if _is_refused(c) else c for c in part)
    if kept[:1] == " ":  # readers of manifests strip blanks
        kept = "_" + kept[1:]
    if kept[-1:] in (" ", "."):  # Windows drops both
        kept = kept[:-1] + "_"
    return kept


def _is_refused(character: str) -> bool:
    category = unicodedata.category(character)
    # Cc control characters, Cf direction marks, Cs lone surrogates.
    return character in REFUSED or category in ("Cc", "Cf", "Cs", *LINE_ENDS)


def key(path: str) -> str:
    """Return what two paths share that some file system takes for one: case and composition."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def beside(path: str, mark: str) -> str:
    """Return a path with a mark before the suffix, for a file whose name is taken.

    Examples
    --------
    >>> beside("data/card/TST_0001.DNG", "2")
    'data/card/TST_0001-2.DNG'
    """
    pure = PurePosixPath(path)
    return pure.with_name(f"{pure.stem}-{mark}{pure.suffix}").as_posix()


def utf8_text(text: str) -> str:
    """Return text that can be printed and stored as UTF-8, other bytes as backslash escapes."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def printable(path: str) -> str:
    """Return a path as text that can be stored: bytes that are no UTF-8 become %XX.

    A name that is fine as it is stays so, but for '%', which becomes %25.
    """
    try:
        path.encode("utf-8")
        return path.replace("%", "%25")
    except UnicodeEncodeError:
        return quote_from_bytes(path.encode("utf-8", "surrogateescape"), safe="/ ")
