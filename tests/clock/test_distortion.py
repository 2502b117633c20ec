"""The distortion of a lens by crescents over its field, and by coronae far from each other."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from limbward.clock.distortion import (
    bent_discs,
    growth_by_coronae,
    growth_by_discs,
    solve_with_lens,
    straight_discs,
    straight_limbs,
)
from limbward.clock.solution import ClockSolution
from limbward.geometry.disc import MeasuredDisc
from limbward.geometry.lens import UNTOLD, Growth, Lens
from limbward.geometry.orientation import Orientation
from limbward.limb.corona import crop_corona
from limbward.limb.partial import Discs
from limbward.limb.relief import Aim
from limbward.limb.session import Session
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Site
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.track import sky_track
from tests.apart.pose import Camera
from tests.limb.edge_points import edge_points
from tests.limb.pictures import corona

SITE = Site(65.0, -23.4, 40.0)
WIDTH, HEIGHT, SCALE = 1500, 1000, 6.0
SMOOTH = LimbProfile(np.array([0.0, 180.0]), np.zeros(2))


@pytest.fixture(scope="module")
def track():
    return sky_track(local_circumstances("2026-08-12", SITE).contacts["greatest"].time, SITE)


def drawn(x, y, growth):
    """Places as the other simulator's camera draws them, from places of a pinhole."""
    camera = Camera(WIDTH, HEIGHT, 1.0, 1.0, distortion=growth)
    v = np.stack([x - camera.middle[0], camera.middle[1] - y, np.ones_like(x)], -1)
    return camera.project(np.eye(3), v)


