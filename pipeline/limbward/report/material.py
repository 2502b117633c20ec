"""What a report is made from: plain values that stages, or a notebook, fill in."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.report.limbs import LimbView

Floats = NDArray[np.float64]
NAN = math.nan

PHASES = ("partial", "contact", "totality", "dark", "flat", "bias", "other", "unreadable")


@dataclass(frozen=True)
class Frame:
    """One file of the card. NaN, None or an empty text where something is not known.

    Attributes
    ----------
    file : str
    phase : str
        One of `PHASES`.
    camera : str
        Model and serial number.
    time : datetime or None
        UTC of the start of the exposure, without a zone.
    sun_x, sun_y, moon_x, moon_y : float
        Centres, pixels.
    sun_radius, moon_radius, limb_sigma : float
        Pixels.
    clock_residual_s : float
        How late the clock read, seconds, after the camera's clock solution was taken off.
    relative_exposure : float
        Light that the frame got, over what its exposure, ISO and f-number tell.
    number : int or None
        The camera's own count of its pictures, from 1 to 9999.
    roll : str
        Frames with the same one share that count.
    preview : Path or None
        A small JPEG.
    """

    file: str
    phase: str
    camera: str = ""
    size: int = 0
    exposure_s: float = NAN
    iso: float = NAN
    time: datetime | None = None
    sun_x: float = NAN
    sun_y: float = NAN
    sun_radius: float = NAN
    moon_x: float = NAN
    moon_y: float = NAN
    moon_radius: float = NAN
    limb_sigma: float = NAN
    width: float = NAN
    height: float = NAN
    clock_residual_s: float = NAN
    relative_exposure: float = NAN
    used: bool = False
    note: str = ""
    number: int | None = None
    roll: str = ""
    preview: Path | None = None

    @property
    def name(self) -> str:
        """The file's name without its folders."""
        return self.file.rsplit("/", 1)[-1]


Numbered = Mapping[int, Frame]  # some of the frames, by their place among all


@dataclass(frozen=True)
class ClockAudit:
    """What one camera's clock did: the entry of clock.json and words for it.

    Attributes
    ----------
    name : str
        Model and serial number.
    error, zone, drift : str
        Such as ``58.3 ± 0.1 s slow``, ``UTC+3 h`` and ``gaining 2.4 ± 0.3 s/h``; the drift is
        empty if it was not measured.
    entry : mapping
        The camera's part of clock.json.
    """

    name: str
    error: str
    zone: str
    drift: str
    entry: Mapping[str, Any]


@dataclass(frozen=True)
class Corona:
    """The green plane of the merge.

    Attributes
    ----------
    radiance, sigma : ndarray, shape (H, W)
        NaN where nothing was merged.
    count : ndarray, shape (H, W)
        Frames used.
    sun_x, sun_y, sun_radius : float
        The Sun's disc, pixels.
    moon_x, moon_y, moon_radius : float
        The Moon's at greatest eclipse, pixels.
    frames : int
        How many were merged.
    exposure_s : float
        Their exposures together.
    noise : mapping of ISO to (gain, read noise)
        ADU an electron, and ADU.
    history : sequence of str
        How it was made.
    north_known : bool
        Whether the camera's orientation is known.
    sun_sigma_arcsec : float
        Standard error of the Sun's centre in it.
    linear : bool
        Whether it was merged from linear frames; else its brightness is no measurement.
    """

    radiance: NDArray[np.float32]
    sigma: NDArray[np.float32]
    count: NDArray[Any]
    sun_x: float
    sun_y: float
    sun_radius: float
    moon_x: float
    moon_y: float
    moon_radius: float
    frames: int
    exposure_s: float
    noise: Mapping[float, tuple[float, float]]
    history: Sequence[str] = ()
    north_known: bool = True
    sun_sigma_arcsec: float = 0.0
    linear: bool = True


