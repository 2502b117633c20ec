"""What a run needs to know, as typed models; `limbward.config.loading` reads them from YAML."""

from __future__ import annotations

import os
from collections import Counter
from datetime import UTC, date, datetime
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    model_validator,
)
from pydantic_core import PydanticCustomError

from limbward.config.yaml_source import Location, key_path

LONGEST_PATH, LONGEST_NAME = 4000, 255  # bytes; less than any system's limit, and its limit
ENHANCEMENT_NAME = r"^[A-Za-z0-9][A-Za-z0-9_-]*$"  # becomes a file name


class Section(BaseModel):
    """A group of keys of the config: no unknown keys, no silent conversion, not changed later."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _read_date(value: object) -> object:
    if isinstance(value, date):
        return value
    if not isinstance(value, str) or len(value) != 10:
        raise ValueError("should be a date written YYYY-MM-DD")
    try:
        return date.fromisoformat(value)
    except ValueError:
        raise ValueError(f"{value} is not a date of the form YYYY-MM-DD") from None


def _read_utc(value: object) -> object:
    if isinstance(value, str) and len(value) > 10:
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            raise ValueError(
                f"{value} is not a time of the form YYYY-MM-DDThh:mm:ss.sssZ"
            ) from None
    if not isinstance(value, datetime):
        raise ValueError("should be a time written YYYY-MM-DDThh:mm:ss.sssZ")
    try:
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    except OverflowError:
        raise ValueError(f"{value} is beyond the years that a time can have in UTC") from None


def _in_years(first: int, last: int, why: str) -> AfterValidator:
    """Return a check of the year, in words that say where its bounds come from."""

    def check(value: Any) -> Any:
        if not first <= value.year <= last:
            raise ValueError(f"should be in the years {first} to {last} ({why}), but is {value}")
        return value

    return AfterValidator(check)


def _check_path(text: str) -> str:
    if not text.isprintable():
        bad = next(c for c in text if not c.isprintable())
        raise ValueError(f"has the control character {bad!r} in it, which no path can hold")
    if len(os.fsencode(text)) > LONGEST_PATH:
        raise ValueError(f"is longer than a path can be ({LONGEST_PATH} bytes)")
    if any(len(os.fsencode(part)) > LONGEST_NAME for part in Path(text).parts):
        raise ValueError(f"has a name longer than a file can have ({LONGEST_NAME} bytes)")
    try:
        Path(text).expanduser()
    except RuntimeError:
        raise ValueError(
            f"begins with {Path(text).parts[0]}, but there is no such user on this computer; write "
            "the folder's whole path"
        ) from None
    return text


Day = Annotated[
    date, BeforeValidator(_read_date), _in_years(1550, 2650, "those of the ephemeris DE440")
]
Instant = Annotated[
    datetime, BeforeValidator(_read_utc), _in_years(1900, 2150, "those of photographs")
]
PathText = Annotated[str, AfterValidator(_check_path)]


class SiteConfig(Section):
    """Where the camera stood (WGS84)."""

    latitude: float = Field(ge=-90, le=90, description="Degrees north; south is negative.")
    longitude: float = Field(ge=-180, le=360, description="Degrees east; west is negative.")
    height: float = Field(
        default=0.0,
        ge=-500,
        le=20000,
        description="Metres above the ellipsoid (a map height will do).",
    )
    name: str = Field(default="", description="For the report.")


class InputConfig(Section):
    """The photographs; opened for reading only."""

    cards: list[PathText] = Field(
        min_length=1,
        description="Folders of photographs, searched with all their subfolders. "
        "Relative paths start at the config file.",
    )
    darks: list[PathText] = Field(
        default=[],
        description="Glob patterns of frames taken with the lens capped ('darks/**/*.dng').",
    )
    flats: list[PathText] = Field(
        default=[],
        description="Glob patterns of frames of an evenly lit field, same optics and focus.",
    )
    biases: list[PathText] = Field(
        default=[], description="Glob patterns of capped frames of the shortest exposure."
    )
    exclude: list[PathText] = Field(default=[], description="Glob patterns of files to leave out.")


class SkyConfig(Section):
    """How Sun and Moon are computed."""

    ephemeris: Literal["de421", "de440"] = Field(
        default="de421",
        description="JPL ephemeris; de440 needs the extra package 'limbward[de440]'.",
    )
    k_penumbra: float = Field(
        default=0.2725076,
        ge=0.27,
        le=0.275,
        description="Moon's radius for C1 and C4, Earth radii.",
    )
    k_umbra: float = Field(
        default=0.2725076,
        ge=0.27,
        le=0.275,
        description="Moon's radius for C2 and C3, Earth radii.",
    )
    solar_radius_km: float = Field(
        default=696000.0, ge=690000, le=700000, description="Radius of the photosphere."
    )
    limb_profile: PathText | None = Field(
        default=None,
        description="CSV of position angle (degrees) and height of the Moon's limb (arcsec), for "
        "C2, C3 and the beads; null is a smooth limb.",
    )
    refraction: bool = Field(
        default=True, description="Whether positions allow for the air flattening the field."
    )
    pressure_hpa: float = Field(
        default=1010.0,
        ge=0,
        le=1100,
        description="Air pressure at the camera, not reduced to sea level.",
    )
    temperature_c: float = Field(default=10.0, ge=-80, le=60, description="Air temperature.")


class TimeReference(Section):
    """A frame whose true time is known, for instance because it shows a clock."""

    file: PathText = Field(min_length=1, description="The frame, as its path ends on the card.")
    utc: Instant = Field(description="UTC at the start of the exposure.")


class TimingConfig(Section):
    """How the camera clocks are put on UTC."""

    utc_offset_hours: float | None = Field(
        default=None,
        ge=-14,
        le=14,
        description="Time zone the camera clocks were set to; null finds it from the photographs.",
    )
    mount: Literal["auto", "equatorial", "altazimuth", "fixed"] = Field(
        default="auto", description="How the camera followed the Sun; auto finds out."
    )
    references: list[TimeReference] = Field(
        default=[], description="Frames whose true time is known."
    )
    sidecars: bool = Field(
        default=False,
        description="Whether corrected times are also written as XMP files to the workspace.",
    )


class AlignConfig(Section):
    """How Sun and Moon are found in the frames."""

    max_sigma_px: float = Field(
        default=1.0,
        gt=0,
        le=50,
        description="Frames with the Sun less certain than this are not merged.",
    )
    up_position_angle: float | None = Field(
        default=None,
        ge=-360,
        le=360,
        description="Position angle of the image's upward direction at greatest eclipse, degrees "
        "from celestial north through east; null measures it.",
    )
    pixel_scale_arcsec: float | None = Field(
        default=None, gt=0.01, le=600, description="Arcseconds a pixel; null measures it."
    )


class MergeConfig(Section):
    """How the frames of totality become one linear picture of the corona."""

    camera: str | None = Field(
        default=None,
        description="Model or serial number of the body whose frames are merged; null takes the "
        "one with the most usable frames of totality.",
    )
    saturation: float = Field(
        default=0.9,
        ge=0.3,
        le=1.0,
        description="Fraction of the white level up to which the sensor is taken as linear.",
    )
    moon_margin_px: float = Field(
        default=2.0,
        ge=0,
        le=100,
        description="Pixels inside this distance of the lunar limb are left out.",
    )
    bloom_px: float = Field(
        default=1.0, ge=0, le=16, description="Pixels this near to a clipped one are left out."
    )
    sky: Literal["plane", "keep"] = Field(
        default="keep",
        description="Brightness of the sky: a plane fitted beside the corona's law is taken off, "
        "and stands in the header to be added again; or it is kept.",
    )
    size: int | None = Field(
        default=None,
        ge=64,
        le=32768,
        description="Side of the square result, pixels; null is the frame's.",
    )


def check_filter(name: str, params: dict[str, Any]) -> None:
    """Raise a validation error if there is no such filter or it does not take ``params``.

    Raises
    ------
    PydanticCustomError
        Of type ``unknown_filter`` or ``filter_params``; the context holds the known names, or the
        errors and the model of the parameters.
    """
    # Filters bring scipy and numba, a second of imports that a config without steps does not need.
    filters = import_module("limbward.filters")
    names = list(filters.names())
    if name not in names:
        raise PydanticCustomError("unknown_filter", "no such filter", {"names": names})
    model = filters.load(name).Params
    try:
        model.model_validate(params)
    except ValidationError as error:
        raise PydanticCustomError(
            "filter_params",
            "{text}",
            {"text": str(error), "errors": error.errors(), "model": model},
        ) from None


class StepConfig(BaseModel):
    """One filter of an enhancement; the other keys are the filter's own parameters."""

    model_config = ConfigDict(extra="allow", strict=True, frozen=True, allow_inf_nan=False)

    filter: str = Field(description="Name of the filter.")

    @property
    def params(self) -> dict[str, Any]:
        """The filter's parameters, as written."""
        return dict(self.model_extra or {})

    @model_validator(mode="after")
    def _known(self) -> Self:
        check_filter(self.filter, self.params)
        return self


