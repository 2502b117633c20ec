"""The commands: they parse, call and print."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from limbward.cli.backup import add_backup
from limbward.cli.campaign import add_campaign
from limbward.cli.keys import add_keys
from limbward.cli.loading import load
from limbward.cli.messages import Quiet, Verbose, make_reporter, plain_endings
from limbward.cli.options import (
    CautionedCommand,
    Command,
    Conditions,
    ConfigPath,
    Day,
    Effects,
    Ephemeris,
    FirstStage,
    Height,
    Jobs,
    Json,
    LastStage,
    Latitude,
    LimbProfile,
    Longitude,
    Megapixels,
    MoonsLimb,
    Output,
    PenumbraRadius,
    ScenarioName,
    Seed,
    Smooth,
    SolarRadius,
    Steps,
    UmbraRadius,
    WorkspacePath,
)
from limbward.cli.products import add_products
from limbward.cli.review import add_review
from limbward.errors import ConfigError, LimbwardError

# What a command needs is imported inside it: --help should not wait for numba.
if TYPE_CHECKING:
    from limbward.config import Config
    from limbward.work.reporting import Reporter
    from limbward.workspace import Workspace

DEMO_MEGAPIXELS = 4.0
DEMO_CONDITIONS = "usual"

app = typer.Typer(
    name="limbward",
    help="From a card of bracketed eclipse frames to a picture of the corona, with times in UTC.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _show_version(value: bool) -> None:
    if value:
        from limbward import __version__

        print(f"limbward {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    pass


@app.command(cls=Command, epilog="Example: limbward demo --megapixels 1 /tmp/demo")
def demo(
    directory: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder for the card and all results.")
    ] = Path("limbward-demo"),
    conditions: Conditions = DEMO_CONDITIONS,
    megapixels: Megapixels = DEMO_MEGAPIXELS,
    seed: Seed = 1,
    jobs: Jobs = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Simulate a card and process it.

    If it is interrupted, the same command continues where it stopped.
    """
    from limbward.cli.demo import read_truth, simulate_demo
    from limbward.clock.wording import clock_verdict

    reporter = make_reporter()
    config = simulate_demo(
        directory,
        megapixels=megapixels,
        conditions=conditions,
        seed=seed,
        jobs=jobs,
        reporter=reporter,
    )
    settings, space = load(config, None, jobs)
    _run(settings, space, reporter)
    # For comparison only: no stage has seen it.
    for camera in read_truth(directory)["cameras"]:
        print(f"truth: {clock_verdict(camera)}")


