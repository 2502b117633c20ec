"""The Sun's path, labels and the brightness of the sky, on simulated frames."""

from __future__ import annotations

import numpy as np
import pytest

from limbward.landscape.annotate import Drawing, Mark, annotated
from limbward.landscape.brightness import along_horizon, sky_levels, surface_magnitudes
from limbward.landscape.develop import Developed
from limbward.landscape.labels import Sheet
from limbward.landscape.lens import Camera, Lens, Pose, directions, enu
from limbward.landscape.path import PathSun, even_steps, sun_path
from tests.apart.wide import RESPONSE, Session, Wide

from .sessions import EPOCH_S, taken


def developed(session: Session, since: float, exposure: float, **how) -> Developed:
    shown = session.frame(EPOCH_S + since, exposure, **how) / session.full
    picture = shown / np.array(RESPONSE)[:, None, None]
    return Developed(np.clip(picture, 0, 1).astype(np.float32), shown[1] > 0.98, 1)


def camera_of(wide: Wide) -> Camera:
    centre = ((wide.width - 1) / 2, (wide.height - 1) / 2)
    return Camera(Lens(wide.projection, wide.focal, wide.bend, centre), Pose(wide.axes()))


@pytest.fixture(scope="module")
def scene():
    """A focal length at which the Sun is 11 pixels wide, and an hour of crescents."""
    wide = Wide(width=700, height=460, focal=1200.0, azimuth=250.0, altitude=22.0)
    session = Session(wide, shown=())
    ground = developed(session, 0.0, 0.25, filtered=False, iso=800, stop=2.8)
    since = np.array([-2400.0, -1200.0, -600.0, 600.0, 1200.0, 2400.0])
    suns = []
    for t in since:
        altaz, _, radius, _ = session.sun_moon(EPOCH_S + t)
        x, y = wide.pixels(enu(*altaz))
        size = np.radians(radius) * wide.focal
        suns.append((developed(session, t, 1 / 500, filtered=True), PathSun(x, y, size, False)))
    return session, since, ground, suns


def test_path_places_and_foreground(scene) -> None:
    _, _, ground, suns = scene
    made = sun_path(ground, suns, 1.0)
    near = np.zeros(made.shape[1:], bool)
    y, x = np.mgrid[: made.shape[1], : made.shape[2]]
    for frame, sun in suns:
        around = np.hypot(x - sun.x, y - sun.y) < 2.2 * sun.radius
        near |= around
        # The light of the crescent alone, in its own frame and in the picture.
        own = np.where(around, frame.picture[1], 0)
        own = np.where(own > 0.05 * own.max(), own, 0)
        added = np.where(around & (own > 0), made[1], 0)
        places = [np.array([(w * x).sum(), (w * y).sum()]) / w.sum() for w in (own, added)]
        assert np.linalg.norm(places[0] - places[1]) < 0.3  # pixels, as asked for
        assert np.max(made[:, around]) == pytest.approx(1.0, abs=0.1)
    # Elsewhere it is the foreground, and nowhere darker.
    assert np.array_equal(made[:, ~near], ground.picture[:, ~near])
    assert np.all(made >= ground.picture)
    # No seam: beyond the crescents' own light the sky within the masks is that of the foreground.
    for _, sun in suns:
        r = np.hypot(x - sun.x, y - sun.y)
        skirt = (r > 1.15 * sun.radius + 3) & (r < 2.0 * sun.radius + 6)
        change = made[:, skirt] / np.maximum(ground.picture[:, skirt], 1e-4) - 1
        assert np.quantile(change, 0.99) < 0.01  # 1 %, as asked for


def test_no_ghost_of_a_brighter_sky(scene) -> None:
    """A filter that leaks an even veil of 3 % of white leaves the sky as it was."""
    _, _, ground, suns = scene
    veiled = [
        (Developed(f.picture + np.float32(0.03), f.clipped, 1), sun) for f, sun in suns
    ]  # fmt: skip
    plain, with_veil = sun_path(ground, suns, 1.0), sun_path(ground, veiled, 1.0)
    assert np.abs(with_veil - plain).max() < 0.05
    assert np.median(np.abs(with_veil - plain)) == 0.0