class EnhanceConfig(Section):
    """One enhanced version of the corona: filters applied one after the other."""

    name: str = Field(
        pattern=ENHANCEMENT_NAME, max_length=60, description="Name of the result's files."
    )
    steps: list[StepConfig] = Field(min_length=1, description="Filters, in order.")
    colour: Literal["restored", "as_filtered"] = Field(
        default="restored",
        description="Of the TIFF and PNG: 'restored' shows what the filters make of the brightness "
        "in the colours of the merge; 'as_filtered' shows what they give, grey if they filter the "
        "luminance, in colours if 'channels' is 'each'. The FITS holds the numbers either way.",
    )


class ComposeConfig(Section):
    """The finished picture."""

    up: Literal["solar_north", "celestial_north", "zenith", "camera"] = Field(
        default="solar_north", description="What is up in the picture."
    )
    detail: str | None = Field(
        default=None,
        description="Name of the enhancement that gives the detail; null is the first.",
    )
    detail_strength: float = Field(
        default=0.16,
        ge=0,
        le=0.6,
        description="Lightness that full contrast of the detail adds in the middle tones; 0 shows "
        "the tone curve alone.",
    )
    saturation: float = Field(
        default=1.3, ge=0, le=4, description="Of the colours: 0 is grey, 1 as they are."
    )
    white_balance: Literal["solar", "daylight"] = Field(
        default="solar",
        description="'solar' makes the middle corona white, which is scattered sunlight; "
        "'daylight' is the camera's own, and keeps the red of low air.",
    )
    sky: float = Field(
        default=0.05, ge=0, le=0.5, description="Lightness of the darkest sky, 0 black to 1 white."
    )
    highlights: float = Field(
        default=0.95, ge=0.5, le=1, description="Lightness of the brightest corona."
    )
    outer: float = Field(
        default=0.001,
        ge=1e-6,
        le=1,
        description="Part of the brightness range above which tones are logarithmic; smaller lifts "
        "the outer corona.",
    )
    level_sky: bool = Field(
        default=False, description="Takes a slope across the outermost sky off, as near twilight."
    )
    earthshine: float = Field(
        default=1.0, ge=0, le=5, description="Strength of the Moon's surface; 0 is a black disc."
    )
    limb_px: float | None = Field(
        default=None,
        ge=0.2,
        le=20,
        description="Blur of the Moon's edge, pixels (standard deviation); null is that measured "
        "in the frames.",
    )
    crop_radii: float | None = Field(
        default=None,
        ge=1.1,
        le=100,
        description="Solar radii from the Sun's centre to the nearer edges; null keeps all.",
    )
    profile: Literal["srgb", "wide"] = Field(
        default="srgb",
        description="Colour space of the TIFF; 'wide' has the primaries of ITU-R BT.2020.",
    )
    title: str = Field(
        default="", max_length=200, description="For the files' captions; empty is the report's."
    )
    author: str = Field(
        default="", max_length=200, description="For the files' captions; empty is the report's."
    )


