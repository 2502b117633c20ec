"""What backup and verify print for people."""

from __future__ import annotations

from typing import Any

SHOWN = 20  # of a list of files; --json has all of them

Found = dict[str, Any]


def backup_lines(found: Found) -> list[str]:
    """Return what a backup did, line by line.

    Parameters
    ----------
    found : dict
        As `limbward.backup.job.Outcome.to_json_dict` gives it.
    """
    lines = []
    for place in found["destinations"]:
        lines.append(
            f"{place['path']}: {place['copied']} files copied and read back "
            f"({place['bytes_copied'] / 1e9:.3f} GB), {place['already_there']} were already there"
        )
        lines += _some(
            [f"  copied again, because the copy was damaged: {path}" for path in place["mended"]]
        )
        lines += _some([f"  {r['original']} is stored as {r['stored']}" for r in place["renamed"]])
    lines += _some([f"left out: {note}" for note in found["passed_over"]])
    lines += _some(["identical files: " + ", ".join(paths) for paths in found["duplicates"]])
    return lines


def backup_faults(found: Found) -> list[str]:
    """Return a sentence for everything that is not in every destination."""
    faults = [place["problem"] for place in found["destinations"] if place["problem"]]
    faults += _some([f"{f['file']} was not copied: {f['reason']}." for f in found["failed"]])
    for place in found["destinations"]:
        lacking = [f"{place['path']} lacks {path}" for path in place["lacking"]]
        faults += _some(lacking)
    if not any(place["problem"] for place in found["destinations"]) and not found["failed"]:
        faults.append(
            "Files that an earlier, unfinished backup listed are not on this card. If they are on "
            "another card, back it up to the same place; if they were deleted on purpose, back up "
            "to a new folder."
        )
    return [*faults, "The backup is not complete; the same command continues where it stopped."]


def verdict_faults(found: Found) -> list[str]:
    """Return a sentence for everything that is wrong with a bag.

    Parameters
    ----------
    found : dict
        As `limbward.backup.verify.Verdict.to_json_dict` gives it.
    """
    faults = list(found["problems"])
    for kind in ("damaged", "missing", "extra"):
        faults += [f"{kind}: {path}" for path in found[kind]]
    return [f"{found['path']} has changed since the backup.", *faults]


def _some(lines: list[str]) -> list[str]:
    if len(lines) <= SHOWN:
        return lines
    return [*lines[:SHOWN], f"... and {len(lines) - SHOWN} more; --json has them all"]
