"""What is known of each frame before its phase is decided, and what the frames tell of light."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]
Mask = NDArray[np.bool_]

PHASES = ("partial", "contact", "totality", "dark", "flat", "other")  # that a picture can have
SAME_ISO, SAME_F = 100.0, 8.0  # where not told: only ratios within a camera count then
# What a tag or a level can be; a number beyond is a mistake, and not known.
SENSIBLE = {
    "exposure_s": (1e-6, 1e5),
    "iso": (1.0, 1e8),
    "f_number": (0.3, 1e4),
    "reading_s": (-1e11, 1e11),
    **dict.fromkeys(("peak", "middle", "limb_peak", "limb_level", "limb_faintest"), (-10.0, 10.0)),
}

# Expected light, as a fraction of the sensor's range for exposure x ISO / f-number^2 of 1 s. A
# sensor is full at 78 / ISO lx s (ISO 12232, saturation-based speed); the mean disc of the Sun has
# 1.6e9 cd/m2 (Allen's Astrophysical Quantities, 4th ed., section 14.7, less the air), and a lens
# puts 0.65 L / N^2 on the sensor (ISO 2720): 1.3e7. Filters pass 1e-5 (visual) to 1.6e-4
# (photographic; common practice), and the brightest that has been sold is twice that.
BARE_SUN = 1.3e7
FILTER_AT_MOST = 3.2e-4
CLIPPED = 0.9  # of the highest level that the camera reaches: converters bend before they clip
REACHED = 0.5  # of the range that the highest level must be for it to mean the end of it

# Found where no frame tells: limb's brightest over the corona beside it. The K-corona falls by 2
# over the first 0.06 radii, equator and pole differ by 3 (Saito, Ann. Tokyo Astr. Obs. 12, 53,
# 1970), prominences in the green are a little brighter than the corona below them.
USUAL_CONTRAST, USUAL_SPREAD = 8.0, 0.8  # and standard deviation of its logarithm
KNOWN_SPREAD = (0.25, 0.6)  # as prominences come and go, at least and at most
LEAST_FRAMES = 3  # that tell what is usual
DIMMED = 1 / 30  # of the clear corona: filters pass 1e-5 to 3e-4, thin cloud a fifth
MEASURABLE = 0.3  # of the range, up to which a level is in proportion


@dataclass(frozen=True)
class Evidence:
    """What N frames of one camera show, in the order of taking.

    Attributes
    ----------
    looks : ndarray of str, shape (N,)
        Phase by the picture alone: one of ``PHASES``, or ``bias``.
    said : ndarray of str, shape (N,)
        Phase that a person states, empty where none does.
    named : ndarray of str, shape (N,)
        ``dark``, ``bias`` or ``flat`` if folder or file are called so, else empty.
    reading_s : ndarray, shape (N,)
        Camera's clock; only differences count. NaN where unknown, here and in all that follows.
    exposure_s, iso, f_number : ndarray, shape (N,)
    peak, middle, limb_peak, limb_level, limb_faintest : ndarray, shape (N,)
        As of `limbward.phase.light.Light`.
    small : ndarray of bool, shape (N,), optional
        Frames whose Sun is too small for a limb, and which show nothing but a bright spot.
    """

    looks: Texts
    said: Texts
    named: Texts
    reading_s: Floats
    exposure_s: Floats
    iso: Floats
    f_number: Floats
    peak: Floats
    middle: Floats
    limb_peak: Floats
    limb_level: Floats
    limb_faintest: Floats
    small: Mask | None = None

    def sensible(self) -> Evidence:
        """Return the evidence without numbers that cannot be."""
        known = {}
        for name, (least, most) in SENSIBLE.items():
            value = getattr(self, name)
            with np.errstate(invalid="ignore"):
                known[name] = np.where((value >= least) & (value <= most), value, np.nan)
        return replace(self, **known)

    def of(self, rows: NDArray[np.int64]) -> Evidence:
        """Return some of the frames."""
        columns = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(self, **{k: v[rows] for k, v in columns.items() if v is not None})

    @property
    def gathered(self) -> Floats:
        """Exposure x ISO / f-number^2, NaN without an exposure."""
        iso = np.where(np.isfinite(self.iso), self.iso, SAME_ISO)
        f_number = np.where(np.isfinite(self.f_number), self.f_number, SAME_F)
        return np.asarray(self.exposure_s * iso / f_number**2)

    @property
    def black(self) -> Mask:
        """Whether a frame shows nothing."""
        return np.isin(self.looks, ("dark", "bias"))


@dataclass(frozen=True)
class Usual:
    """What a camera's frames show of the light: fractions of its range a unit of light gathered.

    Attributes
    ----------
    ceiling : float
        Level from which on a frame is clipped.
    filtered : float
        The Sun's disc behind the filter; NaN if no frame tells.
    filtered_at_most : float
        What no filter lets through, by a frame or by the physics.
    corona : float
        The corona at the Moon's limb, with nothing in front of it.
    contrast, contrast_spread : float
        Logarithm of the limb's brightest over the corona beside it in totality, and its standard
        deviation.
    dusk : float
        Middle level of frames of totality.
    """

    ceiling: float
    filtered: float
    filtered_at_most: float
    corona: float
    contrast: float
    contrast_spread: float
    dusk: float


def usual_light(e: Evidence) -> Usual:
    """Return what is usual among the frames of a camera that look like what they are."""
    gathered = e.gathered
    peak = e.peak[np.isfinite(e.peak)]
    highest = float(peak.max(initial=0.0))
    ceiling = CLIPPED * (highest if highest > REACHED else 1.0)
    partial = e.looks == "partial"
    filtered = _median(
        e.peak[partial & (e.peak < ceiling)] / gathered[partial & (e.peak < ceiling)]
    )
    told = bool(np.isfinite(e.f_number).any() and np.isfinite(e.iso).any())
    at_most = BARE_SUN * FILTER_AT_MOST if told else np.inf
    open_limb = contrast_of(e)
    clear = (e.looks == "totality") & (e.limb_faintest > 0.02 * e.limb_peak)
    clear &= (e.limb_peak < ceiling) & np.isfinite(open_limb) & np.isfinite(gathered)
    ratio = open_limb[clear]
    enough = ratio.size >= LEAST_FRAMES
    dark = (e.looks == "totality") & np.isfinite(gathered) & (e.middle > 0)
    # The sky is told by the frames that gathered the most light.
    if dark.any():
        dark &= gathered >= np.median(gathered[dark])
    return Usual(
        ceiling,
        filtered,
        1.5 * filtered if np.isfinite(filtered) else at_most,
        _highest(e.limb_level[clear] / gathered[clear]),
        float(np.median(ratio)) if enough else float(np.log(USUAL_CONTRAST)),
        _spread(ratio) if enough else USUAL_SPREAD,
        _median(e.middle[dark] / gathered[dark]),
    )


def contrast_of(e: Evidence) -> Floats:
    """Return the logarithm of the limb's brightest over the corona beside it; NaN if unmeasured.

    Where nothing shines beside the limb it is the logarithm of 10 000.
    """
    measured = np.isfinite(e.limb_peak) & np.isfinite(e.limb_level) & (e.limb_peak > 0)
    least = 1e-4 * np.where(measured, e.limb_peak, 1.0)
    level = np.maximum(np.where(measured, e.limb_level, 1.0), least)
    return np.where(measured, np.log(np.where(measured, e.limb_peak, 1.0) / level), np.nan)


def behind_filter(e: Evidence) -> Mask:
    """Return which frames show a corona so faint that the filter must have been on."""
    e = e.sensible()
    usual = usual_light(e)
    with np.errstate(invalid="ignore"):
        expected = np.minimum(usual.corona * e.gathered, MEASURABLE)
        return np.asarray(e.limb_level < DIMMED * expected)


def _highest(values: Floats) -> float:
    """Return what a tenth of the values exceed: cloud and filters only take light away."""
    values = values[np.isfinite(values)]
    return float(np.quantile(values, 0.9)) if values.size else np.nan


def _spread(values: Floats) -> float:
    """Return a standard deviation that outliers do not move, within ``KNOWN_SPREAD``."""
    return float(np.clip(1.4826 * np.median(np.abs(values - np.median(values))), *KNOWN_SPREAD))


def _median(values: Floats) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if values.size else np.nan