@dataclass(frozen=True)
class Instrument:
    """A camera among several, and what it gave to the merge.

    Attributes
    ----------
    name : str
    merged : bool
    note : str
        Why it was not.
    frames : int
    exposure_s, pixel_scale_arcsec, up_position_angle : float
    field_deg : (float, float)
        Width and height of its field.
    gain : sequence of float
        By which its red, green and blue were multiplied.
    distortion : float
        Of the lens at the corner, relative; 0 where none shows.
    edges : ndarray, shape (rings + 1,)
        Solar radii.
    share, covered : ndarray, shape (rings,)
        Its part of the light, and the part of the ring that it has seen.
    """

    name: str
    merged: bool
    note: str
    frames: int
    exposure_s: float
    pixel_scale_arcsec: float
    up_position_angle: float
    field_deg: tuple[float, float]
    gain: Sequence[float]
    distortion: float
    edges: Floats
    share: Floats
    covered: Floats

    @property
    def reaches(self) -> float:
        """Solar radii where its field ends."""
        seen = np.flatnonzero(self.covered > 0)
        return float(self.edges[seen[-1] + 1]) if seen.size else 0.0

    def share_within(self, low: float, high: float) -> float:
        """Return its mean share between two distances, 0 where there is no ring."""
        middles = 0.5 * (self.edges[1:] + self.edges[:-1])
        here = (middles >= low) & (middles < high)
        return float(self.share[here].mean()) if here.any() else 0.0


@dataclass(frozen=True)
class StarsSeen:
    """The search for stars in the frames of a camera.

    Attributes
    ----------
    name : str
        Of the camera.
    entry : mapping
        Its part of stars.json.
    rows : sequence of mapping
        Its rows of tables/stars.ecsv.
    pointing : mapping
        Its part of pointing.json; empty if there is none.
    """

    name: str
    entry: Mapping[str, Any]
    rows: Sequence[Mapping[str, Any]]
    pointing: Mapping[str, Any]


@dataclass(frozen=True)
class SunStack:
    """The Sun's disc at greatest eclipse, stacked where it was not total.

    Attributes
    ----------
    frames : int
    exposure_s : float
        Their exposures together.
    ring : bool
        Whether it is a ring; else a crescent.
    blur_arcsec : float or None
        Of the Sun's limb, standard deviation.
    reference : str
        File whose Moon is shown.
    departure : float or None
        Root mean square departure of the disc from the published limb darkening, relative.
    compared : tuple of float
        Between which distances from the Sun's centre, solar radii.
    neutral : bool
        Whether the colour of the Sun's centre is known.
    history : sequence of str
        How it was made.
    """

    frames: int
    exposure_s: float
    ring: bool
    blur_arcsec: float | None
    reference: str
    departure: float | None
    compared: tuple[float, float]
    neutral: bool
    history: Sequence[str] = ()


@dataclass(frozen=True)
class Enhanced:
    """A filtered version of the corona: its name, its picture and what was done."""

    name: str
    picture: Path
    done: Sequence[str] = ()


@dataclass(frozen=True)
class Product:
    """Another picture that was made, with what is to be said of it.

    Attributes
    ----------
    title, caption, alt : str
    picture : Path or None
        None for what is no picture, such as a film.
    numbers : mapping
        What was measured in it: name to value, as text.
    warnings, files : sequence of str
        The files are named by their paths in the workspace.
    """

    title: str
    picture: Path | None
    caption: str = ""
    alt: str = ""
    numbers: Mapping[str, str] = field(default_factory=dict)
    warnings: Sequence[str] = ()
    files: Sequence[str] = ()


@dataclass(frozen=True)
class Reach:
    """Where exposures of one length are good, in solar radii from the Sun's centre.

    Attributes
    ----------
    exposure_s, iso : float
        An ISO of 0 is one that is not known.
    frames : int
        How many there are of this length.
    good : ndarray of bool
        Whether the ring between two of the coverage's edges is well exposed.
    """

    exposure_s: float
    iso: float
    frames: int
    good: NDArray[np.bool_]


