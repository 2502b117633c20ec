"""The finished picture at the size of a screen, made again while somebody moves a slider.

What the picture is made of is kept between calls, so that a change computes only what depends on
it: of the tone, neither filters nor colours; of the saturation, nothing but the last step. Every
part is computed by the functions that `limbward.render.compose.compose` calls, in its order.
"""

from __future__ import annotations

import json
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray
from pydantic import ValidationError

from limbward import filters
from limbward.camera.colours import has_colours, read_colours
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import read_geometry
from limbward.geometry.merged import geometry_of
from limbward.radiance.depth import GREEN, hide_shallow
from limbward.render.chroma import around, chromaticity, to_chromaticity
from limbward.render.colour import luminance, paint, solar_white, to_linear_srgb
from limbward.render.compose import (
    Look,
    add_detail,
    contrast_of,
    lay_moon,
    level_sky,
    lightness_of,
    luminance_noise,
    noise_to_deviation,
    shine_of,
)
from limbward.render.filtered import picture_of
from limbward.render.moon import distance
from limbward.render.preview import linear_picture
from limbward.render.space import Space
from limbward.render.tone import ToneCurve
from limbward.render.turned import valid_area
from limbward.render.white import balanced

Pixels = NDArray[np.float32]
Step = tuple[str, Mapping[str, Any]]
T = TypeVar("T")

KEPT = 3  # results of each kind: going back to one of the last costs nothing


@dataclass(frozen=True)
class White:
    """What the colours depend on; see `Look` and `limbward.render.white.white_gains`."""

    balance: str = "solar"
    level_sky: bool = False
    mired: float = 0.0
    tint: float = 0.0


@dataclass(frozen=True)
class Light:
    """The corona in linear sRGB, its luminance and the noise of that; read only."""

    linear: Pixels
    light: Pixels
    spread: Pixels
    known: NDArray[np.bool_]
    rho: Pixels