Up = Literal["solar_north", "celestial_north", "zenith", "camera"]


class SheetConfig(Section):
    """The sheet of partial phases (`limbward sheet`)."""

    camera: str | None = Field(
        default=None, description="Model or serial number; null takes the one with most crescents."
    )
    count: int = Field(default=10, ge=2, le=200, description="Crescents, totality not counted.")
    steps: Literal["time", "obscuration"] = Field(
        default="time", description="What changes by even steps from crescent to crescent."
    )
    layout: Literal["line", "arc", "grid"] = Field(
        default="arc",
        description="How the crescents stand; on a grid, counts of 8, 14 and 24 have totality in "
        "the very middle.",
    )
    up: Up = Field(default="solar_north", description="What is up in each crescent.")
    cell_px: int = Field(
        default=320, ge=64, le=4000, description="Distance of neighbours; the Sun takes two thirds."
    )
    times: bool = Field(default=True, description="Whether UTC stands below each.")
    totality: bool = Field(
        default=True, description="Whether the composite stands between the two halves."
    )


class StripConfig(Section):
    """The strip of diamond rings and beads around C2 and C3 (`limbward strip`)."""

    camera: str | None = Field(
        default=None, description="Model or serial number; null takes the one with most frames."
    )
    span_s: float = Field(
        default=12.0, gt=0, le=120, description="Frames this near to a contact are shown, seconds."
    )
    count: int = Field(default=6, ge=1, le=60, description="Frames a contact, at most.")
    up: Up = Field(default="solar_north", description="What is up in each frame.")
    cell_px: int = Field(default=420, ge=64, le=4000, description="Side of each frame's square.")


