"""The commands of the page, and of what it exports."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from limbward.cli.loading import load
from limbward.cli.messages import Quiet, Verbose, make_reporter
from limbward.cli.options import Command, ConfigPath, WorkspacePath, whole

Port = Annotated[
    int,
    typer.Option(
        "--port",
        parser=whole(0, 65535),
        metavar="N",
        help="Port on 127.0.0.1; by default one that is free.",
    ),
]
NoBrowser = Annotated[
    bool, typer.Option("--no-browser", help="Print the link and do not open a browser.")
]
Sizes = Annotated[
    list[str] | None,
    typer.Option(
        "--size",
        metavar="SIZE",
        help="full, web, web-small, print-a4, print-a3, print-a2, wallpaper, wallpaper-tall, "
        "square, a number of pixels for the longer side (2000), or width and height (1920x1080); "
        "with .jpg, .png or .tif behind it in that format, with .avif as an HDR still. Can "
        "be repeated; by default full and web.",
    ),
]


def add_review(app: typer.Typer) -> None:
    """Add the commands review and export."""
    app.command(
        cls=Command, epilog="Example: limbward export limbward.yaml --size web --size square"
    )(export)
    app.command(cls=Command, epilog="Example: limbward review limbward.yaml")(review)


def export(
    config: ConfigPath,
    workspace: WorkspacePath = None,
    size: Sizes = None,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Copy the finished picture for web, print and screens.

    The copies go into the folder exports of the workspace, with caption and credit embedded.
    """
    # Imported inside: --help should not wait for it.
    from limbward.products.export import export as write_exports

    settings, space = load(config, workspace, None)
    for name in write_exports(settings, space, make_reporter(), size or ["full", "web"]):
        print(f"export: {space.path(name)}")


def review(
    config: ConfigPath,
    workspace: WorkspacePath = None,
    port: Port = 0,
    no_browser: NoBrowser = False,
    verbose: Verbose = False,
    quiet: Quiet = False,
) -> None:
    """Look at a run, choose frames and tune the picture, on a page.

    The page is served on this computer only. What you do on it is written into the config, with
    its comments kept; `limbward run` then makes the same picture without the page.
    """
    from limbward.review.desk import Desk
    from limbward.review.server import Server

    server = Server(Desk(config, workspace), port)
    print(f"review: {server.link}", flush=True)
    if not quiet:
        print("The link works once. End with Ctrl-C, or on the page.", file=sys.stderr, flush=True)
    server.run(browser=not no_browser)