@app.command(
    cls=CautionedCommand,
    epilog="Example: limbward simulate rehearsal --scenario tripod --lat 41.5 --lon -3.6",
)
def simulate(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the card.")],
    scenario: ScenarioName = "telescope",
    conditions: Conditions = DEMO_CONDITIONS,
    effect: Effects = None,
    latitude: Annotated[float | None, Latitude] = None,
    longitude: Annotated[float | None, Longitude] = None,
    height: Annotated[float | None, Height] = None,
    date: Annotated[datetime | None, Day] = None,
    limb: MoonsLimb = "real",
    megapixels: Megapixels = DEMO_MEGAPIXELS,
    seed: Seed = 1,
    jobs: Jobs = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Simulate a card, with its config and the true values.

    Without a place and a date, it simulates the demo's eclipse of 12 August 2026.
    """
    from limbward.cli.demo import choose_scenario
    from limbward.cli.demo import simulate as simulate_into

    chosen = choose_scenario(
        scenario,
        megapixels=megapixels,
        latitude=latitude,
        longitude=longitude,
        height=height,
        date=None if date is None else date.date().isoformat(),
        conditions=conditions,
        effects=tuple(effect or ()),
        limb=limb,
    )
    config = simulate_into(directory, chosen, seed=seed, jobs=jobs, reporter=make_reporter())
    print(f"config: {config}")


@app.command(cls=Command, epilog="Example: limbward run limbward.yaml --until align")
def run(
    config: ConfigPath,
    workspace: WorkspacePath = None,
    first: FirstStage = None,
    last: LastStage = None,
    force: Annotated[
        bool, typer.Option("--force", help="Run all stages, even those that are up to date.")
    ] = False,
    jobs: Jobs = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Run the stages that are out of date.

    The stages are ingest, timing, align, merge, enhance, compose and report.
    """
    settings, space = load(config, workspace, jobs)
    _run(settings, space, make_reporter(), first=first, last=last, force=force)


@app.command(cls=Command, epilog="Example: limbward audit limbward.yaml --json > clocks.json")
def audit(
    config: ConfigPath,
    workspace: WorkspacePath = None,
    as_json: Json = False,
    jobs: Jobs = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Measure the camera clocks: run ingest and timing only."""
    from limbward.cli.printing import print_json
    from limbward.clock.wording import audit_lines
    from limbward.runs.runner import run_stages
    from limbward.work.reporting import visible

    settings, space = load(config, workspace, jobs)
    run_stages(settings, space, make_reporter(), last="timing")
    clock = space.read_json(space.clock)
    if as_json:
        print_json(clock)
        return
    print(visible("\n\n".join("\n".join(audit_lines(c)) for c in clock["cameras"])))


@app.command(
    cls=CautionedCommand,
    epilog="Example: limbward contacts --lat 65.0 --lon -23.4 --date 2026-08-12",
)
def contacts(
    latitude: Annotated[float, Latitude],
    longitude: Annotated[float, Longitude],
    date: Annotated[datetime, Day],
    height: Annotated[float, Height] = 0.0,
    k_penumbra: Annotated[float, PenumbraRadius] = 0.2725076,
    k_umbra: Annotated[float, UmbraRadius] = 0.2725076,
    solar_radius_km: Annotated[float | None, SolarRadius] = None,
    limb_profile: LimbProfile = None,
    smooth: Smooth = False,
    ephemeris: Annotated[str, Ephemeris] = "de421",
    as_json: Json = False,
    verbose: Verbose = False,
) -> None:
    """Print contact times of an eclipse: C1, C2, greatest, C3, C4.

    These are for a smooth Moon. For a total or annular eclipse a second table has C2, C3 and the
    beads by the mountains and valleys of the Moon's limb; it comes first if its C3 is earlier.

    P and V say where on the Sun's limb the Moon touches it (at greatest eclipse, where the Moon's
    centre lies): degrees from celestial north (P) and from the zenith (V), through east, which is
    anticlockwise as the eye sees it.
    """
    from limbward.cli.printing import print_contacts, print_json
    from limbward.sky.best_limb import contacts_told
    from limbward.sky.contacts import local_circumstances
    from limbward.sky.ephemeris import Radii, Site
    from limbward.sky.limb_profile import read_profile

    site = Site(latitude, longitude, height)
    radii = Radii(k_penumbra, k_umbra, solar_radius_km or Radii.solar_radius_km)
    found = local_circumstances(date.date().isoformat(), site, radii=radii, ephemeris=ephemeris)
    circumstances = contacts_told(
        found,
        site,
        own=None if limb_profile is None else read_profile(limb_profile),
        smooth=smooth,
        radii=radii,
        solar_radius_km=solar_radius_km,
        ephemeris=ephemeris,
    )
    if as_json:
        print_json(circumstances)
    else:
        print_contacts(circumstances)


@app.command(cls=CautionedCommand, epilog="Example: limbward check limbward.yaml")
def check(config: ConfigPath, verbose: Verbose = False) -> None:
    """Check a config, and report mistakes with their line numbers.

    Also prints which eclipse it describes. Make sure that it is the one you photographed.
    """
    from functools import partial

    from limbward.cli.printing import print_contacts
    from limbward.config import place_and_time
    from limbward.config.bodies import unmatched
    from limbward.config.inputs import card_paths, find_inputs
    from limbward.config.loading import load_config
    from limbward.runs.place import require_own_place
    from limbward.sky.seen import only_partial

    settings = load_config(config)
    own = settings.resolve(settings.workspace)
    wrong, circumstances = [], None
    try:
        circumstances = place_and_time.eclipse(settings)
    except ConfigError as error:
        wrong.append(str(error))
    for found_wrong in (card_paths, partial(require_own_place, root=own)):
        try:
            found_wrong(settings)
        except ConfigError as error:
            wrong.append(str(error))
    if wrong or circumstances is None:
        raise ConfigError("\n".join(wrong))
    print_contacts(place_and_time.contacts_json(settings, circumstances))
    print(f"{config}: valid.")
    files = [f.file for f in find_inputs(settings)[0].files]
    for warning in (only_partial(circumstances), *unmatched(settings, files)):
        if warning:
            print(f"warning: {warning}", file=sys.stderr)


add_backup(app)


@app.command(
    cls=Command,
    epilog="Example: limbward enhance corona.fits --steps fnrgf:order=6,attenuation=0.1",
)
def enhance(
    image: Annotated[
        Path, typer.Argument(metavar="IMAGE.fits", help="The merge of an earlier run, corona.fits.")
    ],
    steps: Steps,
    preview: Annotated[
        bool, typer.Option("--preview", help="Quick: a quarter of the size, and only a PNG.")
    ] = False,
    with_sky: Annotated[
        bool, typer.Option("--with-sky", help="Add back the sky that the merge subtracted.")
    ] = False,
    output: Output = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Try filters on a finished merge."""
    from limbward.stages.enhance_image import enhance_image

    for path in enhance_image(
        image,
        steps,
        preview=preview,
        output=output,
        with_sky=with_sky,
        reporter=make_reporter(),
    ):
        print(path)


add_products(app)
add_review(app)
add_campaign(app)
add_keys(app)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 1 the work failed, 2 it was asked wrongly."""
    with plain_endings():
        app(args=arguments)


def _run(config: Config, workspace: Workspace, reporter: Reporter, **how: Any) -> None:
    """Run stages, then print what there is to look at."""
    from limbward.clock.wording import clock_verdict
    from limbward.runs.runner import run_stages

    run_stages(config, workspace, reporter, **how)
    for label, artefact in (("composite", workspace.composite_png), ("report", workspace.report)):
        if workspace.path(artefact).exists():
            print(f"{label}: {workspace.path(artefact)}")
    if workspace.path(workspace.clock).exists():
        try:
            verdicts = [clock_verdict(c) for c in workspace.read_json(workspace.clock)["cameras"]]
        except (LookupError, TypeError, ValueError, AttributeError) as error:
            raise LimbwardError(
                f"{workspace.path(workspace.clock)} is damaged ({type(error).__name__}: {error}); "
                "run again without --from."
            ) from error
        for verdict in verdicts:
            print(f"clock: {verdict}")
