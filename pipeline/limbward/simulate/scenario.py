"""A whole session described: who stood where with which cameras, and what they set out to take.

Every field has a default, so that a variation is a `dataclasses.replace` away. The makers below
build the sessions that the examples and tests use. All names are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

from limbward.simulate.cloud import Cloud
from limbward.simulate.instrument import Instrument
from limbward.simulate.mount import Mount
from limbward.simulate.optics import Optics
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.real_limb import MEASURED_SUN_KM


@dataclass(frozen=True)
class Clock:
    """A camera's clock: it reads UTC + zone + offset + drift x (hours since greatest eclipse).

    ``steps`` are (seconds from greatest eclipse, seconds): from then on the clock reads so much
    more, as after someone set it.
    """

    utc_offset_hours: float = 0.0
    offset_s: float = 0.0
    drift_s_per_hour: float = 0.0
    steps: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Tags:
    """Which of the optional tags the camera writes.

    Attributes
    ----------
    subsec_digits : int
        Of SubSecTimeOriginal; 0 leaves it out.
    offset_hours : float or None
        OffsetTimeOriginal, whether or not the clock agrees with it; None leaves it out.
    gps : bool
    focal_length_mm : float or None
        What the camera believes; None is the truth.
    orientation : int
        Exif code; the raw pixels do not turn.
    """

    subsec_digits: int = 0
    offset_hours: float | None = None
    gps: bool = False
    focal_length_mm: float | None = None
    orientation: int = 1


@dataclass(frozen=True)
class Plan:
    """What a camera takes.

    Attributes
    ----------
    iso : int
    bracket_isos : tuple of int
        Of the frames of a bracket, in turn; empty is ``iso`` for all.
    partial_frames : int
        Through the filter, spread over the partial phases, half before and half after totality
        unless ``partial_sides`` says otherwise.
    partial_exposure_s : float
    filter_density : float
        Of the solar filter, decades.
    contact_frames : int
        Without the filter, around each of C2 and C3.
    contact_exposures_s : tuple of float
        Taken in turn.
    bracket_s : tuple of float
        Exposures of one bracket.
    brackets : int
        Spread over totality; fewer if they do not fit.
    ring_frames : int
        Through the filter where the eclipse is not total: over the ring phase, or over the two
        minutes around greatest eclipse where there is none.
    ring_exposures_s : tuple of float
        Theirs, taken in turn.
    totality_part : tuple of float
        The part of totality, from 0 to 1, that the brackets cover.
    gap_s : float
        Between frames of a bracket.
    contact_sides, partial_sides : str
        ``"both"``, ``"C2"`` or ``"C3"``: on which side of totality such frames are taken.
    darks, flats : int
        Darks match the longest bracket exposure.
    jpegs : int
        How many totality frames have a JPEG beside them.
    truncated : int
        How many extra RAW files are cut short.
    """

    iso: int = 100
    bracket_isos: tuple[int, ...] = ()
    partial_frames: int = 24
    partial_exposure_s: float = 1 / 500
    filter_density: float = 5.0
    contact_frames: int = 4
    contact_exposures_s: tuple[float, ...] = (1 / 1000, 1 / 125)
    bracket_s: tuple[float, ...] = (1 / 2000, 1 / 500, 1 / 125, 1 / 30, 1 / 8, 1 / 2, 2.0)
    brackets: int = 5
    ring_frames: int = 0
    ring_exposures_s: tuple[float, ...] = (1 / 1000, 1 / 500, 1 / 250)
    totality_part: tuple[float, float] = (0.0, 1.0)
    gap_s: float = 0.35
    contact_sides: str = "both"
    partial_sides: str = "both"
    darks: int = 3
    flats: int = 3
    jpegs: int = 2
    truncated: int = 1


@dataclass(frozen=True)
class Camera:
    """A body with its optics, mount, clock and plan.

    ``psf_sigma_px`` is the blur of the optics in focus, ``optics`` holds their faults. ``prefix``
    and ``first_number`` name its files; ``card`` is its card's folder beside the others when there
    are several, below which lies DCIM.
    """

    instrument: Instrument = field(default_factory=Instrument)
    focal_length_mm: float = 800.0
    f_number: float = 8.0
    psf_sigma_px: float = 0.8
    optics: Optics = field(default_factory=Optics)
    mount: Mount = field(default_factory=Mount)
    clock: Clock = field(default_factory=Clock)
    tags: Tags = field(default_factory=Tags)
    plan: Plan = field(default_factory=Plan)
    prefix: str = "AURL"
    folder_name: str = "AURLA"
    first_folder: int = 100
    first_number: int = 9985
    card: str = ""

    @property
    def pixel_scale_arcsec(self) -> float:
        """Arcsec a pixel at the centre of the field."""
        return 206.264806 * self.instrument.pixel_pitch_um / self.focal_length_mm


@dataclass(frozen=True)
class Weather:
    """The air.

    Attributes
    ----------
    cloud_absorption : float
        Largest fraction that passing clouds take, the same over the field; 0 is clear.
    cloud_period_s : float
        How fast they change.
    cloud : Cloud
        Patches that drift through the field.
    sky_brightness : float
        In totality, units of the mean solar disc.
    sky_gradient : float
        Relative change from the frame's centre to a degree nearer the horizon.
    aureole : float
        Part of all light that dust, haze and thin cirrus spread into wide wings.
    aureole_arcsec : tuple of float
        Where the wings begin and end.
    seeing_arcsec : tuple of float
        Least and largest full width at half maximum of what the air adds to a frame's blur.
    """

    cloud_absorption: float = 0.0
    cloud_period_s: float = 25.0
    cloud: Cloud = field(default_factory=Cloud)
    sky_brightness: float = 7.0e-10
    sky_gradient: float = 0.2
    aureole: float = 0.0
    aureole_arcsec: tuple[float, float] = (20.0, 1200.0)
    seeing_arcsec: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Scenario:
    """A session.

    Attributes
    ----------
    site : Site
    date : str
        Of the eclipse, YYYY-MM-DD.
    cameras : tuple of Camera
    weather : Weather
    radii : Radii or None
        None is the tables' Moon, with the Sun that is measured at eclipses where the Moon's limb is
        the real one, and with the tables' Sun elsewhere.
    ephemeris : str
    refraction : bool
    limb : str or LimbProfile
        Of the Moon: ``"real"``, by its relief, where that is known (1900 to 2050); ``"invented"``,
        of roughness ``limb_rms_arcsec``; ``"smooth"``; or one of your own.
    limb_rms_arcsec : float
        Roughness of an invented limb.
    shutter_error : float
        Standard deviation of the true exposure about the shutter's, relative.
    binary_shutter : bool
        True if 1/500 s is really 1/512 s and so on, as in cameras whose steps are powers of two.
    name : str
    conditions : str
        What `limbward.simulate.conditions` made of it.
    """

    site: Site
    date: str
    cameras: tuple[Camera, ...]
    weather: Weather = field(default_factory=Weather)
    radii: Radii | None = None
    ephemeris: str = "de421"
    refraction: bool = True
    limb: Literal["real", "invented", "smooth"] | LimbProfile = "real"
    limb_rms_arcsec: float = 0.8
    shutter_error: float = 0.003
    binary_shutter: bool = True
    name: str = ""
    conditions: str = "calm"

    @property
    def sizes(self) -> Radii:
        """Sun and Moon."""
        if self.radii is not None:
            return self.radii
        return Radii(solar_radius_km=MEASURED_SUN_KM) if self.limb == "real" else Radii()


DEMO_SITE = Site(latitude=65.0, longitude=-23.4, height=40.0, name="Lava field camp")
# East of the path: 97 % of the diameter is covered, and there is no totality.
OUTSIDE_SITE = Site(latitude=64.6, longitude=-17.0, height=300.0, name="Glacier hut")
# Near the middle of the path of 2023 October 14: 4 min 43 s of a ring, the Sun 31 degrees high.
RING_SITE = Site(latitude=37.2, longitude=-109.7, height=1600.0, name="Red mesa camp")


def demo_scenario(megapixels: float = 4.0) -> Scenario:
    """Return the total eclipse of 2026 August 12 through a tracked 800 mm telescope.

    The camera's clock was left on a zone three hours east, is 58.3 s slow and gains 2.4 s an hour.

    Parameters
    ----------
    megapixels : float
    """
    camera = Camera(
        instrument=Instrument(megapixels=megapixels),
        mount=Mount(
            kind="equatorial",
            up_position_angle=17.3,
            drift_arcsec_per_min=(1.1, -0.6),
            jitter_arcsec=1.5,
            centre_offset=(0.03, -0.02),
        ),
        clock=Clock(utc_offset_hours=3.0, offset_s=-58.3, drift_s_per_hour=2.4),
    )
    return Scenario(site=DEMO_SITE, date="2026-08-12", cameras=(camera,), name="Demo 2026")


def tripod_scenario(megapixels: float = 4.0) -> Scenario:
    """Return the same eclipse from a fixed tripod at 400 mm, re-framed every two minutes."""
    demo = demo_scenario(megapixels)
    camera = replace(
        demo.cameras[0],
        focal_length_mm=400.0,
        mount=Mount(kind="fixed", up_position_angle=24.3, jitter_arcsec=2.0, reframe_s=120.0),
        plan=Plan(bracket_s=(1 / 2000, 1 / 500, 1 / 125, 1 / 30, 1 / 8, 1 / 2)),
    )
    return replace(demo, cameras=(camera,), name="Tripod 2026")


def altazimuth_scenario(megapixels: float = 4.0) -> Scenario:
    """Return the same eclipse on an alt-azimuth mount: the field turns by 8 degrees an hour."""
    demo = demo_scenario(megapixels)
    mount = Mount(
        kind="altazimuth",
        up_position_angle=24.3,
        drift_arcsec_per_min=(0.8, 0.5),
        jitter_arcsec=2.0,
    )
    return replace(demo, cameras=(replace(demo.cameras[0], mount=mount),), name="Alt-az 2026")


def two_camera_scenario(megapixels: float = 4.0) -> Scenario:
    """Return the same eclipse with two bodies, whose clocks are wrong in different ways."""
    demo = demo_scenario(megapixels)
    first = replace(demo.cameras[0], card="telescope")
    second = replace(
        first,
        instrument=Instrument(
            make="Borealis",
            model="B-20",
            serial="0091733",
            megapixels=megapixels,
            sensor_mm=(24.0, 16.0),
            cfa="GRBG",
            black=(256.0, 255.0, 257.0, 256.0),
            white=16000,
            margins=(8, 16, 4, 8),
        ),
        focal_length_mm=420.0,
        mount=Mount(
            kind="equatorial",
            up_position_angle=-63.0,
            drift_arcsec_per_min=(-0.7, 0.4),
            jitter_arcsec=2.5,
        ),
        clock=Clock(utc_offset_hours=0.0, offset_s=21.7, drift_s_per_hour=-1.1),
        tags=Tags(subsec_digits=2, offset_hours=0.0),
        prefix="TSTB",
        folder_name="BOREA",
        first_number=120,
        card="lens",
    )
    return replace(demo, cameras=(first, second), name="Two cameras 2026")


def partial_scenario(megapixels: float = 4.0) -> Scenario:
    """Return the same day from outside the path: partial phases through the filter only."""
    demo = demo_scenario(megapixels)
    return replace(demo, site=OUTSIDE_SITE, name="Partial 2026")


def annular_scenario(megapixels: float = 4.0) -> Scenario:
    """Return the annular eclipse of 2023 October 14, filtered from first to last contact."""
    demo = demo_scenario(megapixels)
    camera = demo.cameras[0]
    plan = replace(camera.plan, ring_frames=24, partial_frames=30)
    clock = Clock(utc_offset_hours=-6.0, offset_s=41.6, drift_s_per_hour=-1.3)
    return replace(
        demo,
        site=RING_SITE,
        date="2023-10-14",
        cameras=(replace(camera, plan=plan, clock=clock),),
        name="Annular 2023",
    )


def adapt(
    scenario: Scenario,
    index: int = 0,
    *,
    camera: dict[str, Any] | None = None,
    **parts: dict[str, Any],
) -> Scenario:
    """Return a scenario with some fields of one camera changed.

    Parameters
    ----------
    scenario : Scenario
    index : int
        Of the camera.
    camera : dict
        Fields of `Camera` itself.
    **parts : dict
        Fields of its ``instrument``, ``optics``, ``mount``, ``clock``, ``tags`` or ``plan``.

    Examples
    --------
    >>> slow = adapt(demo_scenario(), clock={"offset_s": -5.0}, mount={"mirrored": True})
    >>> slow.cameras[0].clock.offset_s
    -5.0
    """
    changed = replace(scenario.cameras[index], **(camera or {}))
    for name, fields in parts.items():
        changed = replace(changed, **{name: replace(getattr(changed, name), **fields)})
    cameras = (*scenario.cameras[:index], changed, *scenario.cameras[index + 1 :])
    return replace(scenario, cameras=cameras)


def shorten(scenario: Scenario, *, partial_frames: int = 8, brackets: int = 2) -> Scenario:
    """Return a scenario with fewer frames, for tests that have little time.

    Parameters
    ----------
    scenario : Scenario
    partial_frames, brackets : int
        As in `Plan`. Contacts keep two frames each, darks and flats one.
    """
    for index in range(len(scenario.cameras)):
        scenario = adapt(
            scenario,
            index,
            plan={
                "partial_frames": partial_frames,
                "brackets": brackets,
                "contact_frames": 2,
                "darks": 1,
                "flats": 1,
                "jpegs": 1,
            },
        )
    return scenario
