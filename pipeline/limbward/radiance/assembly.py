"""From frames of totality to the corona: compared at reduced size, merged, the sky taken off."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import ALL_ROWS, GREEN, RawFrame
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.radiance.bands import (
    Band,
    Merging,
    Sizes,
    bands_within,
    merge_in_bands,
    rows_of,
)
from limbward.radiance.batch import Limits
from limbward.radiance.comparison import Compared, compare, frames_to_merge
from limbward.radiance.corona import Corona, without_sky
from limbward.radiance.field import Field, describe_field
from limbward.radiance.linearity import describe_range
from limbward.radiance.masters import Masters
from limbward.radiance.merge import Merged, MergeFrame, merge, moon_box
from limbward.radiance.noise import NoiseRecord
from limbward.radiance.noisy import noise_warning
from limbward.radiance.scratch import Room, let_go, room_on_disk
from limbward.radiance.selection import Files, Frames, calibration_files
from limbward.radiance.survey import Survey, Surveyed
from limbward.radiance.veil import cloud_record, cloud_warning
from limbward.radiance.vignetting import cells_of, find_vignetting, shows_a_plane

Pixels = NDArray[np.float32]

USUAL_BYTES = 2  # of a raw sample


@dataclass(frozen=True)
class Plan:
    """Which frames are merged, and how, after they have been compared.

    Attributes
    ----------
    frames : Frames
    field : Field
    survey : Surveyed
    masters : Masters or None
        None if the pixels have been merged.
    compared : Compared
    todo : list of MergeFrame
    used : list of str
        What is done to the frames, a line each; it grows while they are merged.
    """

    frames: Frames
    field: Field
    survey: Surveyed
    masters: Masters | None
    compared: Compared
    todo: list[MergeFrame]
    used: list[str]

    @property
    def undecoded(self) -> list[int]:
        """The numbers of the frames that the survey has not decoded, in the order of merging."""
        return [k for k in range(len(self.todo)) if k not in self.survey.kept]

    @property
    def order(self) -> list[int]:
        """The numbers of all frames in the order of merging."""
        return [*self.survey.kept, *self.undecoded]

    def merging(self, moon_margin_px: float, bloom_px: float) -> Merging:
        """Return what is merged; pixels beside limb and saturated ones are left out."""
        compared, field, veil = self.compared, self.field, self.compared.veil
        return Merging(
            self.todo,
            self.frames.height,
            field.grid,
            compared.factor,
            compared.predicted,
            Limits(compared.linear, moon_margin_px, bloom_px, self.survey.white),
            moon_box(field.moon),
            veil.change if veil.cloudy else None,
        )

    @property
    def frame_bytes(self) -> int:
        """Bytes of a frame's pixels, as those kept of the survey tell."""
        known = (frame.data.nbytes for frame in self.survey.kept.values())
        return max(known, default=USUAL_BYTES * self.frames.width * self.frames.height)

    def bands(self, memory: float, workers: int, shelved: bool = False) -> tuple[list[Band], int]:
        """Return what `limbward.radiance.bands.bands_within` does of this merge."""
        pixels = self.frames.width * self.frames.height
        maps = sum(m.nbytes for f in self.todo for m in (f.weight, f.veil) if m is not None)
        calibration = 0 if self.masters is None else self.masters.pixel_bytes
        sizes = Sizes(self.field.grid, pixels, self.frame_bytes // pixels, maps, calibration)
        return bands_within(memory, sizes, workers, shelved)


@dataclass(frozen=True)
class Made:
    """The corona and what was found on the way to it.

    Attributes
    ----------
    corona : Corona
    calibration : list of str
        What was done to the frames, a line each.
    record : NoiseRecord
    left_out : dict of int to str
        Frames that are not in it, by their numbers, and why.
    warnings, notes : list of str
    """

    corona: Corona
    calibration: list[str]
    record: NoiseRecord
    left_out: dict[int, str]
    warnings: list[str]
    notes: list[str]


def plan_merge(
    files: Files,
    frames: Frames,
    field: Field,
    planes: Callable[[int], tuple[Pixels, int]],
    read: Callable[[Path], RawFrame],
    *,
    linear_up_to: float,
    moon_margin_px: float,
    warn: Callable[[str], None],
    room: Room = room_on_disk,
) -> Plan:
    """Compare frames at reduced size, after decoding a few to survey the camera.

    Parameters
    ----------
    files : Files
        All there are; those that calibrate are found among them.
    frames : Frames
        Those to be merged.
    field : Field
    planes : callable
        Takes a row of the files, returns its colours (3, h, w) and by how much they are smaller.
    read : callable
        Decodes a file.
    linear_up_to : float
        Fraction of the range up to which frames are used at most.
    moon_margin_px : float
        Pixels beside the lunar limb that are left out.
    warn : callable
        Told of calibration frames that are not used.
    room : callable
        Makes arrays of the size of a frame; best on disk.
    """
    calibrating = calibration_files(files, frames)
    survey = Survey(calibrating, frames, read)
    masters = Masters(calibrating, frames, survey, warn, room)
    vignetting = None
    scale = field.camera.pixel_scale_arcsec
    plane = shows_a_plane(frames.width, frames.height, scale)
    if plane and frames.linear and not masters.flat_fielded:
        # Of the frames, which are in order of exposure, the longest show most of the sky.
        longest = reversed(list(zip(frames.row, frames.sun, strict=True)))
        shown = (cells_of(*planes(row), sun, survey.range_adu) for row, sun in longest)
        vignetting = find_vignetting(shown)
        if vignetting is not None:
            masters.take(vignetting)
    reduced = (
        (masters.flatten(small, factor), factor)
        for small, factor in (planes(row) for row in frames.row)
    )
    compared = compare(frames, reduced, field, survey, linear_up_to, moon_margin_px)
    todo = frames_to_merge(frames, field, compared, survey.range_adu, masters.spread)
    return Plan(frames, field, survey, masters, compared, todo, masters.used)


def merge_pixels(
    plan: Plan,
    decode: Callable[[Sequence[int], slice], Iterable[tuple[int, RawFrame | LimbwardError]]],
    bands: Sequence[Band],
    room: Room,
    *,
    moon_margin_px: float,
    bloom_px: float,
    progress: Callable[[], None] | None = None,
) -> tuple[Merged, Merged | None]:
    """Merge frames.

    Parameters
    ----------
    plan : Plan
    decode : callable
        Takes numbers of frames and which rows are wanted of them, and returns these as
        `limbward.radiance.merge.merge` takes frames.
    bands : sequence of Band
        In which the merge is done. With more than one, frames are asked for again for each.
    room : callable
        As `limbward.radiance.bands.merge_in_bands` takes it, if there are several bands.
    moon_margin_px, bloom_px : float
        Pixels beside the lunar limb, and around saturated ones, that are left out.
    progress : callable, optional
        Called after each frame in each band.

    Returns
    -------
    Merged
        The sky, and what it shone with.
    Merged or None
        The Moon's disc.
    """
    assert plan.masters is not None
    survey, of = plan.survey, plan.merging(moon_margin_px, bloom_px)
    if len(bands) == 1:
        return merge(
            of.frames, chain(survey.released(), decode(plan.undecoded, ALL_ROWS)),
            of.grid, of.factor, of.predicted, plan.masters,
            limits=of.limits, box=of.box, change=of.change, progress=progress,
        )  # fmt: skip
    undecoded = plan.undecoded

    def rows(wanted: slice) -> Iterator[tuple[int, RawFrame | LimbwardError]]:
        for k, frame in survey.kept.items():
            yield from rows_of([(k, frame)], wanted)
            let_go(frame.data)
        yield from decode(undecoded, wanted)

    return merge_in_bands(of, bands, rows, plan.masters, room, progress)


def make_corona(
    plan: Plan,
    merged: Merged,
    surface: Merged | None,
    *,
    take_sky_off: bool,
    solar_radius_km: float,
) -> Made:
    """Take the sky off a merge and say what it is.

    Parameters
    ----------
    plan : Plan
    merged, surface
        Of `merge_pixels`.
    take_sky_off : bool
    solar_radius_km : float
        The photosphere's, to which the coordinates refer.

    Raises
    ------
    LimbwardError
        If no frame could be decoded.
    """
    frames, field, survey, compared = plan.frames, plan.field, plan.survey, plan.compared
    box, veil = moon_box(field.moon), compared.veil
    if len(merged.failed) == len(plan.todo):
        raise LimbwardError(
            f"None of the {len(plan.todo)} frames of totality can be decoded: {merged.failed[0]}"
        )
    left_out = {**compared.left_out, **merged.failed}
    warnings = [cloud_warning(veil)] if veil.cloudy else []
    if compared.ghost is not None:
        warnings.append(compared.ghost.words())
    header = describe_field(field, frames, left_out, solar_radius_km)
    survey.describe(header)
    describe_range(header, compared.linear)
    radius = field.sun_radius_px if take_sky_off else None
    sun = Disc(field.grid.sun_x, field.grid.sun_y, field.sun_radius_px)
    noisy = noise_warning(merged.radiance[GREEN], merged.sigma[GREEN], sun, header["NFRAMES"])
    warnings += [noisy] if noisy else []
    corona = without_sky(merged, surface, box, header, field.grid, radius)
    notes = []
    if take_sky_off and corona.sky is None:
        notes.append(
            "The field is too small to tell the sky from the corona, so the sky is not subtracted."
        )
    record = NoiseRecord(
        frames.camera,
        frames.serial,
        survey.models(compared.linear),
        None if corona.sky is None else corona.sky.level.tolist(),
        None if compared.ghost is None else compared.ghost.record(),
        cloud_record(veil),
    )
    return Made(corona, plan.used, record, left_out, warnings, notes)
