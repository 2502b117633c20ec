"""What the options of the command line take, and what is said of a value that will not do."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from limbward.sky.caution import GENERAL


class Command(TyperCommand):
    """A command whose usage line names its arguments without brackets that are not typed."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Return ``CONFIG`` for the ``{CONFIG}`` of recent releases of typer."""
        return [piece.strip("{}") for piece in super().collect_usage_pieces(ctx)]


class CautionedCommand(Command):
    """A command about contact times, whose help ends with the words of caution."""

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self.help = f"{self.help}\n\n{GENERAL}"


def number(low: float, high: float, what: str) -> Callable[[str | float], float]:
    """Return a parser of numbers from ``low`` to ``high``; ``what`` says what to write."""

    def parse(given: str | float) -> float:
        try:
            value = float(given)
        except ValueError:
            value = math.nan
        if math.isnan(value):
            raise typer.BadParameter(f"{given!r} is not {what}.")
        if not low <= value <= high:
            raise typer.BadParameter(f"{given} is not between {low:g} and {high:g}.")
        return value

    return parse


def day(given: str | datetime) -> datetime:
    """Return a date written YYYY-MM-DD."""
    if isinstance(given, datetime):
        return given
    try:
        return datetime.strptime(given, "%Y-%m-%d")
    except ValueError:
        raise typer.BadParameter(f"{given!r} is not a date of the form YYYY-MM-DD.") from None


def whole(low: int, high: int) -> Callable[[str | int], int]:
    """Return a parser of whole numbers from ``low`` to ``high``."""

    def parse(given: str | int) -> int:
        try:
            value = int(given)
        except ValueError:
            raise typer.BadParameter(f"{given!r} is not a whole number.") from None
        if not low <= value <= high:
            raise typer.BadParameter(f"{given} is not between {low} and {high}.")
        return value

    return parse


def one_of(*names: str) -> Callable[[str], str]:
    """Return a parser of the names of a few things."""

    def parse(given: str) -> str:
        if given not in names:
            raise typer.BadParameter(f"{given!r} is not one of {', '.join(names)}.")
        return given

    return parse


_DEGREES = "a number of decimal degrees, south and west negative (-23.4)"
_METRES = "a number of metres, without the unit (40)"
_RADII = "a number of Earth's equatorial radii (0.2725)"

Latitude = typer.Option(
    "--lat",
    parser=number(-90, 90, _DEGREES),
    metavar="DEGREES",
    help="Decimal degrees north, -90 to 90; south is negative.",
)
Longitude = typer.Option(
    "--lon",
    parser=number(-180, 360, _DEGREES),
    metavar="DEGREES",
    help="Decimal degrees east, -180 to 360; west is negative.",
)
Height = typer.Option(
    "--height",
    parser=number(-500, 20000, _METRES),
    metavar="METRES",
    help="Metres above sea level, -500 to 20000.",
)
Day = typer.Option("--date", parser=day, metavar="YYYY-MM-DD", help="Date of the eclipse.")
PenumbraRadius = typer.Option(
    "--k-penumbra",
    parser=number(0.27, 0.275, _RADII),
    metavar="RADII",
    help="Moon's radius for C1 and C4, in Earth's equatorial radii, 0.27 to 0.275.",
)
UmbraRadius = typer.Option(
    "--k-umbra",
    parser=number(0.27, 0.275, _RADII),
    metavar="RADII",
    help="Moon's radius for C2 and C3, in the same unit, 0.27 to 0.275.",
)
SolarRadius = typer.Option(
    "--solar-radius-km",
    parser=number(690000, 700000, "a number of kilometres (696000)"),
    metavar="KM",
    help="Sun's radius, 690000 to 700000 km. Without it, 696000 (the IAU's of 1976) for the smooth "
    "Moon, and 696221, as measured at eclipses, for the real limb.",
)

Ephemeris = typer.Option(
    "--ephemeris",
    parser=one_of("de421", "de440"),
    metavar="NAME",
    help="de421 (1899 to 2053) or, if it is installed, de440 (1550 to 2650).",
)

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
ConfigPath = Annotated[Path, typer.Argument(metavar="CONFIG", help="The YAML config file.")]
WorkspacePath = Annotated[
    Path | None,
    typer.Option("--workspace", metavar="DIR", help="Folder for the results."),
]
Jobs = Annotated[
    int | None,
    typer.Option(
        "--jobs",
        parser=whole(1, 256),
        metavar="N",
        help="Number of parallel processes, 1 to 256; by default one per core.",
    ),
]
Megapixels = Annotated[
    float,
    typer.Option(
        "--megapixels",
        parser=number(0.05, 100.0, "a number of megapixels (4)"),
        metavar="M",
        help="Size of the simulated frames, 0.05 to 100.",
    ),
]
Seed = Annotated[
    int,
    typer.Option(
        "--seed",
        parser=whole(0, 2**63 - 1),
        metavar="N",
        help="Random seed; the same one gives the same files, byte for byte.",
    ),
]
ScenarioName = Annotated[
    str,
    typer.Option(
        "--scenario",
        metavar="NAME",
        help="telescope (800 mm, tracked), tripod (400 mm, still), altazimuth (the field turns), "
        "two-cameras, partial (no totality) or annular (a ring, filtered throughout).",
    ),
]
Conditions = Annotated[
    str,
    typer.Option(
        "--conditions",
        metavar="NAME",
        help="calm, usual (an ordinary day of a careful amateur) or hard (haze, patchy cloud and "
        "every other fault).",
    ),
]
Effects = Annotated[
    list[str] | None,
    typer.Option(
        "--effect",
        metavar="NAME",
        help="Add one fault of air, optics, camera or mount, as large as under hard conditions; "
        "can be repeated. With --conditions calm it is the only one.",
    ),
]
MoonsLimb = Annotated[
    str,
    typer.Option(
        "--limb",
        metavar="NAME",
        help="The Moon's limb: real (by its relief), invented, smooth, or a CSV of position angle "
        "(degrees) and height (arcsec).",
    ),
]
FirstStage = Annotated[
    str | None, typer.Option("--from", metavar="STAGE", help="Run this stage and all later ones.")
]
LastStage = Annotated[
    str | None, typer.Option("--until", metavar="STAGE", help="Stop after this stage.")
]
LimbProfile = Annotated[
    Path | None,
    typer.Option(
        "--limb-profile",
        metavar="FILE",
        help="CSV of position angle (degrees) and height of the lunar limb (arcsec), for C2, C3 "
        "and the beads; by default they come from the Moon's relief.",
    ),
]
Smooth = Annotated[bool, typer.Option("--smooth", help="Print only the contacts of a smooth Moon.")]
Steps = Annotated[
    list[str],
    typer.Option(
        "--steps",
        metavar="FILTER[:KEY=VALUE,...]",
        help="A filter and its parameters; repeat it for several filters in a row. A list as in "
        "the config works too: '[{filter: fnrgf, order: 6}]'.",
    ),
]
Output = Annotated[
    Path | None,
    typer.Option(
        "--output",
        metavar="PATH",
        help="Name of the result. With .png, .tif or .fits only that file is written; without, all "
        "three (with --preview the PNG). By default it is beside the image.",
    ),
]