class FilmConfig(Section):
    """The time-lapse (`limbward film`)."""

    camera: str | None = Field(
        default=None, description="Model or serial number; null takes the one with most frames."
    )
    formats: list[Literal["mp4", "webm"]] = Field(
        default=["mp4", "webm"], min_length=1, description="mp4 is H.264, webm is VP9."
    )
    rate: float = Field(default=12.0, ge=1, le=120, description="Pictures a second.")
    hold: int = Field(
        default=1, ge=1, le=240, description="How many pictures of the film a photograph lasts."
    )
    between: int = Field(
        default=0,
        ge=0,
        le=60,
        description="Pictures blended in between two photographs; what they show was never seen.",
    )
    dissolve: int = Field(
        default=6,
        ge=0,
        le=240,
        description="Pictures that lead over between those with and those without a filter; 0 is a "
        "cut.",
    )
    size_px: int = Field(default=1080, ge=64, le=4320, description="Side of the square picture.")
    field_radii: float = Field(
        default=2.4, ge=1.1, le=20, description="Solar radii from the Sun's centre to the sides."
    )
    up: Up = Field(default="solar_north", description="What is up.")
    time: bool = Field(default=False, description="Whether UTC is burnt in.")
    deflicker: bool = Field(
        default=True,
        description="Whether each frame is brought to the usual brightness of the disc, or of the "
        "corona; the darkening towards the limb stays.",
    )
    totality_exposure_s: float | None = Field(
        default=None,
        gt=0,
        le=3600,
        description="Without the filter, frames of about this exposure are shown; null takes "
        "one of the shorter of those used in totality.",
    )


class ProminencesConfig(Section):
    """Prominence crops (`limbward prominences`)."""

    count: int = Field(default=8, ge=1, le=50, description="Prominences, the highest first.")
    margin_arcsec: float = Field(
        default=30.0, ge=0, le=600, description="Room around each in its crop."
    )


class ClipsConfig(Section):
    """Films taken by other devices (`limbward clips`)."""

    files: list[PathText] = Field(
        default=[],
        description="Glob patterns of clips ('phone/*.mp4'); empty takes those on the cards.",
    )
    samples: int = Field(
        default=120, ge=8, le=2000, description="Pictures of each clip that are measured."
    )
    clock_offset_hours: float | None = Field(
        default=None,
        ge=-14,
        le=14,
        description="Time zone of the clips' creation times; null takes them as UTC, as the file "
        "formats say, and finds another zone from the pictures.",
    )


class ReportConfig(Section):
    """The report."""

    title: str = Field(
        default="", max_length=200, description="Heading; empty is made from the date."
    )
    author: str = Field(default="", max_length=200, description="Name under the heading.")


class RunConfig(Section):
    """How the work is done; nothing here changes a result."""

    jobs: int | None = Field(
        default=None, ge=1, le=256, description="Processes at work at once; null is one a core."
    )
    executor: Literal["local", "dask"] = Field(
        default="local",
        description="Where frames are measured and decoded: processes of this machine, or the "
        "workers of a Dask cluster that see the same files under the same paths.",
    )
    scheduler: str | None = Field(
        default=None, description="Address of the Dask scheduler, such as tcp://10.0.0.5:8786."
    )

    @model_validator(mode="after")
    def _scheduler_fits(self) -> Self:
        if self.executor == "dask" and not self.scheduler:
            raise PydanticCustomError("scheduler", "executor dask needs the scheduler's address")
        return self


def _default_enhance() -> list[EnhanceConfig]:
    # Not validated, so that a config without 'enhance' does not load the filters.
    step = StepConfig.model_construct(filter="nrgf")
    return [EnhanceConfig.model_construct(name="nrgf", steps=[step])]


