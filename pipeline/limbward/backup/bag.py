"""Writing the files that make a folder a bag.

References
----------
J. Kunze et al. (2018), RFC 8493, *The BagIt File Packaging Format (V1.0)*.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Mapping
from pathlib import Path

import bagit

from limbward.backup.copy import flush_file, flush_folder, write_flushed
from limbward.backup.inventory import Records
from limbward.errors import LimbwardError

ALGORITHMS = ("sha256", "sha512")
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
NAMED = 5  # files in a sentence

Info = Mapping[str, str | list[str]]

# The library tells through logging what it also raises, which becomes a sentence of ours.
logging.getLogger("bagit").setLevel(logging.CRITICAL)


def is_sealed(root: Path) -> bool:
    """Return whether a bag has all its manifests, as only one has that was finished."""
    kinds = ("manifest", "tagmanifest")
    return all((root / f"{kind}-{name}.txt").is_file() for kind in kinds for name in ALGORITHMS)


def unseal(root: Path) -> None:
    """Take a bag's manifests away, so that nobody takes it for finished while it is added to."""
    for kind in ("tagmanifest", "manifest"):
        for path in sorted(root.glob(f"{kind}-*.txt")):
            path.unlink()
    flush_folder(root)


def seal(root: Path, records: Records, info: Info) -> None:
    """Write manifests, bag-info.txt and tag manifests, and let the library check the result.

    Parameters
    ----------
    root : Path
        Holds ``data/`` and whatever else belongs to the bag.
    records : dict
        Of every file that the bag is meant to hold. The manifests say what was read from the
        cards, not what is on the disk now: a copy that went bad since must not pass for good.
    info : mapping
        Fields for bag-info.txt; a list repeats its field. Fields already there stay.

    Raises
    ------
    LimbwardError
        If files are missing, or there are more than the records say.
    OSError
        If something cannot be written.
    """
    ordered = sorted(records.values(), key=lambda record: record.path)
    (root / "data").mkdir(exist_ok=True)  # a bag of nothing has it too
    write_flushed(root / "bagit.txt", DECLARATION)
    for name in ALGORITHMS:
        lines = [f"{getattr(record, name)}  {record.path}\n" for record in ordered]
        write_flushed(root / f"manifest-{name}.txt", "".join(lines))
    for name in ALGORITHMS:  # of an earlier seal; what they say is no longer true
        (root / f"tagmanifest-{name}.txt").unlink(missing_ok=True)
    try:
        with contextlib.chdir(root):  # the library changes it, and not back if it fails
            bag = bagit.Bag(str(root))
            bag.info.update(info)
            bag.info["Payload-Oxum"] = f"{sum(r.size for r in ordered)}.{len(ordered)}"
            bag.save()
            missing, extra = bag.compare_manifests_with_fs()
            if missing or extra:
                raise LimbwardError(_unlike(root, sorted(missing), sorted(extra)))
            bag.validate(completeness_only=True)
    except (bagit.BagError, UnicodeDecodeError) as error:
        unseal(root)
        raise LimbwardError(f"The bag {root} is not valid: {error}.") from error
    except LimbwardError:
        unseal(root)
        raise
    for path in (root / "bag-info.txt", *sorted(root.glob("tagmanifest-*.txt"))):
        flush_file(path, path.stat().st_mtime_ns)
    flush_folder(root)


def _unlike(root: Path, missing: list[str], extra: list[str]) -> str:
    """Return the sentence about a bag that holds less, or more, than was brought to it."""
    said = []
    for what, paths in (("are missing from it", missing), ("were added by something else", extra)):
        if paths:
            more = f" and {len(paths) - NAMED} more" if len(paths) > NAMED else ""
            said.append(f"{', '.join(paths[:NAMED])}{more} {what}")
    return f"{root} does not hold the right files: {'; '.join(said)}."
