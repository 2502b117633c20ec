"""The commands that copy a card and check a copy: they parse, call and print."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from limbward.cli.messages import Quiet, Verbose, make_reporter
from limbward.cli.options import Command, Day, Json
from limbward.errors import LimbwardError


def add_backup(app: typer.Typer) -> None:
    """Add the commands backup and verify."""
    app.command(cls=Command, epilog="Example: limbward backup /media/card /mnt/disk/eclipse")(
        backup
    )
    app.command(cls=Command, epilog="Example: limbward verify /mnt/disk/eclipse")(verify)


def backup(
    source: Annotated[
        Path, typer.Argument(metavar="SOURCE", help="The card; it is never written to.")
    ],
    destination: Annotated[
        Path, typer.Argument(metavar="DEST", help="A new folder, or one of an earlier backup.")
    ],
    also: Annotated[
        list[Path] | None,
        typer.Option("--also", metavar="DEST", help="Another destination; can be repeated."),
    ] = None,
    card: Annotated[
        list[Path] | None,
        typer.Option("--card", metavar="SOURCE", help="Another card; can be repeated."),
    ] = None,
    config: Annotated[
        Path | None, typer.Option(metavar="CONFIG", help="Take site and date from this config.")
    ] = None,
    site: Annotated[
        str | None,
        typer.Option(metavar="TEXT", help="Name of the site, for the label of the backup."),
    ] = None,
    date: Annotated[datetime | None, Day] = None,
    as_json: Json = False,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Copy a card, read the copy back and compare.

    The copy is a bag (RFC 8493): a folder with the files in data/ and lists of their checksums
    beside it. If it is interrupted, the same command continues where it stopped. Nothing is
    overwritten.
    """
    from functools import partial

    from limbward.backup.describe import describe
    from limbward.backup.job import back_up
    from limbward.cli.backup_printing import backup_faults, backup_lines
    from limbward.cli.printing import print_json
    from limbward.config.loading import load_config
    from limbward.work.reporting import counted, visible

    day = None if date is None else date.date().isoformat()
    if config is not None:
        settings = load_config(config)
        place = settings.site
        site = site or place.name or f"{place.latitude}, {place.longitude}"
        day = day or settings.eclipse.isoformat()
    reporter = make_reporter()
    reporter.stage("backup")
    with counted(reporter, "copying") as count:
        outcome = back_up(
            [source, *(card or [])],
            [destination, *(also or [])],
            partial(describe, site=site, date=day),
            count,
        )
    found = outcome.to_json_dict()
    if as_json:
        print_json(found)
    else:
        print(visible("\n".join(backup_lines(found))))
    if not outcome.ok:
        raise LimbwardError("\n".join(backup_faults(found)))


def verify(
    bag: Annotated[Path, typer.Argument(metavar="DEST", help="The folder of a backup.")],
    as_json: Json = False,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Check a backup: name damaged, missing and extra files."""
    from limbward.backup.verify import verify_bag
    from limbward.cli.backup_printing import verdict_faults
    from limbward.cli.printing import print_json
    from limbward.work.reporting import counted

    reporter = make_reporter()
    reporter.stage("verify")
    with counted(reporter, "checking") as count:
        verdict = verify_bag(bag, count)
    found = verdict.to_json_dict()
    if as_json:
        print_json(found)
    if not verdict.ok:
        raise LimbwardError("\n".join(verdict_faults(found)))
    if not as_json:
        files = f"{verdict.files} files, the backup's own lists included"
        print(f"{bag}: {files}, {verdict.bytes / 1e9:.3f} GB, all unchanged.")
