"""What moved while the shadow crossed the Earth: tracks in distance and time.

Each station sees the corona at a time of its own. Off the mean of all, what stands still leaves
nothing; what moves outwards or inwards at a steady speed leaves a slanting line in a map of
distance against time, at its position angle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from limbward.campaign.cells import Cells
from limbward.campaign.view import Floats
from limbward.geometry.angle import half_turn

SUN_KM = 695_700.0  # IAU 2015 Resolution B3
SPEEDS_KMS = (15.0, 1500.0)
FEWEST_TIMES = 6  # at which a track must have been seen
WIDTH_RADII, WIDTH_DEG = 0.06, 4.0  # standard deviations of the blob that is searched for
CLIP = 4.0  # standard errors that one cell can give, so that one bad station makes no track
SHUFFLES = 199
CHANCE = 0.01  # that so good a track comes of shuffled times, beyond which none is believed
MOST = 5
WINDOW = 2.5  # widths about a track, within which a blob's place is measured


@dataclass(frozen=True)
class Track:
    """Something that moved.

    Attributes
    ----------
    position_angle, width_deg : float
        Degrees from solar north through east.
    speed_kms, speed_sigma_kms : float
        In the plane of the sky, outwards positive.
    radius, radius_sigma : float
        Distance at the middle of the times, solar radii.
    brightness : float
        Of its middle, as part of the corona there.
    times : int
        At which it was seen.
    significance : float
        Standard errors by which it stands out.
    chance : float
        That shuffled times give one as good, at most.
    """

    position_angle: float
    width_deg: float
    speed_kms: float
    speed_sigma_kms: float
    radius: float
    radius_sigma: float
    brightness: float
    times: int
    significance: float
    chance: float


@dataclass(frozen=True)
class Changes:
    """Relative differences from the mean corona.

    Attributes
    ----------
    seconds : ndarray, shape (T,)
        From the first.
    value, error : ndarray, shape (T, R, A)
        NaN where there is none.
    """

    seconds: Floats
    value: Floats
    error: Floats


def changes(light: Floats, sigma: Floats, seconds: Floats) -> Changes:
    """Return what differs from the mean of all times, with what is alike at all angles taken off.

    Parameters
    ----------
    light, sigma : ndarray, shape (T, R, A)
        In cells, on the common scale.
    seconds : ndarray, shape (T,)
        When; in any order.
    """
    order = np.argsort(seconds, kind="stable")
    light, sigma, seconds = light[order], sigma[order], np.asarray(seconds, float)[order]
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = np.where(np.isfinite(light) & (sigma > 0), 1.0 / sigma**2, 0.0)
        number = (weight > 0).sum(axis=0)
        mean = np.nansum(weight * np.nan_to_num(light), axis=0) / weight.sum(axis=0)
        value = np.where(number >= 3, light / mean - 1.0, np.nan)
        error = np.where(np.isfinite(value), sigma / mean, np.nan)
    # What a station's sky, flats or scale leave is smooth around the Sun.
    value = value - _median(value, axis=2)
    value = value - _median(value, axis=0)
    scatter = 1.4826 * _median(np.abs(value), axis=2)
    error = np.where(np.isfinite(value), np.hypot(error, scatter), np.nan)
    return Changes(seconds - seconds[0], value, error)


def _median(values: Floats, axis: int) -> Floats:
    known = np.isfinite(values).any(axis=axis, keepdims=True)
    filled = np.where(known, values, 0.0)
    return np.asarray(np.nanmedian(filled, axis=axis, keepdims=True))


def find_tracks(found: Changes, cells: Cells, rng: np.random.Generator) -> list[Track]:
    """Return what moved at a steady speed, the surest first; none where nothing stands out.

    Parameters
    ----------
    found : Changes
    cells : Cells
    rng : numpy Generator
        Shuffles times: whatever does not depend on their order gives tracks as good.

    Notes
    -----
    Lines of all speeds and starts are added up in standard errors (a Hough transform: R. O. Duda,
    P. E. Hart, Commun. ACM 15 (1972) 11). How good the best line is by chance is asked of the same
    data with shuffled times, the whole search each time, so that its many trials are in the answer.
    """
    if len(found.seconds) < FEWEST_TIMES or found.seconds[-1] <= 0:
        return []
    search = _Search(found, cells)
    signal = search.signal(found.value, found.error)
    best = [
        float(np.max(search.scores(signal[rng.permutation(len(signal))]))) for _ in range(SHUFFLES)
    ]
    out: list[Track] = []
    value = found.value.copy()
    while len(out) < MOST:
        scores = search.scores(signal)
        peak = np.unravel_index(int(np.argmax(scores)), scores.shape)
        score = float(scores[peak])
        chance = (1 + sum(b >= score for b in best)) / (1 + SHUFFLES)
        if chance > CHANCE:
            break
        track, along = search.measured(value, found, (int(peak[0]), int(peak[1]), int(peak[2])))
        if track is None:
            break
        out.append(replace(track, significance=score, chance=chance))
        value[along] = 0.0
        signal = search.signal(value, found.error)
    return out


class _Search:
    """All lines that are tried, and where they lie."""

    def __init__(self, found: Changes, cells: Cells) -> None:
        self.cells, self.seconds = cells, found.seconds
        span = float(found.seconds[-1])
        self.middle = span / 2.0
        # A line that is off by a width at one end of the times still fits half of them.
        step = 2.0 * WIDTH_RADII / span * SUN_KM
        fastest = min(SPEEDS_KMS[1], 0.8 * (cells.outer - cells.inner) / span * SUN_KM * 2.0)
        # What moves by less than a width in all the time cannot be told from what stands still.
        slowest = max(SPEEDS_KMS[0], 2.5 * WIDTH_RADII / span * SUN_KM)
        outwards = np.arange(slowest, max(fastest, slowest) + step, step)
        self.speeds = np.concatenate([-outwards[::-1], outwards])
        self.starts = cells.middles[::2]
        place = (
            self.starts[None, :, None]
            + self.speeds[:, None, None] / SUN_KM * (found.seconds - self.middle)[None, None, :]
        )
        index = np.round((place - cells.inner) / cells.step - 0.5).astype(int)
        self.outside = (index < 0) | (index >= cells.radii)
        self.index = np.clip(index, 0, cells.radii - 1)
        self.width = (WIDTH_RADII / cells.step, WIDTH_DEG * cells.angles / 360.0)

    def signal(self, value: Floats, error: Floats) -> Floats:
        """Return value over error of blobs of the width searched for, (T, R, A)."""
        with np.errstate(invalid="ignore", divide="ignore"):
            weight = np.where(np.isfinite(value), 1.0 / error**2, 0.0)
        weight = np.where(np.isfinite(weight), weight, 0.0)
        top = np.stack([self._blurred(v) for v in weight * np.nan_to_num(value)])
        # Noise of independent cells after the blur: the sum of squared weights.
        bottom = np.stack([self._blurred(v) for v in weight])
        narrow = 1.0 / (4 * np.pi * self.width[0] * self.width[1])
        with np.errstate(invalid="ignore", divide="ignore"):
            signal = np.where(bottom > 0, top / np.sqrt(bottom * narrow), 0.0)
        # What noise is, the data say better: neighbouring cells are not independent.
        spread = 1.4826 * np.median(np.abs(signal[signal != 0])) if (signal != 0).any() else 1.0
        return np.clip(signal / max(spread, 1e-9), -CLIP, CLIP)

    def _blurred(self, plane: Floats) -> Floats:
        return np.asarray(
            ndimage.gaussian_filter(plane, self.width, mode=("constant", "wrap"), truncate=3.0)
        )

    def scores(self, signal: Floats) -> Floats:
        """Return how much each line stands out, (speeds, starts, A)."""
        total = np.zeros((*self.index.shape[:2], signal.shape[2]))
        number = np.zeros_like(total)
        for t in range(len(signal)):
            one = signal[t][self.index[:, :, t]]
            there = ~self.outside[:, :, t, None] & (one != 0)
            total += np.where(there, one, 0.0)
            number += there
        least = max(FEWEST_TIMES, len(signal) // 3)
        return np.where(number >= least, total / np.sqrt(np.maximum(number, 1)), -np.inf)

    def measured(
        self, value: Floats, found: Changes, peak: tuple[int, int, int]
    ) -> tuple[Track | None, NDArray[np.bool_]]:
        """Return a track's numbers by the places of its blob at each time, and the cells it takes.

        Places are weighted means of distance within a window about the line; the window follows
        the line that they give.
        """
        cells = self.cells
        speed, radius = float(self.speeds[peak[0]]), float(self.starts[peak[1]])
        angle = float(cells.position_angles[peak[2]])
        away = half_turn(cells.position_angles - angle)
        wide = np.exp(-0.5 * (away / WIDTH_DEG) ** 2)
        wide[np.abs(away) > WINDOW * WIDTH_DEG] = 0.0
        with np.errstate(invalid="ignore", divide="ignore"):
            weight = np.where(np.isfinite(value), 1.0 / found.error**2, 0.0) * wide
        weight = np.where(np.isfinite(weight), weight, 0.0)
        total = weight.sum(axis=2)
        with np.errstate(invalid="ignore", divide="ignore"):
            line = np.where(total > 0, (weight * np.nan_to_num(value)).sum(axis=2) / total, np.nan)
            noise = np.sqrt((weight * wide).sum(axis=2)) / total
        x = (found.seconds - self.middle) / SUN_KM
        cell = np.nanmedian(np.where(wide > 0, found.error, np.nan), axis=(0, 2))
        trace = np.zeros(cells.radii)
        # More of what is known of a blob's width comes from where it is than from its brightness.
        for _ in range(6):
            centres = radius + speed * x
            shift, error, height = _shifts(line + trace, noise, cells.middles, centres)
            seen = np.isfinite(shift) & (height > 0)
            if seen.sum() < FEWEST_TIMES:
                return None, np.zeros(value.shape, bool)
            design = np.stack([x[seen], np.ones(int(seen.sum()))], axis=1)
            w = 1.0 / error[seen] ** 2
            normal = design.T @ (design * w[:, None])
            move = np.linalg.solve(normal, design.T @ (w * shift[seen]))
            speed, radius = speed + float(move[0]), radius + float(move[1])
            if abs(move[0]) < 0.1 and abs(move[1]) < 1e-4:
                break
            own = _bumps(cells.middles, radius + speed * x) * np.average(height[seen], weights=w)
            trace = _median_of(own, cell)
        left = shift[seen] - design @ move
        chi2 = max(1.0, float(np.sum(w * left**2) / max(len(left) - 2, 1)))
        sigma = np.sqrt(np.diag(np.linalg.inv(normal)) * chi2)
        along = np.abs(cells.middles[None, :] - (radius + speed * x)[:, None]) < 3 * WIDTH_RADII
        taken = along[:, :, None] & (np.abs(away) < 3 * WIDTH_DEG)[None, None, :]
        told = Track(
            position_angle=self._angle(value, found, radius + speed * x, away, angle),
            width_deg=WIDTH_DEG,
            speed_kms=speed,
            speed_sigma_kms=float(sigma[0]),
            radius=radius,
            radius_sigma=float(sigma[1]),
            brightness=float(np.average(height[seen], weights=w)),
            times=int(seen.sum()),
            significance=0.0,  # both follow
            chance=1.0,
        )
        return told, taken

    def _angle(
        self, value: Floats, found: Changes, centres: Floats, away: Floats, angle: float
    ) -> float:
        """Return the position angle of the middle of a blob, from all times together."""
        near = np.exp(-0.5 * ((self.cells.middles[None, :] - centres[:, None]) / WIDTH_RADII) ** 2)
        with np.errstate(invalid="ignore", divide="ignore"):
            weight = np.where(np.isfinite(value), near[:, :, None] / found.error**2, 0.0)
        weight = np.where(np.isfinite(weight), weight, 0.0)
        total = weight.sum(axis=(0, 1))
        profile = (weight * np.nan_to_num(value)).sum(axis=(0, 1)) / np.maximum(total, 1e-30)
        part = np.where(np.abs(away) <= 2 * WIDTH_DEG, np.maximum(profile, 0.0), 0.0)
        shift = float(np.sum(part * away) / np.sum(part)) if part.any() else 0.0
        return (angle + shift) % 360.0


def _bumps(radii: Floats, centres: Floats) -> Floats:
    """Return Gaussians of the width searched for about each of the centres, (T, R)."""
    return np.asarray(np.exp(-0.5 * ((radii[None, :] - centres[:, None]) / WIDTH_RADII) ** 2))


def _median_of(values: Floats, noise: Floats) -> Floats:
    """Return the median over time of values (T, R) with normal errors of ``noise`` (R,) each.

    That of what stands still is taken off all times, a track's own part in it too: it is less at
    the ends of the way, where the blob passes once, and places would be drawn apart by it (2.3 %
    of the speed of a blob that moves by ten of its widths).
    """
    low, high = values.min(axis=0), values.max(axis=0)
    width = np.where(np.isfinite(noise) & (noise > 0), noise, 1e-9)
    for _ in range(30):
        middle = 0.5 * (low + high)
        above = special.ndtr((values - middle) / width).mean(axis=0) > 0.5
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return 0.5 * (low + high)


def _shifts(
    line: Floats, noise: Floats, radii: Floats, centres: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return how far a Gaussian lies beside a centre at each time, its error, and its height.

    A step of least squares of height and place from the Gaussian at the centre.
    """
    shift, error, height = (np.full(len(line), np.nan) for _ in range(3))
    for t, (row, sigma, centre) in enumerate(zip(line, noise, centres, strict=True)):
        d = (radii - centre) / WIDTH_RADII
        good = np.isfinite(row) & np.isfinite(sigma) & (sigma > 0) & (np.abs(d) < WINDOW)
        if good.sum() < 5 or (d[good] < 0).sum() < 2 or (d[good] > 0).sum() < 2:
            continue
        bump = np.exp(-0.5 * d[good] ** 2)
        slope = bump * d[good] / WIDTH_RADII
        design = np.stack([bump, slope], axis=1) / sigma[good, None]
        normal = design.T @ design
        found = np.linalg.solve(normal, design.T @ (row[good] / sigma[good]))
        spread = np.linalg.inv(normal)
        if found[0] < 2.0 * np.sqrt(spread[0, 0]):  # no blob at this time
            continue
        # A step may not leave the window it was fitted in.
        shift[t] = np.clip(found[1] / found[0], -WIDTH_RADII, WIDTH_RADII)
        error[t] = np.hypot(np.sqrt(spread[1, 1]) / found[0], 0.05 * WIDTH_RADII)
        height[t] = found[0]
    return shift, error, height