class LivePicture:
    """A merge of screen size, and what was last made of it.

    Parameters
    ----------
    image : ndarray of float32, shape (3, H, W)
        Of `limbward.radiance.binned.read_small`; changed in place.
    sigma : ndarray of float32, shape (3, H, W), optional
    header : Header
        That fits it.
    factor : int
        By how much it is smaller than the merge: parameters in pixels are divided by it.
    surface : (ndarray of float32 (3, h, w), int, int), optional
        The Moon's disc, and the row and column of its top-left pixel.

    Raises
    ------
    LimbwardError
        If the merge does not say where the Moon was.
    """

    def __init__(
        self,
        image: Pixels,
        sigma: Pixels | None,
        header: Header,
        factor: int,
        surface: tuple[Pixels, int, int] | None = None,
    ) -> None:
        grid, sun, moon = read_geometry(header)
        if moon is None:
            raise LimbwardError("The merge does not say where the Moon was.")
        self.image, self.sigma, self.header, self.factor = image, sigma, header, factor
        self.grid, self.sun, self.moon, self.surface = grid, sun, moon, surface
        self.geometry = geometry_of(header)
        hide_shallow(image, None if sigma is None else sigma[GREEN], self.geometry.sun)
        self.valid = valid_area(image, sun, moon)
        self._kept: dict[str, OrderedDict[Any, Any]] = {}

    def picture(self, look: Look, white: White, steps: Sequence[Step]) -> Pixels:
        """Return the composite, as `compose` makes it, in the orientation of the merge.

        Parameters
        ----------
        look : Look
            Its ``limb_px`` is that of the full size; its space is sRGB whatever it says.
        white : White
        steps : sequence of (str, mapping)
            The filters of the enhancement that gives the detail.

        Returns
        -------
        ndarray of float32, shape (3, H, W)
            Encoded sRGB.

        Raises
        ------
        LimbwardError
            If there is no corona that could be shown.
        """
        lightness = self._lightness(look, white)
        if steps:
            lightness = lightness.copy()
            add_detail(lightness, self._contrast(steps, white).copy(), look.detail)
        picture = paint(lightness, self._chroma(white), look.saturation)
        small = replace(look, limb_px=max(look.limb_px / self.factor, 0.2), space="srgb")
        lay_moon(picture, self.moon, small, Space("srgb"), self._shine(small))
        return picture

    def structure(self, steps: Sequence[Step], *, in_colour: bool) -> Pixels:
        """Return an enhancement as its TIFF and PNG show it, encoded sRGB (3, H, W)."""
        key = (steps_key(steps), in_colour)

        def make() -> Pixels:
            shown = None
            if in_colour and has_colours(self.header):
                shown = self._keep("colours", 0, self._colours)
            return picture_of(
                self._filtered(steps),
                shown,
                self.header,
                self.geometry,
                normalised=filters.normalise(name for name, _ in steps),
            )

        return self._keep("structure", key, make)

    def linear(self, white: White) -> Pixels:
        """Return the corona without tone curve, encoded sRGB (3, H, W)."""
        daylight, matrix = read_colours(self.header)
        matrix = balanced(matrix, white.mired, white.tint)
        key = (white.mired, white.tint)
        return self._keep("linear", key, lambda: linear_picture(self.image, daylight, matrix))

    def tone(self, look: Look, white: White) -> ToneCurve:
        """Return the tone curve.

        Raises
        ------
        LimbwardError
            If there is no corona that could be shown.
        """
        light = self._light(white)
        try:
            return look.tone(light.light, light.rho)
        except ValueError as error:
            raise LimbwardError(f"The corona cannot be shown: {error}.") from error

    def _shine(self, look: Look) -> tuple[Pixels, int, int] | None:
        wanted = look.earthshine > 0.0
        return self._keep("shine", wanted, lambda: shine_of(self.moon, self.surface, look))

    def _keep(self, kind: str, key: Any, make: Callable[[], T]) -> T:
        """Return what was made of a key, or make it; read only."""
        kept = self._kept.setdefault(kind, OrderedDict())
        if key not in kept:
            kept[key] = make()
            while len(kept) > KEPT:
                kept.popitem(last=False)
        kept.move_to_end(key)
        found: T = kept[key]
        return found

    def _light(self, white: White) -> Light:
        return self._keep("light", white, lambda: self._make_light(white))

    def _make_light(self, white: White) -> Light:
        daylight, matrix = read_colours(self.header)
        matrix = balanced(matrix, white.mired, white.tint)
        shape = self.image.shape[1:]
        rho = self._keep("rho", 0, lambda: self._rho(shape))
        radiance = self.image
        if white.level_sky:
            radiance = radiance.copy()
            level_sky(radiance, rho)
        multipliers = np.asarray(daylight, np.float32)
        if white.balance == "solar":
            key = white.level_sky
            multipliers = self._keep("white", key, lambda: solar_white(radiance, rho, multipliers))
        spread = luminance_noise(self.sigma, multipliers, matrix, shape)
        linear = to_linear_srgb(radiance, multipliers, matrix)
        light = luminance(linear)
        return Light(linear, light, spread, np.isfinite(light), rho)

    def _rho(self, shape: tuple[int, ...]) -> Pixels:
        rho = distance(shape, self.sun)
        rho /= np.float32(self.sun.radius)
        return rho

    def _lightness(self, look: Look, white: White) -> Pixels:
        def make() -> Pixels:
            light = self._light(white)
            tone = self.tone(look, white)
            box = around(self.moon, light.light.shape)
            return lightness_of(light.light, light.spread, tone, light.known, box)

        tones = (look.sky, look.highlights, look.outer, look.brightness, look.contrast)
        return self._keep("lightness", (white, *tones), make)

    def _chroma(self, white: White) -> Pixels:
        def make() -> Pixels:
            light = self._light(white)
            linear = light.linear.copy()
            box = around(self.moon, light.light.shape)
            to_chromaticity(linear, light.light, light.spread.copy(), light.known, box)
            return linear

        return self._keep("chroma", white, make)

    def _contrast(self, steps: Sequence[Step], white: White) -> Pixels:
        def make() -> Pixels:
            light = self._light(white)
            noise = self._keep(
                "noise",
                white,
                lambda: noise_to_deviation(light.light, light.spread, light.rho, light.known),
            )
            inner = light.known & (light.rho > 1.0) & (light.rho < 3.0)
            box = around(self.moon, light.light.shape)
            return contrast_of(mean_of(self._filtered(steps)), noise, inner, box)

        return self._keep("contrast", (steps_key(steps), white), make)

    def _filtered(self, steps: Sequence[Step]) -> Pixels:
        """Return what filters make of the merge, step by step, each kept."""
        image, sigma = self.image, self.sigma
        for n, (name, given) in enumerate(steps):
            before, noise = image, sigma
            small = scaled_params(name, given, self.factor)

            def make(before: Any = before, noise: Any = noise, step: Step = (name, small)) -> Any:
                return filters.apply_steps(before, noise, self.geometry, [step])[0]

            image = self._keep(f"step {n}", steps_key(steps[: n + 1]), make)
            sigma = None
        return image

    def _colours(self) -> tuple[Pixels, int]:
        green = None if self.sigma is None else self.sigma[GREEN]
        sun = Disc(self.geometry.sun_x, self.geometry.sun_y, self.geometry.sun_radius_px)
        longest = max(self.image.shape[1:])
        return chromaticity(self.image, green, sun, self.moon, *read_colours(self.header), longest)


def mean_of(filtered: Pixels) -> Pixels:
    """Return the mean of a filtered picture's colours, shape (H, W), which may be written to."""
    out = np.zeros(filtered.shape[1:], np.float32)
    for plane in filtered:
        out += plane
    out /= len(filtered)
    return out


def steps_key(steps: Sequence[Step]) -> str:
    """Return text that tells lists of filters apart."""
    return json.dumps([[name, dict(params)] for name, params in steps], sort_keys=True)


def scaled_params(name: str, given: Mapping[str, Any], factor: int) -> dict[str, Any]:
    """Return a filter's parameters for a picture made smaller: those in pixels, divided.

    Parameters
    ----------
    name : str
        Of the filter.
    given : mapping
    factor : int

    Notes
    -----
    Names of parameters end in their unit, ``_px``. What would fall below the least that a filter
    takes stays at that.
    """
    model = filters.load(name).Params
    whole = model.model_validate(dict(given))
    out = dict(given)
    for key in type(whole).model_fields:
        value = getattr(whole, key)
        if not key.endswith("_px") or value is None or factor == 1:
            continue
        if isinstance(value, list):
            out[key] = [_allowed(model, key, v / factor, v, in_list=True) for v in value]
        else:
            out[key] = _allowed(model, key, value / factor, value)
    return out


def _allowed(model: Any, key: str, wanted: float, full: float, *, in_list: bool = False) -> float:
    """Return the nearest to a wanted value, towards the one of full size, that a model takes."""
    for part in range(21):
        value = wanted + (full - wanted) * part / 20.0
        try:
            model.model_validate({key: [value] if in_list else value})
        except ValidationError:
            continue
        return value
    return full
