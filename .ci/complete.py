"""Compare a source distribution and a wheel with what git has, for files that are missing.

``python .ci/complete.py DIST`` ends with 1 and the names of the files that are missing.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

SOURCE = "pipeline/"
PACKAGE = f"{SOURCE}limbward/"
# A wheel's metadata folder keeps licences in a folder of its own.
LICENCES = ("LICENSE", "THIRD_PARTY.md")


def tracked_files() -> set[str]:
    """Return the names of the files that git has, none where there is no git or no repository."""
    try:
        listed = subprocess.run(
            ["git", "ls-files", "-z"], check=True, capture_output=True, text=True
        ).stdout
    except (OSError, subprocess.CalledProcessError):
        return set()
    return {name for name in listed.split("\0") if name}


def main(dist: Path) -> int:
    """Return 0 if both hold all that they should.

    Parameters
    ----------
    dist : pathlib.Path
        Folder with one .tar.gz and one .whl.
    """
    tracked = tracked_files()
    if not tracked:
        print("git does not tell which files there are (a copy without it?): nothing is compared.")
        return 0
    (sdist,) = dist.glob("*.tar.gz")
    (wheel,) = dist.glob("*.whl")
    with tarfile.open(sdist) as archive:
        packed = {member.name.partition("/")[2] for member in archive.getmembers()}
    with zipfile.ZipFile(wheel) as zipped:
        names = set(zipped.namelist())
    installed = {SOURCE + name for name in names}
    installed |= {name.rpartition("/")[2] for name in names if ".dist-info/licenses/" in name}
    wanted = {name for name in tracked if name.startswith(PACKAGE)} | set(LICENCES)
    missing = [f"{sdist.name}: {name}" for name in sorted(tracked - packed)]
    missing += [f"{wheel.name}: {name}" for name in sorted(wanted - installed)]
    print("\n".join(f"missing in {line}" for line in missing) or "Nothing is missing in either.")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
