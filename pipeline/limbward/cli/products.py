"""The commands that make something of a finished run: one for each module of products."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import typer

from limbward.cli.loading import load
from limbward.cli.messages import Quiet, Verbose, make_reporter
from limbward.cli.options import Command, ConfigPath, Jobs, WorkspacePath


def add_products(app: typer.Typer) -> None:
    """Add the commands in the order in which help shows them."""
    _add(
        app,
        "sheet",
        "Put the crescents of a run on one sheet: TIFF, PNG and PDF.",
        jobs=True,
    )
    _add(
        app,
        "strip",
        "Show the diamond rings and beads of a run on one strip.",
        jobs=True,
    )
    _add(
        app,
        "film",
        "Make a time-lapse of a run: MP4 and WebM.",
        jobs=True,
        example="--jobs 2",
    )
    _add(app, "prominences", "Crop and measure the prominences of a run.")
    _add(
        app,
        "chromosphere",
        "Stack and measure the Sun in hydrogen-alpha.",
        jobs=True,
    )
    _add(
        app,
        "clips",
        "Correct the times of videos; save stills at the contacts.",
    )
    _add(
        app,
        "landscape",
        "Solve wide and fisheye frames: planets, the sky, the Sun's path.",
        jobs=True,
    )


def _add(app: typer.Typer, name: str, words: str, *, jobs: bool = False, example: str = "") -> None:
    """Add a command, whose module of products bears its name, with or without the option --jobs."""

    def in_processes(
        config: ConfigPath,
        workspace: WorkspacePath = None,
        jobs: Jobs = None,
        verbose: Verbose = False,
        quiet: Quiet = False,
    ) -> None:
        make(name, config, workspace, jobs)

    def alone(
        config: ConfigPath,
        workspace: WorkspacePath = None,
        verbose: Verbose = False,
        quiet: Quiet = False,
    ) -> None:
        make(name, config, workspace, None)

    epilog = f"Example: limbward {name} limbward.yaml {example}".rstrip()
    app.command(name, cls=Command, help=words, epilog=epilog)(in_processes if jobs else alone)


def make(name: str, path: Path, workspace: Path | None, jobs: int | None) -> None:
    """Make a product of a finished run, and the report anew, which shows it."""
    # Imported inside: --help should not wait for it.
    from limbward.runs.runner import run_product, run_stages
    from limbward.workspace.product import product_files

    product = import_module(f"limbward.products.{name}")
    settings, space = load(path, workspace, jobs)
    reporter = make_reporter()
    if name == "landscape":
        # All that it needs of a run: of a telescope's frames the places of the Sun too.
        last = "timing" if settings.landscape.magnification is None else "align"
        if not space.path(space.table(last)).exists():
            run_stages(settings, space, reporter, last=last)
    run_product(settings, space, reporter, name, product.run)
    for file in product_files(space, name):
        print(f"{name}: {space.path(file)}")
    if space.path(space.report).exists():
        run_stages(settings, space, reporter, first="report")
