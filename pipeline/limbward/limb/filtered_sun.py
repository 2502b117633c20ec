"""A picture of the filtered Sun, behind the Moon or not, fitted as a whole.

Edges tell where a limb is as long as nothing else is near it. In a thin crescent the blurred limbs
of Sun and Moon run into each other, on a small disc the blur is no longer thin, and scattered light
puts a slope under both. All of that is in a model of the picture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from limbward.limb.painting import limb_table, paint
from limbward.limb.sun_cut import SCALES, SunCut, cut_sun
from limbward.normal_matrix import inverse

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Weak beliefs, standard deviations: the radii's ratio if it is not given, darkening other than the
# law's (filters of other colours), a gain that changes over the disc (cloud), anisotropy of blur.
RATIO_SIGMA, DARKENING_SIGMA, GAIN_SIGMA = 0.04, 0.1, 0.5
MOST_STEPS = 20
# Explained by a round disc and by a squeezed one: what is less is no filtered Sun. The last and
# dearest descent changes this by less than 0.005.
HOPELESS, UNPROMISING = 0.9, 0.955
# Steps after which a fit is judged by its pace. Of 168 fits of crescents that came about, none went
# as slowly; of those of coronae, which never do, two thirds of the steps are saved.
PACE_STEPS = 3
ENOUGH, ENOUGH_EXACT = 0.3, 0.01  # of chi-square gained by a step, far inside one sigma: the last
SOFT = 0.3  # sigma of the painted limbs, samples: what is softer makes a thin crescent too thin


@dataclass(frozen=True)
class FilteredSun:
    """Sun and Moon as `fit_filtered_sun` found them; pixels of the image.

    Attributes
    ----------
    sun : tuple of float
        x, y, radius.
    moon : tuple of float or None
        The same; None if no Moon is in front of the Sun.
    sun_sigma, moon_sigma : float
        Standard error of a coordinate of the centre.
    plus, cross : float
        Squeeze of both discs by refraction: their radius towards position angle a (from x towards
        y) is ``radius * (1 + plus * cos 2a + cross * sin 2a)``.
    blur : tuple of float
        Covariance xx, xy, yy of the blur, pixels squared: of optics, seeing and trailing.
    light : tuple of float
        Brightness of the disc, its excess of darkening, its slope along x and y per radius.
    explained : float
        Share of the picture's variance that the model explains.
    misfit : float
        Rms of what is left over the errors assumed; about 1 for a filtered Sun.
    """

    sun: tuple[float, float, float]
    moon: tuple[float, float, float] | None
    sun_sigma: float
    moon_sigma: float
    plus: float
    cross: float
    blur: tuple[float, float, float]
    light: tuple[float, float, float, float]
    explained: float
    misfit: float


def fit_filtered_sun(
    image: NDArray[np.float32],
    saturated: Mask,
    sun: tuple[float, float, float],
    moon: tuple[float, float, float] | None,
    *,
    noise: float,
    radius_ratio: float | None = None,
    flattening_sigma: float = 0.002,
) -> FilteredSun | None:
    """Fit a picture of the Sun, or of what the Moon leaves of it, to a frame.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
        One colour, linear, background near 0.
    saturated : ndarray of bool, shape (h, w)
    sun, moon : (x, y, radius)
        To start from, within a fifth of a radius; ``moon`` is None for the whole Sun.
    noise : float
        Standard deviation of a dark pixel.
    radius_ratio : float, optional
        Moon's radius over the Sun's.
    flattening_sigma : float
        How much refraction may flatten the discs.

    Returns
    -------
    FilteredSun or None
        None if nothing of the Sun is in the frame or no fit comes about.

    Notes
    -----
    The model is a darkened disc with the Moon cut out, blurred by a Gaussian that may be longer one
    way than the other (trailing), with a slope of brightness over the disc (cloud), upon a plane
    and the frame's own light in wings of four widths (scattered light). All brightnesses are
    linear and solved for with every step of the geometry: G. H. Golub, V. Pereyra, SIAM J. Numer.
    Anal. 10 (1973) 413. The fit is made on bins of about a thirtieth of a radius: light, not edges,
    is compared, so nothing but the slope of the noise is lost.
    """
    cut = cut_sun(image, saturated, sun, moon, noise)
    if cut is None:
        return None
    fit = _Fit(cut, moon is not None, radius_ratio, flattening_sigma)
    return fit.solve(fit.start(sun, moon))


class _Fit:
    """The model of a cut: parameters sun x, y, radius, Moon's place and ratio, squeeze, blur."""

    def __init__(
        self, cut: SunCut, with_moon: bool, ratio: float | None, flattening_sigma: float
    ) -> None:
        self.cut, self.with_moon = cut, with_moon
        self.ratio, self.ratio_sigma = (1.0, RATIO_SIGMA) if ratio is None else (ratio, 1e-5)
        self.flattening_sigma = max(flattening_sigma, 1e-6)
        h, w = cut.value.shape
        n = cut.over
        self.xs = cut.origin[0] + cut.step * ((np.arange(w * n) + 0.5) / n - 0.5)
        self.ys = cut.origin[1] + cut.step * ((np.arange(h * n) + 0.5) / n - 0.5)
        # Two bins of empty sky around the cut, so that the blur does not wrap around.
        self.shape = tuple(fft.next_fast_len((m + 4) * n, real=True) for m in (h, w))
        fy = fft.fftfreq(self.shape[0])[:, None] * n / cut.step
        fx = fft.rfftfreq(self.shape[1])[None, :] * n / cut.step
        # Of the exponent of a Gaussian's transform, in single precision as all that is transformed.
        squares = (-2.0 * np.pi**2 * k for k in (fx**2, 2.0 * fx * fy, fy**2))
        self.squares = tuple(k.astype(np.float32) for k in squares)
        self.transfer_of: tuple[float, float, float] | None = None
        self.transfer = np.empty((0, 0), np.float32)
        y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
        self.plane = np.ones((h, w)), x, y
        self.soft = SOFT * cut.step / n
        self.bins_x: Floats = cut.origin[0] + cut.step * np.arange(w, dtype=np.float64)
        self.bins_y: Floats = cut.origin[1] + cut.step * np.arange(h, dtype=np.float64)
        bright = cut.value[~cut.clipped]
        self.top = float(np.quantile(bright, 0.999)) if bright.size else 1.0

    def start(
        self, sun: tuple[float, float, float], moon: tuple[float, float, float] | None
    ) -> Floats:
        """Return the parameters to start from."""
        there = [] if moon is None else [moon[0], moon[1], self.ratio]
        blur = np.log(max((0.35 * self.cut.step) ** 2, 1.0))
        return np.array([*sun, *there, 0.0, 0.0, blur, 0.0, 0.0])

    def nudge(self) -> Floats:
        """Return steps over which the model's slope with each parameter is taken."""
        s = 0.05 * self.cut.step
        there = [s, s, 1e-3] if self.with_moon else []
        return np.array([s, s, s, *there, 5e-4, 5e-4, 0.05, 0.03, 0.03])

    def _split(self, p: Floats) -> tuple[Floats, Floats | None, Floats]:
        """Return the Sun's circle, the Moon's, and what else there is."""
        if not self.with_moon:
            return p[:3], None, p[3:]
        return p[:3], np.array([p[3], p[4], p[5] * p[2]]), p[6:]

    def _paint(self, p: Floats, xs: Floats, ys: Floats, soft: float) -> Floats:
        """Return the disc with the law's darkening on a grid, and times mu - 0.6."""
        sun, moon, (plus, cross, *_) = self._split(p)
        circles = np.array([*sun, *(sun if moon is None else moon)])
        out = np.empty((2, ys.size, xs.size))
        table = limb_table(float(sun[2]), soft)
        paint(xs, ys, circles, moon is not None, plus, cross, soft, table, out)
        return out

    def _blurred(self, sharp: Floats, p: Floats) -> Floats:
        """Return a picture on the samples, blurred by what its soft limbs lack, in bins."""
        blur = _covariance(*self._split(p)[2][2:])
        if blur != self.transfer_of:  # most steps are of places and radii
            xx, xy, yy = (np.float32(v) for v in blur)
            of_x, of_both, of_y = self.squares
            self.transfer_of, self.transfer = blur, np.exp(xx * of_x + xy * of_both + yy * of_y)
        h, w = self.cut.value.shape
        n = self.cut.over
        light = fft.rfft2(sharp.astype(np.float32), self.shape)
        whole = fft.irfft2(light * self.transfer, self.shape)[: h * n, : w * n]
        # Strided sums: a mean over two axes of numpy's takes six times as long.
        rows = sum(whole[k::n] for k in range(1, n)) + whole[::n]
        return sum((rows[:, k::n].astype(np.float64) for k in range(n)), np.zeros((h, w))) / n**2

    def disc(self, p: Floats, c: Floats) -> Floats:
        """Return the disc with its brightnesses ``c``: level, darkening and slopes."""
        law, darker = self._paint(p, self.xs, self.ys, self.soft)
        gain_x, gain_y = self._gains(p, self.xs, self.ys)
        return self._blurred(law * (c[0] + c[2] * gain_x + c[3] * gain_y) + c[1] * darker, p)

    @staticmethod
    def _gains(p: Floats, xs: Floats, ys: Floats) -> tuple[Floats, Floats]:
        """Return places along x and y, in solar radii from the Sun's centre."""
        return ((xs - p[0]) / p[2])[None, :], ((ys - p[1]) / p[2])[:, None]

    def design(self, p: Floats) -> Floats:
        """Return the pictures whose sum is fitted, shape (K, h, w)."""
        law, darker = self._paint(p, self.xs, self.ys, self.soft)
        disc, darker = self._blurred(law, p), self._blurred(darker, p)
        gain_x, gain_y = self._gains(p, self.bins_x, self.bins_y)
        return np.array([disc, darker, disc * gain_x, disc * gain_y, *self.plane, *self.cut.glow])

    def _whole_blur(self, *blur: float) -> tuple[float, float, float]:
        """Return the covariance of the blur with that of the painted limbs in it."""
        xx, xy, yy = _covariance(*blur)
        return xx + self.soft**2, xy, yy + self.soft**2

    def _light_prior(self) -> Floats:
        """Return one over the variances that the brightnesses may have."""
        glow = [0.1] * len(SCALES)  # a tenth of the light in one wing is much
        level = self.top
        sigma = np.array([1e6 * level, DARKENING_SIGMA * level, *[GAIN_SIGMA * level] * 2,
                          *[0.3 * level] * 3, *glow])  # fmt: skip
        return np.asarray(1.0 / sigma**2)

    def _belief(self, p: Floats) -> tuple[Floats, Floats]:
        """Return how far the parameters are off what is believed, and the beliefs' sigma."""
        wide = 1e9
        there, moon_sigma = (
            ([p[3], p[4], self.ratio], [wide, wide, self.ratio_sigma])
            if self.with_moon
            else ([], [])
        )
        blur = np.log(max(0.1 * self.cut.step, 1.0) ** 2)
        believed = np.array([*p[:3], *there, 0.0, 0.0, blur, 0.0, 0.0])
        s = self.flattening_sigma
        return p - believed, np.array([wide, wide, wide, *moon_sigma, s, s, 2.0, 0.3, 0.3])

    def light(self, p: Floats, weight: Floats) -> tuple[Floats, Floats]:
        """Return the brightnesses that fit best, and their pictures."""
        design = self.design(p)
        rows = (design * weight).reshape(len(design), -1)
        normal = rows @ rows.T + np.diag(self._light_prior())
        wanted = rows @ (self.cut.value * weight).ravel()
        size = np.sqrt(np.diag(normal))
        c = np.linalg.lstsq(normal / np.outer(size, size), wanted / size, rcond=1e-12)[0] / size
        return c, design

    def _weight(self, left: Floats) -> Floats:
        """Return the square roots of the weights of bins of which a model leaves ``left``."""
        over = np.abs(left) / self.cut.error
        # Huber's weights; a clipped bin only says that it is bright.
        w = 1.0 / np.sqrt(np.maximum(1.0, over / 3.0)) / self.cut.error
        return np.asarray(np.where(self.cut.clipped, np.where(left < 0, 0.3 * w, 0.0), w))

    def _cost(self, p: Floats, c: Floats, left: Floats) -> float:
        """Return the chi-square that is minimised, robust, with what is believed."""
        over = np.abs(left) / self.cut.error
        over = np.where(self.cut.clipped, np.where(left < 0, 0.3 * over, 0.0), over)
        huber = np.where(over < 3.0, over**2, 6.0 * over - 9.0)
        off, sigma = self._belief(p)
        return float(huber.sum() + np.sum((off / sigma) ** 2) + np.sum(c**2 * self._light_prior()))

    def solve(self, p: Floats) -> FilteredSun | None:
        """Return the fit from a start: first with round discs and an even blur, then of all.

        Slopes are painted as long as that leads on, and are those of the model at the end: the
        way along which radius and place of a thin crescent make up for each other is narrow.
        """
        weight = np.where(self.cut.clipped, 0.0, 1.0 / self.cut.error)
        c, design = self.light(p, weight)
        left = np.tensordot(c, design, 1) - self.cut.value
        shapes = np.zeros(p.size, bool)
        shapes[-5:-3] = shapes[-2:] = True
        turn = self._turn(p)
        nothing = np.zeros(p.size, bool)
        for held, exact, least in (
            (shapes, False, HOPELESS),
            (nothing, False, UNPROMISING),
            (nothing, True, UNPROMISING),
        ):
            p, c, design, left, normal = self._descend(p, c, design, left, held, turn, exact, least)
            if self._explained(left) < least:
                return None
        return self._result(p, c, left, inverse(normal)[: p.size, : p.size])

    def _explained(self, left: Floats) -> float:
        """Return the share of the picture's variance that a model explains but for ``left``."""
        value = np.minimum(self.cut.value, self.cut.value[~self.cut.clipped].max(initial=0.0))
        left = np.where(self.cut.clipped, np.minimum(left, 0.0), left)
        spread = float(np.var(value))
        return 1.0 - float(np.mean(left**2)) / spread if spread > 0 else 0.0

    def _descend(
        self,
        p: Floats,
        c: Floats,
        design: Floats,
        left: Floats,
        held: Mask,
        turn: Floats,
        exact: bool,
        least: float,
    ) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Return parameters, brightnesses, their pictures, what is left and the normal matrix.

        K. Levenberg, Quart. Appl. Math. 2 (1944) 164, with the brightnesses solved for. It ends
        where ``least`` of the picture's variance would not be explained at the pace of the last
        steps.
        """
        n = p.size
        explained: list[float] = []
        free = np.flatnonzero(~held)
        cost, damping = self._cost(p, c, left), 1e-3
        for _ in range(MOST_STEPS):
            explained.append(self._explained(left))
            whole, slope = self._normal(p, c, design, left, exact)
            if _is_too_slow(explained, least):
                break
            keep = np.concatenate([free, np.arange(n, len(whole))])
            to_unknowns = turn[:, free]
            matrix = np.eye(len(whole))[:, keep]
            matrix[:n, : free.size] = to_unknowns
            normal, slope = matrix.T @ whole @ matrix, matrix.T @ slope
            for _ in range(8):
                raised = normal.copy()
                k = np.arange(free.size)
                raised[k, k] *= 1 + damping
                step = to_unknowns @ -(inverse(raised) @ slope)[: free.size]
                step *= min(1.0, float(np.min(self._furthest(p) / np.maximum(np.abs(step), 1e-12))))
                tried = p + step
                c_new, design_new = self.light(tried, self._weight(left))
                left_new = np.tensordot(c_new, design_new, 1) - self.cut.value
                cost_new = self._cost(tried, c_new, left_new)
                if np.isfinite(cost_new) and cost_new < cost:
                    break
                damping = max(damping * 8.0, 1e-4)
            else:
                break
            gained = cost - cost_new
            p, c, design, left, cost = tried, c_new, design_new, left_new, cost_new
            damping /= 8.0
            # Where the model leaves more than the errors assumed, sigma grows with it.
            scale = max(1.0, cost / left.size)
            if gained < (ENOUGH_EXACT if exact else ENOUGH) * scale:
                break
        return p, c, design, left, whole

    def _turn(self, p: Floats) -> Floats:
        """Return what the parameters do as the unknowns of a step move.

        A crescent tells where its limbs are, and hardly the radius or the centres. So a step moves
        the limbs' points on the line through both centres, and the radius about them.
        """
        turn = np.eye(p.size)
        if self.with_moon:
            away = p[:2] - p[3:5]
            away = away / max(float(np.hypot(*away)), 1e-9)
            turn[0:2, 2] = -away
            turn[3:5, 2] = -away * p[5]
        return turn

    def _furthest(self, p: Floats) -> Floats:
        """Return how far each parameter may go in one step."""
        r = 0.15 * p[2]
        there = [r, r, 0.02] if self.with_moon else []
        return np.array([r, r, r, *there, 2e-3, 2e-3, 1.0, 0.3, 0.3])

    def _slopes(self, p: Floats, c: Floats, exact: bool) -> Floats:
        """Return the change of the picture with each parameter, shape (P, h, w).

        Unless ``exact``, from limbs painted as soft as the blur on the bins themselves: a tenth of
        the work, and good enough for the direction of a step.
        """
        by_direction = (p.size - 2, p.size - 1)  # a blur that differs so cannot be painted
        painted = None if exact else self._painted(p, c)
        blurred = self.disc(p, c)
        slopes = []
        for k, h in enumerate(self.nudge()):
            moved = p.copy()
            moved[k] += h
            if painted is None or k in by_direction:
                slopes.append((self.disc(moved, c) - blurred) / h)
            else:
                slopes.append((self._painted(moved, c) - painted) / h)
        return np.array(slopes)

    def _painted(self, p: Floats, c: Floats) -> Floats:
        """Return the disc with limbs painted as soft as blur and bins make them, in bins."""
        blur = self._whole_blur(*self._split(p)[2][2:])
        soft = math.sqrt(0.5 * (blur[0] + blur[2]) + self.cut.step**2 / 12.0)
        law, darker = self._paint(p, self.bins_x, self.bins_y, soft)
        gain_x, gain_y = self._gains(p, self.bins_x, self.bins_y)
        return np.asarray(law * (c[0] + c[2] * gain_x + c[3] * gain_y) + c[1] * darker)

    def _normal(
        self, p: Floats, c: Floats, design: Floats, left: Floats, exact: bool
    ) -> tuple[Floats, Floats]:
        """Return the normal matrix of geometry and brightnesses, and the cost's slope."""
        weight = self._weight(left)
        slopes = self._slopes(p, c, exact)
        rows = (np.concatenate([slopes, design]) * weight).reshape(len(slopes) + len(design), -1)
        off, sigma = self._belief(p)
        prior = np.concatenate([1.0 / sigma**2, self._light_prior()])
        normal = rows @ rows.T + np.diag(prior)
        slope = rows @ (left * weight).ravel()
        slope += prior * np.concatenate([off, c])
        return normal, slope

    def _result(self, p: Floats, c: Floats, left: Floats, covariance: Floats) -> FilteredSun | None:
        """Return the fit in words of `FilteredSun`."""
        free = ~self.cut.clipped
        weighed = np.minimum(np.abs(left[free] / self.cut.error[free]), 10.0)
        misfit = float(np.sqrt(np.mean(weighed**2))) if weighed.size else np.inf
        explained = self._explained(left)
        variance = np.diag(covariance) * max(1.0, misfit) ** 2
        sun, moon, (plus, cross, log_blur, stretch, shear) = self._split(p)
        if not (np.isfinite(p).all() and sun[2] > 0 and c[0] > 0):
            return None
        sigma = [float(np.sqrt(variance[k : k + 2].mean())) for k in (0, 3)]
        return FilteredSun(
            (float(sun[0]), float(sun[1]), float(sun[2])),
            None if moon is None else (float(moon[0]), float(moon[1]), float(moon[2])),
            sigma[0],
            sigma[1] if moon is not None else np.nan,
            float(plus),
            float(cross),
            self._whole_blur(log_blur, stretch, shear),
            (float(c[0]), float(c[1]), float(c[2]), float(c[3])),
            explained,
            misfit,
        )


def _is_too_slow(explained: list[float], least: float) -> bool:
    """Return whether a fit explains too little, and would at the pace of its last steps."""
    k = len(explained) - 1
    if k < PACE_STEPS or explained[k] >= least:
        return False
    pace = (explained[k] - explained[k - PACE_STEPS]) / PACE_STEPS
    return pace * (MOST_STEPS - k) < least - explained[k]


def _covariance(log_blur: float, stretch: float, shear: float) -> tuple[float, float, float]:
    """Return xx, xy, yy of a blur from the logarithm of its mean variance and its anisotropy."""
    v = float(np.exp(min(log_blur, 20.0)))
    size = np.hypot(stretch, shear)
    share = np.tanh(size) / size if size > 0 else 1.0  # keeps the matrix positive
    return (
        v * (1 + share * float(stretch)),
        v * share * float(shear),
        v * (1 - share * float(stretch)),
    )
