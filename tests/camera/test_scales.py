"""One picture, held in numbers of any kind: the same phase, the same limbs."""

import numpy as np
import pytest
import tifffile
from astropy.io import fits

from limbward.camera.card import find_files
from limbward.camera.raw import read_raw
from limbward.radiance.noise import measure_noise
from limbward.stages.measuring import Task, measure_file

SHAPE = (240, 320)
SUN = (158.3, 121.4, 80.0)


def radius_from(x, y):
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.hypot(columns - x, rows - y)


def disc(x, y, radius):
    return 1.0 / (1.0 + np.exp(np.clip((radius_from(x, y) - radius) / 0.6, -50, 50)))


def crescent():
    # Edges are taken to be those of a disc that darkens to its limb.
    rise = np.sqrt(np.clip(1.0 - (radius_from(*SUN[:2]) / SUN[2]) ** 2, 0.0, 1.0))
    return 0.6 * (0.4 + 0.6 * rise) * disc(*SUN) * (1.0 - disc(SUN[0] - 60.0, SUN[1] + 12.0, 82.0))


def totality():
    height = np.maximum(radius_from(*SUN[:2]) / SUN[2], 1.0)
    return 0.9 * height**-4.0 * (1.0 - disc(*SUN)) + 0.002


def flat():
    return 0.5 * (1.0 - 0.2 * (radius_from(160, 120) / 200.0) ** 2)


def dark():
    return np.full(SHAPE, 1e-3)


PICTURES = {"partial": crescent, "totality": totality, "flat": flat, "dark": dark}


def tiff(dtype, scale):
    def write(path, picture):
        whole = np.issubdtype(dtype, np.integer)
        data = np.rint(picture * scale) if whole else picture * scale
        tifffile.imwrite(path.with_suffix(".tif"), data.astype(dtype))

    return write


def fits_of(dtype, scale, **header):
    def write(path, picture):
        whole = np.issubdtype(dtype, np.integer)
        data = np.rint(picture * scale) if whole else picture * scale
        fits.writeto(path.with_suffix(".fits"), data.astype(dtype), fits.Header(header))

    return write


KINDS = {
    "tiff 8": tiff(np.uint8, 255),
    "tiff 16": tiff(np.uint16, 65535),
    "tiff 32": tiff(np.uint32, 2**32 - 1),
    "tiff half": tiff(np.float16, 1.0),
    "tiff float to 1": tiff(np.float32, 1.0),
    "tiff float to 65535": tiff(np.float32, 65535.0),
    "tiff double to 1": tiff(np.float64, 1.0),
    "fits 8": fits_of(np.uint8, 255),
    "fits 16": fits_of(np.int16, 32767),
    "fits 16 and BZERO": fits_of(np.uint16, 65535),
    "fits -32 to 1": fits_of(np.float32, 1.0),
    "fits -32 to 1, an old SATURATE": fits_of(np.float32, 1.0, SATURATE=65535.0),
    "fits -32 to 65535": fits_of(np.float32, 65535.0),
    "fits -64 to 1": fits_of(np.float64, 1.0),
    "fits -64 to 4000": fits_of(np.float64, 4000.0, SATURATE=4000.0),
}


@pytest.fixture(scope="module", params=PICTURES)
def rows(request, tmp_path_factory):
    """A picture's rows as ingest makes them, by the kind of its numbers."""
    root = tmp_path_factory.mktemp("scales")
    (root / "card").mkdir()
    (root / "workspace").mkdir()
    picture = PICTURES[request.param]()
    noise = 3e-5 if request.param == "dark" else 1e-3
    picture = picture + np.random.default_rng(4).normal(0.0, noise, SHAPE)
    picture = np.clip(picture, 0.0, 0.99)
    names = {}
    for number, (kind, write) in enumerate(KINDS.items()):
        names[f"K{number:02d}"] = kind
        write(root / "card" / f"K{number:02d}", picture)
    files = find_files([root / "card"], root).files
    found = {
        names[f.path.stem]: measure_file(Task(f, root / "workspace", 82.0 / 80.0)) for f in files
    }
    return request.param, found


def test_the_phase_does_not_depend_on_the_numbers(rows):
    phase, found = rows
    assert {kind: row["phase"] for kind, row in found.items()} == dict.fromkeys(KINDS, phase)


def test_the_limbs_do_not_depend_on_the_numbers(rows):
    phase, found = rows
    if phase in ("flat", "dark"):
        assert all(
            "measured_sun_x" not in row and "measured_moon_x" not in row for row in found.values()
        )
        return
    body = {"partial": "sun", "totality": "moon"}[phase]
    right = found["tiff 16"]
    for kind, row in found.items():
        # Steps of 8 bits are four times the noise, and a half has no more where it is bright.
        coarse = kind.endswith((" 8", "half"))
        for quantity, true in zip(("x", "y", "radius"), SUN, strict=True):
            name = f"measured_{body}_{quantity}"
            assert row[name] == pytest.approx(right[name], abs=0.15 if coarse else 0.003), kind
            assert row[name] == pytest.approx(true, abs=0.3), kind


@pytest.mark.parametrize("kind", KINDS)
def test_the_noise_does_not_depend_on_the_numbers(tmp_path, kind):
    rng = np.random.default_rng(8)
    light = np.linspace(0.002, 0.8, SHAPE[0])[:, None] * np.ones(SHAPE)
    # 8 bits show noise only where it is wider than a step: 8e-3 of the range at full light.
    picture = light + rng.normal(size=SHAPE) * np.sqrt(6e-5 * light + 1e-6)
    KINDS[kind](tmp_path / "a", np.clip(picture, 0.0, 0.999))
    frame = read_raw(next(tmp_path.iterdir()))
    found = measure_noise([frame])
    assert found.gain / frame.white == pytest.approx(6e-5, rel=0.2)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_even_places_without_any_noise_are_no_infinite_certainty(tmp_path, dtype):
    steps = np.repeat(np.arange(1, 241, dtype=dtype)[:, None], SHAPE[1], axis=1)
    tifffile.imwrite(tmp_path / "a.tif", steps)
    found = measure_noise([read_raw(tmp_path / "a.tif")])
    assert found is None or (np.isfinite(found.gain) and found.read >= 12**-0.5)


def test_numbers_that_are_none_do_not_spoil_the_noise(tmp_path):
    rng = np.random.default_rng(8)
    light = np.linspace(0.002, 0.8, SHAPE[0])[:, None] * np.ones(SHAPE)
    picture = light + rng.normal(size=SHAPE) * np.sqrt(6e-5 * light + 1e-6)
    picture[::7, ::11] = -np.inf
    fits.writeto(tmp_path / "a.fits", picture)
    frame = read_raw(tmp_path / "a.fits")
    assert measure_noise([frame]).gain / frame.white == pytest.approx(6e-5, rel=0.2)
