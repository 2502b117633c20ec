"""The table of cases: what each differs in from the calm one."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass, replace

DATES = ("2024-04-08", "2026-08-12", "2027-08-02", "2028-07-22")
BRACKET = (1 / 1000, 1 / 500, 1 / 250, 1 / 125, 1 / 60, 1 / 30, 1 / 15, 1 / 8, 1 / 4, 1 / 2, 1.0)


@dataclass(frozen=True)
class Case:
    """One session; the defaults are a calm one."""

    # place
    altitudes: tuple[float, float] = (25.0, 65.0)
    heights: tuple[float, float] = (0.0, 800.0)
    dates: tuple[str, ...] = DATES
    site_error_km: float = 0.0  # the config's site lies this far from the true one
    site_error_way: str | None = None  # north, south, east; None draws one
    sun_arcsec: float = 959.63
    # mount and lens
    mount: str = "equatorial"
    polar_error_arcmin: float = 8.0
    periodic_arcsec: float = 6.0
    level_deg: float = 1.0
    wander: float = 0.0  # of the diagonal, along which the Sun crosses the frames of a fixed camera
    jitter_px: float = 0.3
    recentrings: int = 0
    focal_mm: float = 800.0
    sensor_mm: float = 36.0
    mirrored: bool = False
    distortion: float = 0.0
    axis_off_px: float = 0.0
    seeing: tuple[float, float] = (1.0, 2.5)
    focus_drift_px: float = 0.0
    aureole: float = 0.001
    aureole_core: float = 12.0
    aureole_reach: float = 120.0
    glare: float = 0.0002
    ghost: float = 0.0
    vignetting: float = 0.1
    lateral: float = 0.0
    # sky
    sky: float = 1.0e-9
    sky_slope: float = 0.1
    cloud: float = 0.0
    cloud_cover: float = 0.4
    stars: tuple[float, float] | None = None  # magnitudes between which there are some
    most_stars: int = 1000  # the brightest in the first body's field
    relief: float = 0.0  # of an invented limb, arcsec
    limb: str = "invented"  # or "real", with the files of tests.real_files.fetch
    spots: int = 0
    line: bool = False  # seen in hydrogen-alpha alone, through one filter from first to last
    excess: float = 0.0  # of the Sun's radius there
    # camera
    kind: str = "dng"  # dng, tiff16, tiff-gamma, tiff8, jpeg, fits, fits-mono, fits-bayer
    border: tuple[int, int] = (0, 0)
    black: tuple[int, int, int, int] = (512, 512, 512, 512)
    clip: float = 1.0
    full_well: float = 45000.0  # electrons
    bend: float | None = None
    banding: float = 0.0
    hot: float = 2e-5
    shutter_error: float = 0.0
    wrong_focal: float | None = None  # what the tag says, mm
    serial: bool = True
    bodies: int = 1
    binned: int = 1  # pixels across that are read as one
    # Settings of the second body, the third and so on, where they differ from the first's, such as
    # {"focal_mm": 400.0, "distortion": 0.004, "roll_deg": 70.0, "mirrored": True, "binned": 2}.
    # Without any, the second has 0.6 of the focal length.
    others: tuple[dict, ...] = ()
    roll_deg: float | None = None  # of the camera about its axis
    # clock
    decimals: int = 0
    offset_s: float = 40.0
    drift: float = 1.0
    steps: int = 0
    zone_error_hours: float = 0.0
    half_day: bool = False
    years: int = 0
    midnight: bool = False
    stuck: bool = False
    claims: str | None = None  # "right", "wrong" or no OffsetTimeOriginal
    # plan
    partial_minutes: float = 7.0
    partials: str = "both"  # both, before, after, none
    off_early_s: float = 4.0
    filter_on_half: bool = False
    bracket: tuple[float, ...] = BRACKET
    isos: tuple[int, ...] = (100,)
    shuffle: bool = False
    totality_frames: int | None = None
    bursts: bool = True
    pause: float = 0.6  # s between brackets
    trailed: float = 0.0
    blurred: float = 0.0
    darks: int = 1
    flats: int = 3
    wide: int = 0


CALM = Case()
USUAL = replace(
    CALM, altitudes=(15.0, 70.0), heights=(0.0, 1500.0), relief=0.45, aureole=0.01,
    aureole_reach=160.0, glare=0.001, ghost=2e-4, vignetting=0.2, lateral=5e-5, sky_slope=0.3,
    seeing=(1.5, 3.0), polar_error_arcmin=20.0, periodic_arcsec=12.0, jitter_px=1.0, spots=4,
    cloud=0.05, clip=0.97, banding=0.6, hot=1e-4, shutter_error=0.02, focus_drift_px=0.4,
    sun_arcsec=959.95, trailed=0.04, wide=2, recentrings=1, off_early_s=8.0,
    black=(511, 512, 513, 512), offset_s=93.0, drift=2.5, claims="wrong",
)  # fmt: skip
HARD = replace(
    USUAL, altitudes=(5.0, 85.0), heights=(0.0, 3500.0), relief=0.8, aureole=0.04,
    aureole_reach=280.0, aureole_core=20.0, glare=0.003, ghost=8e-4, vignetting=0.35,
    lateral=2e-4, sky=4e-9, sky_slope=0.6, seeing=(2.0, 4.0), polar_error_arcmin=60.0,
    periodic_arcsec=25.0, jitter_px=3.0, cloud=0.5, clip=0.93, bend=0.8, banding=2.0, hot=5e-4,
    shutter_error=0.05, focus_drift_px=1.2, distortion=4e-4, axis_off_px=20.0, trailed=0.12,
    blurred=0.06, wide=4, recentrings=3, off_early_s=15.0, black=(498, 512, 527, 509),
    border=(8, 16), isos=(100, 400), shuffle=True, wrong_focal=50.0, steps=1, drift=12.0,
    offset_s=-431.0, zone_error_hours=1.0, darks=0, flats=0, filter_on_half=False,
    bracket=(1 / 4000, 1 / 1000, 1 / 320, 1 / 80, 1 / 20, 1 / 5, 0.8, 3.2),
)  # fmt: skip

CASES: dict[str, Case] = {
    "calm": CALM,
    "usual": USUAL,
    "hard": HARD,
    "aureole": replace(CALM, aureole=0.05, aureole_core=20.0, aureole_reach=300.0, glare=0.003),
    "mountain": replace(CALM, altitudes=(8.0, 15.0), heights=(2200.0, 3500.0)),
    "low-sun": replace(CALM, altitudes=(5.0, 8.0)),
    "mixed": replace(
        CALM,
        isos=(100, 800),
        shuffle=True,
        shutter_error=0.05,
        bracket=(1 / 4000, 1 / 640, 1 / 200, 1 / 50, 1 / 13, 0.4, 1.3, 4.0),
    ),
    "site-off": replace(CALM, site_error_km=10.0),
    "one-frame": replace(CALM, totality_frames=1, bracket=(1 / 15,), bursts=False),
    "three-frames": replace(
        CALM, totality_frames=3, bracket=(1 / 500, 1 / 60, 1 / 8), bursts=False
    ),
    "one-exposure": replace(CALM, bracket=(1 / 30,)),
    "no-partials": replace(CALM, partials="none"),
    "before-only": replace(CALM, partials="before"),
    "jpeg-only": replace(CALM, kind="jpeg"),
    "tiff8-only": replace(CALM, kind="tiff8"),
    "tiff16": replace(CALM, kind="tiff16"),
    "tiff-gamma": replace(CALM, kind="tiff-gamma"),
    "fits": replace(CALM, kind="fits"),
    "fits-mono": replace(CALM, kind="fits-mono", decimals=3),
    "h-alpha": replace(
        CALM,
        kind="fits-mono",
        decimals=3,
        line=True,
        excess=0.0045,
        spots=3,
        bursts=False,
        bracket=(1 / 250, 1 / 60, 1 / 15),
    ),
    "fits-bayer": replace(CALM, kind="fits-bayer", decimals=3),
    "tiny-sun": replace(CALM, focal_mm=51.0, jitter_px=0.1),
    "filter-on-half": replace(CALM, filter_on_half=True),
    "off-early": replace(CALM, off_early_s=60.0),
    "clock-set-thrice": replace(CALM, steps=3),
    "clock-midnight": replace(CALM, midnight=True),
    "clock-12h": replace(CALM, half_day=True),
    "clock-drift-60": replace(CALM, drift=60.0),
    "clock-equal": replace(CALM, stuck=True),
    "clock-fine": replace(CALM, decimals=2, relief=0.5),
    "wrong-date-year": replace(CALM, years=-2),
    "clouds": replace(CALM, cloud=0.8, cloud_cover=0.7),
    "ghost": replace(CALM, ghost=1e-3, glare=0.001),
    "recentring": replace(CALM, recentrings=6),
    "altaz": replace(CALM, mount="altaz", level_deg=2.0),
    "tripod": replace(CALM, mount="fixed", focal_mm=400.0),
    "tripod-wandering": replace(
        CALM,
        mount="fixed",
        wander=0.8,
        distortion=2e-3,
        partial_minutes=3.0,
        pause=20.0,
        altitudes=(25.0, 45.0),
        dates=("2024-04-08", "2027-08-02"),
    ),
    "mirrored": replace(CALM, mirrored=True),
    "distortion": replace(CALM, distortion=1e-3, axis_off_px=30.0),
    "relief": replace(CALM, relief=0.8),
    "lateral": replace(CALM, lateral=2e-4),
    "bend": replace(CALM, clip=0.93, bend=0.8),
    "shutter": replace(CALM, shutter_error=0.05),
    "trailed": replace(CALM, trailed=0.2, blurred=0.1),
    "two-bodies-no-serial": replace(CALM, bodies=2, serial=False),
    "two-lenses": replace(
        CALM,
        altitudes=(25.0, 45.0),
        bodies=2,
        others=({"focal_mm": 400.0, "distortion": 4e-3, "roll_deg": -52.0},),
    ),
    "four-bodies": replace(
        CALM,
        altitudes=(25.0, 45.0),
        bodies=4,
        others=(
            {"focal_mm": 400.0, "roll_deg": -52.0},
            {"focal_mm": 560.0, "mirrored": True, "roll_deg": 160.0},
            {"focal_mm": 800.0, "binned": 2, "roll_deg": 85.0},
        ),
    ),
    "stars": replace(
        CALM,
        altitudes=(30.0, 60.0),
        dates=("2028-07-22",),
        partials="none",
        mirrored=True,
        roll_deg=75.0,
        focal_mm=600.0,
        stars=(5.0, 8.0),
        most_stars=5,
        bracket=(1 / 250, 1 / 15, 2.0),
        totality_frames=24,
        full_well=5e5,  # of pixels ten times as large as those of a camera of 24 megapixels
    ),
    "border": replace(CALM, border=(8, 16), black=(498, 512, 527, 509)),
}


def changes(texts: list[str]) -> dict:
    """``aureole=0.03`` and the like as settings of a case."""
    found = {}
    for text in texts:
        key, _, value = text.partition("=")
        with contextlib.suppress(json.JSONDecodeError):  # a bare word is text
            value = json.loads(value)
        found[key] = tuple(value) if isinstance(value, list) else value
    return found
