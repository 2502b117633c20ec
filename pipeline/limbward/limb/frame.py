"""What a frame shows: nothing, even light, or limbs, which are measured."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from limbward.camera.classify import Content, classify
from limbward.camera.clipping import ENDED, clip_level
from limbward.camera.frame import GREEN, RawFrame, pixels_sha256
from limbward.camera.luminance import SATURATED, Plane, green_plane, saturated_fraction
from limbward.camera.preview import preview
from limbward.camera.reduce import Reduced, coarser, reduce_frame
from limbward.geometry.disc import MeasuredDisc
from limbward.limb.corona import Crop, crop_corona
from limbward.limb.drowned import DROWNED, clipped_core, is_drowned
from limbward.limb.measure import measure
from limbward.limb.measurement import LimbMeasurement
from limbward.limb.rim import rim_light
from limbward.limb.small import SMALL_RADIUS, around, bright_core
from limbward.limb.trail import trail_px

WIDE = 1.4  # lunar radii: of a corona clipped so far out, more is kept to compare it by
CLIPPED = 0.02  # of the frame: with less, no Moon is hidden
FILTERED_COARSER = 4  # 4.5 MB a frame become 0.3 MB


@dataclass(frozen=True)
class Look:
    """What a frame is.

    Attributes
    ----------
    content : str
        Light (then there may be limbs in it), dark, flat, bias, or other.
    note : str
        Why it is not what it was said to be, or empty.
    width, height : int
        Pixels.
    saturated_fraction : float
        Of the pixels.
    pixels_sha256 : str
        See `limbward.camera.frame.pixels_sha256`.
    encoding : str
        As of `RawFrame`; empty if the file is linear.
    range_adu : float
        White level above black, ADU.
    plane : Plane
        Its green light.
    dimmest : Plane or None
        The colour of which the least is clipped, of a frame in which much green is.
    reduced : Reduced
        All its colours, smaller.
    preview : Image
    """

    content: str
    note: str
    width: int
    height: int
    saturated_fraction: float
    pixels_sha256: str
    encoding: str
    range_adu: float
    plane: Plane
    reduced: Reduced
    preview: Image.Image
    dimmest: Plane | None = None


@dataclass(frozen=True)
class Limbs:
    """The limbs that a frame shows.

    Attributes
    ----------
    found : LimbMeasurement
    reduced : Reduced
        As much of the frame as is worth keeping.
    crop : Crop or None
        The corona around the Moon, of a frame of totality.
    trail_px : float
        As of `limbward.limb.trail.trail_px`.
    core : MeasuredDisc or None
        Of `limbward.limb.drowned.clipped_core` or, of a small Sun, of
        `limbward.limb.small.bright_core`, where that is all that tells where the Moon is.
    small : bool
        Whether it is the latter.
    rim : ndarray or None
        Of `limbward.limb.rim.rim_light`, of a frame without a filter.
    in_green : bool
        Whether the Moon was measured in green light, and not where that is all clipped.
    """

    found: LimbMeasurement
    reduced: Reduced
    crop: Crop | None
    trail_px: float = nan
    core: MeasuredDisc | None = None
    small: bool = False
    rim: NDArray[np.float32] | None = None
    in_green: bool = True


def look_at(
    frame: RawFrame, *, exposure_s: float | None, named: Content | None, stated: Content | None
) -> Look:
    """Tell what a frame is.

    Parameters
    ----------
    frame : RawFrame
    exposure_s : float or None
    named, stated : {'dark', 'flat', 'bias'} or None
        What the name of its file says that it is, and what the user says.
    """
    end = clip_level(frame, SATURATED)
    # Just below the pile of clipped numbers, so that their noise is clipped as well.
    ended = frame if end is None else replace(frame, white=ENDED * end / SATURATED)
    plane, reduced = green_plane(ended), reduce_frame(ended)
    range_adu = frame.white - float(frame.black.mean())
    kind = classify(
        plane,
        reduced,
        white_above_black=range_adu,
        exposure_s=exposure_s,
        named=named,
        stated=stated,
    )
    content: str = kind.content
    if stated is not None:
        # A dark with light in it, or a flat without, would spoil the frames it is applied to. How
        # even a flat may be is left to whoever says that it is one.
        usable = kind.content == stated or (stated, kind.content) == ("flat", "light")
        content = stated if usable else "other"
    return Look(
        content,
        kind.note,
        frame.width,
        frame.height,
        saturated_fraction(ended),
        pixels_sha256(frame),
        frame.encoding,
        range_adu,
        plane,
        reduced,
        preview(frame, reduced),
        _dimmest(ended, plane, reduced) if content == "light" else None,
    )


def _dimmest(frame: RawFrame, plane: Plane, reduced: Reduced) -> Plane | None:
    """Return the plane of the colour of which the least is clipped, if much green is.

    Sensors answer to red or blue half as much as to green: the Moon may still be dark there.
    """
    if np.ndim(frame.data) == 2 and not frame.is_mosaic:
        return None
    if np.mean(plane.saturated) < CLIPPED:
        return None
    clipped = np.isnan(reduced.planes).mean(axis=(1, 2))
    colour = int(np.argmin(clipped))
    return None if clipped[colour] >= clipped[GREEN] else green_plane(frame, colour=colour)


def find_limbs(look: Look, radius_ratio: float | None) -> Limbs:
    """Measure the limbs in a frame.

    Parameters
    ----------
    look : Look
    radius_ratio : float or None
        Moon's radius over the Sun's; None leaves both free.
    """
    plane, reduced = look.plane, look.reduced
    found = _measured(plane, look, radius_ratio)
    if found.kind == "partial" and found.sun is not None:
        # Through a filter, so never merged; hundreds of them in full would fill a disk.
        return Limbs(found, coarser(reduced, FILTERED_COARSER), None)
    core = clipped_core(plane.saturated, plane.scale, plane.origin)
    if core is not None and is_drowned(core, found.moon) and look.dimmest is not None:
        inner = clipped_core(look.dimmest.saturated, look.dimmest.scale, look.dimmest.origin)
        if inner is not None:
            plane, core = look.dimmest, inner
            found = _measured(plane, look, radius_ratio)
            if found.kind != "totality":
                found = LimbMeasurement("none")
    picture = plane.image, plane.saturated, plane.scale, plane.origin
    if core is not None and is_drowned(core, found.moon):
        crop = crop_corona(*picture, core, core)
        return Limbs(LimbMeasurement("none", note=DROWNED), reduced, crop, core=core)
    blob = _small_sun(plane, found)
    if blob is not None:
        crop = crop_corona(*picture, around(blob, plane.scale))
        nothing = LimbMeasurement("none", note=found.note)
        return Limbs(nothing, reduced, crop, core=blob, small=True)
    if found.moon is None or found.kind == "partial":
        return Limbs(found, reduced, None)
    wide = core is not None and core.radius >= WIDE * found.moon.radius
    crop = crop_corona(*picture, found.moon, core if wide else None)
    green = plane is look.plane
    rim = rim_light(plane, found.moon, look.range_adu) if green else None
    return Limbs(found, reduced, crop, trail_px(plane, found.moon), rim=rim, in_green=green)


def _small_sun(plane: Plane, found: LimbMeasurement) -> MeasuredDisc | None:
    """Return where the Sun is in a frame without filter that shows it too small for a limb."""
    if found.moon is not None and found.moon.radius >= SMALL_RADIUS * plane.scale:
        return None
    return bright_core(plane.image, plane.saturated, plane.scale, plane.origin)


def _measured(plane: Plane, look: Look, radius_ratio: float | None) -> LimbMeasurement:
    return measure(
        plane.image,
        plane.saturated,
        plane.scale,
        plane.origin,
        radius_ratio=radius_ratio,
        linear=look.encoding == "",
    )


def limbs_if_any(
    look: Look, radius_ratio: float | None, stated: Content | None = None
) -> Limbs | None:
    """Measure the limbs in a frame that may have some; None in darks, flats and the like.

    Parameters
    ----------
    look : Look
    radius_ratio : float or None
        Moon's radius over the Sun's; None leaves both free.
    stated : {'dark', 'flat', 'bias'} or None
        What the user says that the frame is.
    """
    if look.content != "light" and (look.content != "flat" or stated is not None):
        return None
    limbs = find_limbs(look, radius_ratio)
    # A field may be even for want of contrast in an overexposed corona: a limb says what it is.
    if look.content == "flat" and limbs.found.kind not in ("totality", "contact"):
        return None
    return limbs
