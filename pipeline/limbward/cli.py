"""The commands: they parse, call and print."""

from __future__ import annotations

import json
import logging
import sys
import traceback
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from limbward.errors import ConfigError, LimbwardError

# What a command needs is imported inside it: --help should not wait for numba.
if TYPE_CHECKING:
    from limbward.config import Config
    from limbward.progress import Reporter
    from limbward.workspace import Workspace

DEMO_MEGAPIXELS = 4.0

app = typer.Typer(
    name="limbward",
    help="From a card of eclipse RAW brackets to a linear corona, with the clocks put on UTC.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@dataclass
class _Talk:
    """How much to say."""

    verbose: bool = False
    quiet: bool = False


_talk = _Talk()


def _set_verbose(value: bool) -> None:
    if value:
        _talk.verbose = True
        logging.basicConfig(stream=sys.stderr, format="%(name)s: %(message)s")
        logging.getLogger("limbward").setLevel(logging.DEBUG)


def _set_quiet(value: bool) -> None:
    _talk.quiet = _talk.quiet or value


def _show_version(value: bool) -> None:
    if value:
        from limbward import __version__

        print(f"limbward {__version__}")
        raise typer.Exit


Verbose = Annotated[
    bool,
    typer.Option(
        "--verbose", "-v", callback=_set_verbose, help="Log more, and show where an error arose."
    ),
]
Quiet = Annotated[
    bool, typer.Option("--quiet", "-q", callback=_set_quiet, help="No progress, only warnings.")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
ConfigPath = Annotated[Path, typer.Argument(metavar="CONFIG", help="The YAML config file.")]
WorkspacePath = Annotated[
    Path | None,
    typer.Option("--workspace", metavar="DIR", help="Folder for everything that is made."),
]
Jobs = Annotated[
    int | None, typer.Option("--jobs", min=1, max=256, help="Processes at work at once.")
]
Megapixels = Annotated[
    float, typer.Option(min=0.05, max=100.0, help="Size of the simulated frames.")
]
Seed = Annotated[
    int, typer.Option(min=0, help="The same seed gives the same files, byte for byte.")
]


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show it.")
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    directory: Annotated[
        Path, typer.Argument(metavar="[DIR]", help="Folder for the card and all that is made.")
    ] = Path("limbward-demo"),
    megapixels: Megapixels = DEMO_MEGAPIXELS,
    seed: Seed = 1,
    jobs: Jobs = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Simulate a card dump and run the pipeline on it."""
    from limbward.demo import read_truth, simulate_demo
    from limbward.printout import clock_verdict

    reporter = _reporter()
    config = simulate_demo(
        directory, megapixels=megapixels, seed=seed, jobs=jobs, reporter=reporter
    )
    settings, space = _load(config, None, jobs)
    _run(settings, space, reporter)
    # For comparison only: no stage has seen it.
    for camera in read_truth(directory)["cameras"]:
        print(f"truth: {clock_verdict(camera)}")


@app.command()
def simulate(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the card.")],
    scenario: Annotated[
        str, typer.Option(help="telescope, tripod, altazimuth, two-cameras or partial.")
    ] = "telescope",
    latitude: Annotated[
        float | None, typer.Option("--lat", min=-90, max=90, help="Another place, degrees north.")
    ] = None,
    longitude: Annotated[
        float | None, typer.Option("--lon", min=-180, max=360, help="Degrees east.")
    ] = None,
    height: Annotated[float | None, typer.Option(min=-500, max=20000, help="Metres.")] = None,
    date: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Another eclipse."),
    ] = None,
    megapixels: Megapixels = DEMO_MEGAPIXELS,
    seed: Seed = 1,
    jobs: Jobs = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Simulate a card dump, with its config and the truth about it."""
    from limbward.demo import choose_scenario
    from limbward.demo import simulate as simulate_into

    chosen = choose_scenario(
        scenario,
        megapixels=megapixels,
        latitude=latitude,
        longitude=longitude,
        height=height,
        date=None if date is None else date.date().isoformat(),
    )
    config = simulate_into(directory, chosen, seed=seed, jobs=jobs, reporter=_reporter())
    print(f"config: {config}")


@app.command()
def run(
    config: ConfigPath,
    workspace: WorkspacePath = None,
    first: Annotated[
        str | None,
        typer.Option("--from", metavar="STAGE", help="Run this stage and all after it."),
    ] = None,
    last: Annotated[
        str | None, typer.Option("--until", metavar="STAGE", help="Stop after this stage.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Run what is up to date, too.")] = False,
    jobs: Jobs = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Run the stages that are out of date."""
    settings, space = _load(config, workspace, jobs)
    _run(settings, space, _reporter(), first=first, last=last, force=force)


@app.command()
def audit(
    config: ConfigPath,
    workspace: WorkspacePath = None,
    as_json: Json = False,
    jobs: Jobs = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Say what the camera clocks did: ingest and timing only."""
    from limbward.stages.runner import run_stages

    settings, space = _load(config, workspace, jobs)
    run_stages(settings, space, _reporter(), last="timing")
    clock = space.read_json(space.clock)
    if as_json:
        _print_json(clock)
        return
    from limbward.printout import clocks_table

    _print_rich(clocks_table(clock["cameras"]))
    for camera in clock["cameras"]:
        for warning in camera["warnings"]:
            print(f"warning: {camera['camera']}: {warning}")


@app.command()
def contacts(
    latitude: Annotated[float, typer.Option("--lat", min=-90, max=90, help="Degrees north.")],
    longitude: Annotated[float, typer.Option("--lon", min=-180, max=360, help="Degrees east.")],
    date: Annotated[
        datetime, typer.Option(formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Of the eclipse.")
    ],
    height: Annotated[float, typer.Option(min=-500, max=20000, help="Metres.")] = 0.0,
    k_penumbra: Annotated[
        float, typer.Option(min=0.27, max=0.275, help="Moon's radius for C1 and C4, Earth radii.")
    ] = 0.2725076,
    k_umbra: Annotated[
        float, typer.Option(min=0.27, max=0.275, help="Moon's radius for C2 and C3, Earth radii.")
    ] = 0.2725076,
    solar_radius_km: Annotated[float, typer.Option(min=690000, max=700000)] = 696000.0,
    limb_profile: Annotated[
        Path | None,
        typer.Option(help="CSV of position angle and limb height, for C2, C3 and the beads."),
    ] = None,
    as_json: Json = False,
    verbose: Verbose = False,
) -> None:
    """Local circumstances of an eclipse: C1, C2, greatest, C3, C4.

    The times carry seconds of uncertainty from the lunar limb: they are no signal to take a solar
    filter off.
    """
    from limbward.sky.contacts import local_circumstances
    from limbward.sky.ephemeris import Radii, Site
    from limbward.sky.limb_profile import profile_contacts, profile_json, read_profile

    site, radii = Site(latitude, longitude, height), Radii(k_penumbra, k_umbra, solar_radius_km)
    found = local_circumstances(date.date().isoformat(), site, radii=radii)
    circumstances = found.to_json_dict()
    if limb_profile is not None:
        profiled = profile_contacts(found, site, read_profile(limb_profile), radii=radii)
        circumstances["limb_profile"] = profile_json(profiled)
    if as_json:
        _print_json(circumstances)
    else:
        _print_contacts(circumstances)


@app.command()
def check(config: ConfigPath, verbose: Verbose = False) -> None:
    """Validate a config and say what is wrong, with line numbers."""
    from limbward.config_file import load_config
    from limbward.sky.contacts import local_circumstances
    from limbward.sky.ephemeris import Radii, Site

    settings = load_config(config)
    site, sky = settings.site, settings.sky
    try:
        circumstances = local_circumstances(
            settings.eclipse.isoformat(),
            Site(site.latitude, site.longitude, site.height, site.name),
            radii=Radii(sky.k_penumbra, sky.k_umbra, sky.solar_radius_km),
            ephemeris=sky.ephemeris,
        ).to_json_dict()
    except LimbwardError as error:  # a date outside the ephemeris, an ephemeris not installed
        raise ConfigError(f"{settings.where('eclipse')}: {error}") from error
    wrong = []
    if circumstances["kind"] == "none":
        other = circumstances.get("other_date")
        there_is = f", but there is one on {other}" if other else ""
        wrong.append(
            f"{settings.where('eclipse')}: no eclipse of the Sun is seen from the site that day"
            f"{there_is}; check the date, and the signs of latitude and longitude."
        )
    for i, card in enumerate(settings.input.cards):
        if not settings.resolve(card).is_dir():
            where = settings.where("input", "cards", i)
            wrong.append(f"{where}: there is no folder {settings.resolve(card)}.")
    if wrong:
        raise ConfigError("\n".join(wrong))
    _print_contacts(circumstances)
    print(f"{config}: valid.")


@app.command()
def schema() -> None:
    """Print the JSON Schema of a config, for editors."""
    from limbward.config_file import json_schema

    _print_json(json_schema())


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 1 the work failed, 2 it was asked wrongly."""
    _talk.verbose = _talk.quiet = False
    try:
        app(args=arguments)
    except ConfigError as error:
        _fail(str(error), 2)
    except LimbwardError as error:
        _fail(str(error), 1)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        _fail(f"{where}{error.strerror or error}.", 1)
    except Exception as error:  # the last place where it can be said in a sentence
        said = str(error) or "no further text"
        _fail(
            f"Unexpected {type(error).__name__}: {said}. "
            "Run again with --verbose to see where it arose.",
            1,
        )


def _fail(message: str, status: int) -> None:
    if _talk.verbose:
        traceback.print_exc()
    print(message, file=sys.stderr)
    sys.exit(status)


def _reporter() -> Reporter:
    from limbward.progress import make_reporter

    return make_reporter(quiet=_talk.quiet)


def _load(path: Path, workspace: Path | None, jobs: int | None) -> tuple[Config, Workspace]:
    from limbward.config import with_jobs
    from limbward.config_file import load_config
    from limbward.workspace import Workspace

    config = with_jobs(load_config(path), jobs)
    return config, Workspace(workspace or config.resolve(config.workspace))


def _run(config: Config, workspace: Workspace, reporter: Reporter, **how: Any) -> None:
    """Run stages, then print what there is to look at."""
    from limbward.printout import clock_verdict
    from limbward.stages.runner import run_stages

    run_stages(config, workspace, reporter, **how)
    for label, artefact in (("composite", workspace.composite_png), ("report", workspace.report)):
        if workspace.path(artefact).exists():
            print(f"{label}: {workspace.path(artefact)}")
    if workspace.path(workspace.clock).exists():
        for camera in workspace.read_json(workspace.clock)["cameras"]:
            print(f"clock: {clock_verdict(camera)}")


def _print_json(value: Any) -> None:
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def _print_rich(item: Any) -> None:
    from rich.console import Console

    Console(highlight=False, soft_wrap=True).print(item)


def _print_contacts(circumstances: dict[str, Any]) -> None:
    from limbward.printout import CAUTION, beads_table, contacts_heading, contacts_table

    print(contacts_heading(circumstances))
    if circumstances["contacts"]:
        _print_rich(contacts_table(circumstances))
        if "limb_profile" in circumstances:
            _print_rich(beads_table(circumstances["limb_profile"]))
        print(CAUTION)
