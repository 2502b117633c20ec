"""The command that works on many stations."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from limbward.cli.messages import Quiet, Verbose, make_reporter
from limbward.cli.options import Command, Json


def add_campaign(app: typer.Typer) -> None:
    """Add the command."""
    app.command(cls=Command, epilog="Example: limbward campaign stations.yaml")(campaign)


def campaign(
    config: Annotated[
        Path, typer.Argument(metavar="CAMPAIGN", help="The YAML config of the campaign.")
    ],
    as_json: Json = False,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Run many stations of one eclipse and join their coronas.

    Each station is run as by limbward run. A station that fails is a row with its reason. If it is
    interrupted, the same command continues where it stopped.
    """
    # Imported inside: --help should not wait for it.
    from limbward.cli.printing import print_json
    from limbward.config.stations import load_campaign, stations_of
    from limbward.stations.campaign import run_campaign
    from limbward.work.reporting import visible

    settings = load_campaign(config)
    found = run_campaign(settings, stations_of(settings), make_reporter())
    if as_json:
        print_json(found)
        return
    joined = sum(s["status"] == "joined" for s in found["stations"])
    print(f"joined: {joined} of {len(found['stations'])} stations, {found['frames']} frames")
    for track in found["tracks"]:
        print(
            f"moving: position angle {track['position_angle']:.0f} degrees, "
            f"{track['speed_kms']:.0f} ± {track['speed_sigma_kms']:.0f} km/s"
        )
    for name in ("mean-corona.fits", "campaign.html"):
        if name in found["files"]:
            print(visible(f"{name.split('.')[0]}: {Path(found['folder']) / name}"))