def crescents(track, growth, *, wander=True, warming=0.0, scatter_px=0.02, seed=1):
    """Return 24 crescents, over the field or not, as drawn; ``warming`` makes the scale grow."""
    rng = np.random.default_rng(seed)
    t = np.concatenate([np.linspace(-3200, -300, 12), np.linspace(300, 3000, 12)])
    camera = Orientation(SCALE, 30.0)
    discs, limbs = edge_points(track, lambda t: SMOOTH, t, camera, rng, noise_px=0.15)
    share = rng.uniform(-0.3, 0.3, (t.size, 2)) if wander else rng.uniform(-0.02, 0.02, (t.size, 2))
    place = share * (WIDTH, HEIGHT) + ((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    moved = {}
    for k, row in enumerate(discs.rows):
        larger = 1.0 + warming * t[k] / 3600.0 + rng.normal(0, scatter_px) / 158.0
        moved[int(row)] = tuple(
            np.column_stack([*drawn(*(p[:, :2] * larger + place[k]).T, growth), p[:, 2]])
            for p in limbs(int(row))
        )
    at = {"sun": place.T, "moon": place.T + np.array([discs.moon_x, discs.moon_y])}
    lens = Lens.of_frame(WIDTH, HEIGHT, growth)
    columns = {}
    for name, (x, y) in at.items():
        circle = lens.bent_disc(x, y, getattr(discs, f"{name}_radius"))
        columns |= {f"{name}_{k}": v for k, v in zip(("x", "y", "radius"), circle, strict=True)}
    made = Discs(discs.rows, sun_sigma=discs.sun_sigma, sigma=discs.sigma, **columns)
    return made, moved.__getitem__, Aim(track, camera, False, t)


PLAIN = Lens.of_frame(WIDTH, HEIGHT, 0.0)


@pytest.mark.parametrize("growth", [0.004, -0.003])
def test_discs_over_the_field_tell_it_beside_a_tube_that_warms(track, growth):
    discs, limbs, aim = crescents(track, growth, warming=4e-4)
    found = growth_by_discs(discs, limbs, aim, PLAIN)
    assert found.shows
    assert found.sigma < 5e-4
    assert found.value == pytest.approx(growth, abs=3 * found.sigma)
    again = growth_by_discs(discs, limbs, aim, PLAIN.grown(0.001))
    assert again.value == pytest.approx(found.value, abs=0.3 * found.sigma)


def test_none_shows_where_there_is_none_and_its_error_is_the_scatter(track):
    """Focus and air make the discs of one session larger and smaller by a tenth of a pixel."""
    found = [
        growth_by_discs(*crescents(track, 0.0, scatter_px=0.1, seed=s), PLAIN) for s in range(12)
    ]
    assert not any(g.shows for g in found)
    pulls = np.array([g.value / g.sigma for g in found])
    assert 0.5 < np.sqrt(np.mean(pulls**2)) < 1.7  # of 12 draws: 1 ± 0.2, twice as wide


def test_a_sun_that_stays_in_the_middle_does_not_tell(track):
    found = growth_by_discs(*crescents(track, 0.004, wander=False), PLAIN)
    assert not found.shows
    assert found.sigma > 0.01


def test_what_was_bent_is_straight_again(track):
    discs, limbs, _ = crescents(track, 0.004)
    lens = PLAIN.grown(0.004)
    back = bent_discs(straight_discs(discs, lens), lens)
    for name in ("sun_x", "moon_y", "sun_radius"):
        assert np.allclose(getattr(back, name), getattr(discs, name), atol=5e-3)
    assert straight_limbs(limbs, PLAIN) is limbs


def test_two_coronae_far_apart_tell_it():
    """One drawn corona, seen in two corners; each frame's pixels are looked up where they lie."""
    rng, growth, radius = np.random.default_rng(4), 0.006, 60.0
    places = np.array([(430.0, 300.0), (1060.0, 690.0), (700.0, 240.0), (790.0, 760.0)])
    middle = 240.0
    disc = MeasuredDisc(middle, middle, 1.04 * radius, 0.05)
    picture, _ = corona(
        (481, 481), (middle, middle, radius), (middle, middle, disc.radius), rng,
        exposure=0.3, threads=0.08, white=None,
    )  # fmt: skip
    lens = Lens.of_frame(WIDTH, HEIGHT, growth)
    crops = {}
    for k, (sx, sy) in enumerate(places):
        y, x = np.indices((HEIGHT, WIDTH), dtype=float)
        ux, uy = lens.straight(x, y)
        image = map_coordinates(
            picture, [uy - sy + middle, ux - sx + middle], order=3, mode="nearest"
        ).astype(np.float32)
        image += rng.normal(0, 2.0, image.shape).astype(np.float32)
        moon = MeasuredDisc(*(float(v) for v in lens.bent_disc(sx, sy, disc.radius)), 0.05)
        crops[k] = crop_corona(image, np.zeros(image.shape, bool), 1.0, (0.0, 0.0), moon)

    def found(lens):
        n = np.ones(4)
        bent = np.array(Lens.of_frame(WIDTH, HEIGHT, growth).bent_disc(*places.T, disc.radius * n))
        s = Session(np.arange(4), n, 0.3 * n, *bent, 0.05 * n).straight(lens)
        return growth_by_coronae(s, s.moon_x, s.moon_y, 0 * n, crops.get, lens)

    plain = found(PLAIN)
    assert plain.shows
    assert plain.value == pytest.approx(growth, rel=0.1)
    assert found(PLAIN.grown(0.005)).value == pytest.approx(growth, rel=0.05)


def test_what_shows_is_taken_out_and_what_a_person_says_is_not_measured(track):
    discs, limbs, aim = crescents(track, 0.004)
    solved = []

    def solve(lens):
        solved.append(lens.growth)
        solution = ClockSolution(0.0, 0.0, np.eye(2), (), orientation=aim.orientation)
        return solution, straight_discs(discs, lens)

    def measured(solution, straight, lens):
        return growth_by_discs(bent_discs(straight, lens), limbs, aim, lens)

    solution, out = solve_with_lens(solve, measured, PLAIN, None)
    assert solution.growth.value == pytest.approx(0.004, abs=3 * solution.growth.sigma)
    assert solved[0] == 0.0
    assert solved[-1] == pytest.approx(0.004, abs=6e-4)
    assert np.allclose(out.sun_x, discs.sun_x, atol=5e-3)  # as the lens draws them
    solved.clear()
    solution, _ = solve_with_lens(solve, measured, PLAIN, Growth(0.003, 0.0, "config"))
    assert solved == [0.003]
    assert solution.growth.source == "config"
    solved.clear()
    solution, _ = solve_with_lens(solve, lambda *a: UNTOLD, PLAIN, None)
    assert solved == [0.0]
    # What was looked up holds until the frames tell it better.
    looked_up = Growth(0.009, 0.003, "lens database", looked_up=True)
    solved.clear()
    solution, _ = solve_with_lens(solve, lambda *a: UNTOLD, PLAIN, None, looked_up)
    assert solved == [0.009]
    assert solution.growth == looked_up
    solved.clear()
    solution, _ = solve_with_lens(solve, measured, PLAIN, None, looked_up)
    assert solved[0] == 0.009
    assert solved[-1] == pytest.approx(0.004, abs=6e-4)
    assert solution.growth.value == pytest.approx(0.004, abs=3 * solution.growth.sigma)