def test_even_steps() -> None:
    t = np.arange(-3600.0, 3601.0, 60.0) + 7.0
    usable = np.abs(t) > 120
    chosen = even_steps(t, usable, 600.0, 15 / 3600, 0.53)
    assert t[chosen] == pytest.approx(np.array([-3600, -3000, -2400, -1800, -1200, -600, 600, 1200,
                                                1800, 2400, 3000, 3600]), abs=31)  # fmt: skip
    # Steps too short for the Suns to stand apart are widened: 0.53 degrees are 127 s of drift.
    gaps = np.diff(t[even_steps(t, usable, 60.0, 15 / 3600, 0.53)])
    assert gaps.min() > 127


def test_labels_neither_touch_nor_cover_the_sun() -> None:
    wide = Wide(azimuth=232, altitude=18, roll=2.0)
    camera = camera_of(wide)
    sun = enu(25.5, 249.3)
    # Five bodies in a heap beside the Sun.
    marks = [Mark(f"Body {k}  1.0", enu(25.5 + 0.4 * k, 250.5 + 0.3 * k)) for k in range(5)]
    frame = Developed(np.full((3, 400, 600), 0.1, np.float32), np.zeros((400, 600), bool), 1)
    drawing = Drawing(camera, 600, 400, marks, sun, 0.26, [], "foot")
    picture, left_out = annotated(frame, drawing)
    bare, _ = annotated(frame, Drawing(camera, 600, 400, [], enu(-80.0, 0.0), 0.26, [], "foot"))
    assert not [words for words in left_out if words.startswith("Body")]
    scale = 1600 / 600
    x, y = (camera.to_pixels(sun) + 0.5) * scale - 0.5
    r = int(2 * np.radians(0.26) * wide.focal * scale)
    part = (slice(int(y) - r, int(y) + r), slice(int(x) - r, int(x) + r))
    assert np.abs(picture[part].astype(int) - bare[part]).max() < 3


def test_a_label_goes_where_there_is_room() -> None:
    sheet = Sheet(200, 100, 12)
    sheet.keep_free(100.0, 50.0, 10.0)
    placed = [sheet.label("word", 100.0, 50.0, 16.0) for _ in range(6)]
    boxes = sheet.taken
    assert placed[:4] == [True] * 4
    assert not all(placed)
    assert len(sheet.left_out) == placed.count(False)
    for k, a in enumerate(boxes):
        for b in boxes[k + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_brightness_of_the_sky() -> None:
    """Against what the simulator paints: dusk over the Sun's light at magnitude -26.74."""
    session = Session(Wide(azimuth=232, altitude=22), shown=(), lamps=0)
    frame = taken(session, 0.0, 1.0, filtered=False, iso=800, stop=2.8)
    camera, sun = camera_of(session.camera), enu(*session.sun_moon(EPOCH_S)[0])
    level = sky_levels(frame.seen, frame.light, camera, sun)
    # ADU a pixel of the Sun's disc, exposure 1: 0.5 of white after 1/500 s and 1e5 without filter.
    disc = 0.5 * session.full * 500 * 1e5
    paint = session.dusk * (0.4 + 3 * np.exp(-np.maximum(session.alt, 0) / 6))
    high = np.median(paint[(session.alt > 10)])
    assert level.high == pytest.approx(disc * high, rel=0.05)
    # The Sun of magnitude -26.74 fills 959 arcsec of radius: -10.6 a square arcsecond.
    radius = 3600 * session.sun_moon(EPOCH_S)[2]
    surface = -26.74 + 2.5 * np.log10(np.pi * radius**2) - 2.5 * np.log10(high)
    area = np.degrees(1 / session.camera.focal) ** 2 * 3600**2
    zero = -26.74 + 2.5 * np.log10(disc * np.pi * radius**2 / area)
    got = surface_magnitudes(np.array(level.high), frame.seen, camera, zero)
    assert float(got) == pytest.approx(surface, abs=0.06)
    strip = along_horizon(frame.seen, frame.light, camera, np.array([60.0, 225.0]))
    assert np.isnan(strip[:, 0]).all()
    assert strip[1, 1] > 2 * level.high


def test_directions_of_all_pixels() -> None:
    wide = Wide(azimuth=232, altitude=18, roll=2.0, bend=-0.02)
    altitude, azimuth = directions(camera_of(wide), 600, 400, 4)
    assert altitude.shape == (100, 150)
    truth = wide.rays(np.array(4 * 70 + 1.5), np.array(4 * 30 + 1.5))
    assert enu(altitude[30, 70], azimuth[30, 70]) == pytest.approx(truth, abs=2e-6)