@dataclass(frozen=True)
class Coverage:
    """Which exposures are good where; ``edges`` bound the rings, solar radii."""

    edges: Floats
    reaches: Sequence[Reach]


@dataclass(frozen=True)
class ContactLimb:
    """The limbs of Moon and Sun where they touch at second or third contact.

    Attributes
    ----------
    name : str
        C2 or C3.
    position_angle : ndarray, shape (P,)
        Degrees about the Moon's centre, ascending; beyond 0 and 360 where north lies among them.
    moon_arcsec : ndarray, shape (P,)
        Height of the Moon's limb above its mean.
    sun_arcsec : mapping of str to ndarray, shape (P,)
        Height of the Sun's limb above the Moon's mean one at some instants, by their names.
    """

    name: str
    position_angle: Floats
    moon_arcsec: Floats
    sun_arcsec: Mapping[str, Floats]


@dataclass(frozen=True)
class MoonLimb:
    """The Moon's limb at the contacts, and the beads that it made.

    Attributes
    ----------
    by : str
        What it is known by, as in `limbward.sky.best_limb`.
    contacts : sequence of ContactLimb
    beads : sequence of mapping
        Those that it makes, as in contacts.json; with ``seen``, the frames that show each one, as
        in sequences/strip.json.
    found : sequence of mapping
        Those of all frames: ``file``, ``contact``, ``seconds_from_contact``, ``position_angle``.
    measured : bool
        Whether beads were looked for in frames.
    """

    by: str
    contacts: Sequence[ContactLimb]
    beads: Sequence[Mapping[str, Any]]
    found: Sequence[Mapping[str, Any]] = ()
    measured: bool = False


@dataclass(frozen=True)
class Material:
    """Everything a report tells; what is not there is None or empty.

    Attributes
    ----------
    title, author, heading : str
        The heading is the eclipse in a sentence.
    contacts : mapping
        As contacts.json.
    pointings : sequence of mapping
        The cameras of pointing.json.
    noise : sequence of mapping
        The camera's noise models, one an ISO, as in noise.json.
    sky : sequence of float or None
        Sky that was taken off the merge, ADU/s in R, G, B at the Sun; None if it was left in.
    cloud, ghost : mapping or None
        What was seen of cloud and of a reflection inside the lens, as in noise.json.
    composite : Path or None
    composite_caption : str
    variants : sequence of Product
        The finished picture in other forms.
    tone : mapping
        Its tone curve, as in tone.json.
    products : sequence of Product
        Sheets, strips and crops.
    moon_limb : MoonLimb or None
    instruments : sequence of Instrument
        The cameras, if several were merged.
    stars : sequence of StarsSeen
        A camera each, if stars were looked for.
    """

    title: str
    heading: str
    contacts: Mapping[str, Any]
    frames: Sequence[Frame]
    author: str = ""
    version: str = ""
    clocks: Sequence[ClockAudit] = ()
    pointings: Sequence[Mapping[str, Any]] = ()
    corona: Corona | None = None
    sun: SunStack | None = None
    coverage: Coverage | None = None
    noise: Sequence[Mapping[str, Any]] = ()
    sky: Sequence[float] | None = None
    cloud: Mapping[str, Any] | None = None
    ghost: Mapping[str, Any] | None = None
    composite: Path | None = None
    composite_caption: str = ""
    variants: Sequence[Product] = ()
    tone: Mapping[str, Any] = field(default_factory=dict)
    products: Sequence[Product] = ()
    enhanced: Sequence[Enhanced] = field(default=())
    limbs: Sequence[LimbView] = field(default=())
    moon_limb: MoonLimb | None = None
    instruments: Sequence[Instrument] = ()
    stars: Sequence[StarsSeen] = ()

    @property
    def filtered_only(self) -> bool:
        """Whether the eclipse was not total here, and no corona was merged all the same."""
        return self.corona is None and self.contacts.get("kind") in ("annular", "partial")