class Config(Section):
    """Everything a run is told."""

    site: SiteConfig = Field(description=str(SiteConfig.__doc__))
    eclipse: Day = Field(description="Date of the eclipse, YYYY-MM-DD, UTC or local.")
    input: InputConfig = Field(description=str(InputConfig.__doc__))
    workspace: PathText = Field(
        default="workspace",
        min_length=1,
        description="Folder for everything that is made, relative to the config file.",
    )
    sky: SkyConfig = Field(default=SkyConfig(), description=str(SkyConfig.__doc__))
    timing: TimingConfig = Field(default=TimingConfig(), description=str(TimingConfig.__doc__))
    align: AlignConfig = Field(default=AlignConfig(), description=str(AlignConfig.__doc__))
    merge: MergeConfig = Field(default=MergeConfig(), description=str(MergeConfig.__doc__))
    enhance: list[EnhanceConfig] = Field(
        default_factory=_default_enhance,
        description="Enhanced versions of the corona; one by the filter nrgf if not given.",
    )
    compose: ComposeConfig = Field(default=ComposeConfig(), description=str(ComposeConfig.__doc__))
    sheet: SheetConfig = Field(default=SheetConfig(), description=str(SheetConfig.__doc__))
    strip: StripConfig = Field(default=StripConfig(), description=str(StripConfig.__doc__))
    film: FilmConfig = Field(default=FilmConfig(), description=str(FilmConfig.__doc__))
    prominences: ProminencesConfig = Field(
        default=ProminencesConfig(), description=str(ProminencesConfig.__doc__)
    )
    clips: ClipsConfig = Field(default=ClipsConfig(), description=str(ClipsConfig.__doc__))
    report: ReportConfig = Field(default=ReportConfig(), description=str(ReportConfig.__doc__))
    run: RunConfig = Field(default=RunConfig(), description=str(RunConfig.__doc__))

    _base_dir: Path = PrivateAttr(default=Path())
    _places: dict[Location, str] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _enhancements_fit(self) -> Self:
        problems: list[tuple[Location, str]] = []
        names = [e.name for e in self.enhance]
        # Some file systems do not tell a.fits from A.fits.
        counts = Counter(name.lower() for name in names)
        for i, name in enumerate(names):
            if counts[name.lower()] > 1:
                problems.append(
                    (("enhance", i, "name"), f"{name!r} is the name of another one too")
                )
        detail = self.compose.detail
        if detail is not None and detail not in names:
            problems.append(
                (("compose", "detail"), f"no enhancement is called {detail!r}; there are {names}")
            )
        if problems:
            # The context says which keys are to blame; a validator of a whole model cannot else.
            text = "; ".join(sentence for _, sentence in problems)
            raise PydanticCustomError("located", "{text}", {"text": text, "problems": problems})
        return self

    @property
    def base_dir(self) -> Path:
        """Folder of the config file; relative paths in the config start here."""
        return self._base_dir

    def resolve(self, path: str) -> Path:
        """Return a path or glob pattern of the config as seen from the working directory."""
        return self._base_dir / Path(path).expanduser()

    def where(self, *location: str | int) -> str:
        """Return ``file:line: key.path`` of a key, to begin a message about it with.

        Examples
        --------
        >>> from limbward.config import Config
        >>> config = Config.model_validate(
        ...     {
        ...         "site": {"latitude": 0.0, "longitude": 0.0},
        ...         "eclipse": "2026-08-12",
        ...         "input": {"cards": ["card"]},
        ...     }
        ... )
        >>> config.where("input", "cards", 0)
        'input.cards[0]'
        """
        shown = key_path(location)
        for end in range(len(location), -1, -1):  # a default has its section's line
            if location[:end] in self._places:
                return f"{self._places[location[:end]]}: {shown}"
        return shown


def bind(config: Config, base_dir: Path, places: dict[Location, str]) -> Config:
    """Return the config with its folder and the ``file:line`` of its keys."""
    bound = config.model_copy()
    bound._base_dir = base_dir
    bound._places = places
    return bound


def with_jobs(config: Config, jobs: int | None) -> Config:
    """Return the config with another number of processes, if one is given."""
    if jobs is None:
        return config
    return config.model_copy(update={"run": config.run.model_copy(update={"jobs": jobs})})
