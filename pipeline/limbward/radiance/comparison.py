"""The frames compared at reduced size: true exposures, the linear range, and their weights."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.grid import frame_affine
from limbward.radiance.blur import excess_blur, too_blurred
from limbward.radiance.field import Field
from limbward.radiance.ghost import LONGEST, Ghost, find_ghost, ghost_on_grid
from limbward.radiance.linearity import linear_ceiling
from limbward.radiance.merge import MergeFrame
from limbward.radiance.noise import NoiseModel
from limbward.radiance.passing import passing_cloud
from limbward.radiance.registered import FrameView, register_frames, weight_maps
from limbward.radiance.relative import RelativeExposures, relative_exposures
from limbward.radiance.selection import Frames
from limbward.radiance.survey import Survey
from limbward.radiance.veil import Veil, find_veil, unveiled, without_bent

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

OPAQUE = 0.35  # transmission below which a frame shows more cloud than corona
ENOUGH = 3  # frames that must be left


@dataclass(frozen=True)
class Compared:
    """What comparing N frames has shown.

    Attributes
    ----------
    affine : list of ndarray, shape (2, 3)
        From pixels of the result to those of each frame, drawn without distortion.
    exposures : RelativeExposures
    linear : ndarray, shape (3,)
        Fraction of the range up to which the sensor is linear in R, G, B.
    weight : ndarray of float32, shape (N, 3, h, w)
        On the small grid.
    predicted : ndarray of float32, shape (3, h, w)
        Radiance on the small grid.
    factor : int
        Of the small grid.
    noise : list of NoiseModel
    veil : Veil
    left_out : dict of int to str
        Frames that get no weight, and why.
    ghost : Ghost or None
        Which is part of the veil's sky.
    """

    affine: list[Floats]
    exposures: RelativeExposures
    linear: Floats
    weight: Pixels
    predicted: Pixels
    factor: int
    noise: list[NoiseModel]
    veil: Veil
    left_out: dict[int, str]
    ghost: Ghost | None

    def without_maps(self) -> Compared:
        """Return it without what takes room, which merging pixels needs and nothing after."""
        flat, deep = np.empty((0, 0, 0), np.float32), np.empty((0, 0, 0, 0), np.float32)
        veil = replace(self.veil, transmission=flat, sky=deep)
        return replace(self, weight=deep, predicted=flat, veil=veil)


def compare(
    frames: Frames,
    reduced: Iterable[tuple[Pixels, int]],
    field: Field,
    survey: Survey,
    saturation: float,
    moon_margin_px: float,
) -> Compared:
    """Compare frames at reduced size.

    Parameters
    ----------
    frames : Frames
    reduced : iterable of (ndarray of float32, shape (3, h, w), int)
        Each frame's colours and by how much they are smaller, in the frames' order.
    field : Field
    survey : Survey
    saturation : float
        Fraction of the range up to which frames are used at most.
    moon_margin_px : float
        Pixels beside the lunar limb that are left out.
    """
    grid = field.grid
    affine = affines(frames, field)
    views = [
        FrameView(
            planes=planes,
            factor=factor,
            affine=affine[k],
            exposure_s=frames.light_s[k],
            sun=frames.sun[k],
            moon=frames.moon[k],
            ceiling=saturation * survey.range_adu,
            noise=survey.noise[frames.iso[k]],
            lens=field.lens,
        )
        for k, (planes, factor) in enumerate(reduced)
    ]
    clip = survey.range_adu if np.isfinite(survey.white) else np.inf
    registered = register_frames(views, grid, moon_margin_px, clip=clip)
    bare = [replace(view, planes=view.planes[:, :0, :0]) for view in views]
    longest = views[-LONGEST:]  # the frames are in order of exposure
    views.clear()  # 5 MB a frame, which are registered now
    exposures = relative_exposures(registered)
    span = np.full(len(frames.row), survey.range_adu)
    linear = linear_ceiling(registered, exposures.factor, span, saturation)
    registered = without_bent(registered, exposures.factor, linear * survey.range_adu)
    veil = find_veil(registered, exposures.factor, exposures.offset)
    if veil.cloudy:
        passing = passing_cloud(exposures.factor, registered.exposure, frames.start_s)
        veil = replace(veil, change=np.hypot(veil.change, np.float32(passing)))
    clear = unveiled(registered, exposures.factor, exposures.offset, veil)
    ghost = find_ghost(clear, longest, exposures.factor[-LONGEST:])
    longest.clear()
    if ghost is not None:
        for k, view in enumerate(bare):
            veil.sky[k] += ghost_on_grid(clear, view, ghost)
        clear = unveiled(registered, exposures.factor, exposures.offset, veil)
    weight, predicted = weight_maps(
        clear, exposures.factor, linear / saturation, veil.transmission if veil.cloudy else None
    )
    sharp = replace(clear, predicted=predicted)
    left_out = too_blurred(*excess_blur(sharp, exposures.factor), registered.exposure)
    left_out |= _too_cloudy(veil)
    for k in left_out:
        weight[k] = 0.0
    return Compared(
        affine,
        exposures,
        linear,
        weight,
        predicted,
        registered.factor,
        registered.noise,
        veil,
        left_out,
        ghost,
    )


def affines(frames: Frames, field: Field) -> list[Floats]:
    """Return the matrices (2, 3) from pixels of the grid to those of each frame.

    Of a lens with distortion they lead to where it would draw places without.
    """
    suns = [field.lens.straight(sun.x, sun.y) for sun in frames.sun]
    return [
        frame_affine(field.grid, float(x), float(y), field.camera, turn)
        for (x, y), turn in zip(suns, frames.rotation_deg, strict=True)
    ]


def _too_cloudy(veil: Veil) -> dict[int, str]:
    """Return the frames that show more cloud than corona, if enough others are left."""
    dim = np.flatnonzero(veil.dimmest < OPAQUE)
    if len(veil.dimmest) - len(dim) < ENOUGH:
        return {}
    return {
        int(k): f"cloud lets {100 * veil.dimmest[k]:.0f} % of the light through; other frames are "
        "clearer"
        for k in dim
    }


def frames_to_merge(
    frames: Frames, field: Field, compared: Compared, range_adu: float, spread: float | None
) -> list[MergeFrame]:
    """Return the frames as the merge takes them.

    Parameters
    ----------
    frames : Frames
    field : Field
    compared : Compared
    range_adu : float
        From black to white.
    spread : float, optional
        What the flats leave of the pixels' own sensitivities, relative; what was measured of the
        noise stays as it is if not given.
    """
    noise = compared.noise
    if spread is not None:
        noise = [replace(model, spread=spread) for model in noise]
    exposures = compared.exposures
    return [
        MergeFrame(
            affine=compared.affine[k],
            exposure_s=frames.light_s[k] * exposures.factor[k],
            offset=exposures.offset[k],
            moon=frames.moon[k],
            noise=noise[k],
            weight=compared.weight[k],
            veil=compared.veil.maps(k),
            top=compared.linear * range_adu / (frames.light_s[k] * exposures.factor[k]),
            lens=field.lens,
        )
        for k in range(len(frames.row))
    ]
