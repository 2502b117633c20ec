"""``python -m tests.apart.bodies DIR WORKSPACE [ALONE]``: several bodies in one corona, scored.

WORKSPACE has the merge of all, ALONE that of the finest body. Prints one line of JSON: how
radiance, colour and local contrast (with its standard errors, by the scatter over position angles)
change across the edge of the finest body's field against the corona of the truth, where the Sun
is, and how sharp the inner corona is against that body's own.
"""

from __future__ import annotations

import argparse
import json
import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS
from scipy.ndimage import distance_transform_edt, gaussian_filter

from .card import of_body, optics_of
from .cases import Case
from .corona import Corona
from .score import _fit, _number
from .truth import corona_at, seen_through

EDGE_PX = 60  # on either side of the edge
STEP_PX = 6
SECTOR_DEG = 15.0


def read(path: Path):
    with fits.open(path / "corona.fits") as hdus, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image = np.asarray(hdus[0].data, np.float64)
        wcs = WCS(hdus[0].header).celestial
        units = [u.to("arcsec") for u in wcs.wcs.cunit]
        rows, columns = np.mgrid[0 : image.shape[1], 0 : image.shape[2]]
        lon, lat = wcs.wcs_pix2world(columns.ravel(), rows.ravel(), 0)
    lon = ((lon * units[0] + 648000) % 1296000 - 648000).reshape(rows.shape)
    return image, lon, (lat * units[1]).reshape(rows.shape)


def structure(image, fine, wide):
    smooth = gaussian_filter(image, wide)
    return gaussian_filter(image / smooth, fine) - gaussian_filter(image / smooth, wide)


def _scatter(made, true, sector):
    """The standard error of a slope, by leaving out one sector of position angles after another."""
    names = np.unique(sector)
    if names.size < 3:
        return np.nan
    up, down = (np.array([np.sum(v[sector == k]) for k in names]) for v in (made * true, true**2))
    left = (up.sum() - up) / (down.sum() - down)
    return np.sqrt((names.size - 1) / names.size * np.sum((left - left.mean()) ** 2))


def score(folder: Path, workspace: Path, alone: Path | None = None) -> dict:
    truth = json.loads((folder / "truth.json").read_text())
    sun = truth["solar_radius_arcsec"]
    image, lon, lat = read(workspace)
    camera = min(truth["cameras"], key=lambda c: c["scale_arcsec"])
    own = np.ones((3, camera["height"], camera["width"]))  # a merge has the Sun in its middle
    if alone is not None:
        own, *_ = read(alone)
    x, y = ((v / sun).astype(np.float32) for v in (lon, lat))
    r = np.hypot(x, y)
    pixel = float(np.hypot(x[0, 1] - x[0, 0], y[0, 1] - y[0, 0]))
    _, masked = corona_at(
        Corona(truth["seed"] + 5), x, y, tuple(truth["moon_in_solar_radii"]), pixel
    )
    settings = {**truth["settings"], "others": tuple(truth["settings"]["others"])}
    case = Case(**settings)
    fine = min(range(len(truth["cameras"])), key=lambda k: truth["cameras"][k]["scale_arcsec"])
    step = pixel * sun / truth["cameras"][fine]["scale_arcsec"]
    seen = [seen_through(m, optics_of(of_body(case, fine)), 2 / sun / pixel, step) for m in masked]
    top, left = ((a - b) // 2 for a, b in zip(image.shape[1:], own.shape[1:], strict=True))
    mine = np.zeros(r.shape, bool)
    inside = slice(top, top + own.shape[1]), slice(left, left + own.shape[2])
    mine[inside] = np.isfinite(own).all(axis=0) | (r[inside] < 1.3)
    far = distance_transform_edt(mine) - distance_transform_edt(~mine)  # px inside the edge
    known = np.isfinite(image).all(axis=0) & (r > 1.15)
    light, out = [], {"size": list(image.shape[1:]), "alone": list(own.shape[1:])}
    steps = []
    for c in range(3):
        gain, sky, tilt = _fit(image[c], seen[c], x, y, known & (r > 1.2) & (r < 8))
        light.append(image[c] / gain)
        wanted = seen[c] + (sky + tilt[0] * x + tilt[1] * y) / gain
        ratio = light[c] / wanted
        rows = []
        for lo in range(-EDGE_PX, EDGE_PX, STEP_PX):
            band = known & (far > lo) & (far <= lo + STEP_PX)
            rows.append(_number(np.mean(ratio[band])) if band.sum() > 100 else None)
        steps.append(rows)
        if c == 1:
            dy, dx = np.gradient(seen[c])
            ring = known & (r > 1.2) & (r < 2.2)
            basis = np.stack([dx[ring], dy[ring], seen[c][ring]], 1) / seen[c][ring, None]
            rest = (light[c] - wanted)[ring] / seen[c][ring]
            found = np.linalg.lstsq(basis, rest, rcond=None)[0]
            out["sun_px"] = [_number(-found[0]), _number(-found[1])]
            whole = np.where(known, light[c], wanted)
            made, true = (structure(v, 3.0, 10.0) for v in (whole, wanted))
            clear = gaussian_filter(known.astype(float), 8.0) > 0.999
            contrast, errors = [], []
            sector = (np.degrees(np.arctan2(y, x)) // SECTOR_DEG).astype(int)
            for lo in range(-EDGE_PX, EDGE_PX, 2 * STEP_PX):
                band = clear & (far > lo) & (far <= lo + 2 * STEP_PX)
                # The slope on the truth: noise does not raise it.
                slope = np.sum(made[band] * true[band]) / np.sum(true[band] ** 2)
                contrast.append(_number(slope) if band.sum() > 100 else None)
                errors.append(_number(_scatter(made[band], true[band], sector[band])))
            out["contrast_across"], out["contrast_sigma"] = contrast, errors
    out["radiance_across"] = steps
    out["seam_percent"] = [_number(100 * np.ptp([v for v in s if v is not None])) for s in steps]
    colour = [[a / b for a, b in zip(steps[c], steps[1], strict=True) if a and b] for c in (0, 2)]
    out["colour_percent"] = [_number(100 * np.ptp(v)) for v in colour]
    if alone is None:
        return out
    both = np.where(np.isfinite(image[1, *inside]), image[1, *inside], np.nanmedian(own[1]))
    one = np.where(np.isfinite(own[1]), own[1], np.nanmedian(own[1]))
    ring = (r[inside] > 1.3) & (r[inside] < 2.0)
    sharp = []
    for low, high in ((0.3, 0.9), (0.6, 1.5), (1.0, 2.5), (2.0, 5.0)):
        a, b = (structure(v, low, high)[ring] for v in (one, both))
        sharp.append(_number(np.sum(a * b) / np.sum(a * a)))
    out["sharpness_to_alone"] = sharp
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("folder", "workspace"):
        parser.add_argument(name, type=Path)
    parser.add_argument("alone", type=Path, nargs="?")
    given = parser.parse_args()
    print(json.dumps(score(given.folder, given.workspace, given.alone)))


if __name__ == "__main__":
    main()
