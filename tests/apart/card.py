"""A whole session: its card, its config, its truth."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from . import air, files, place, plan, stars
from .air import Cloud, Sky
from .cases import CASES, Case
from .clock import Clock, iso_utc
from .corona import Corona, MoonLimb
from .ephemeris import ARCSEC, Site, solar_north
from .limb import RealLimb
from .optics import Optics, vignette
from .pose import Camera, Mount, view
from .render import Conditions, Surroundings, light
from .scene import Scene
from .sensor import FILLINGS, Sensor
from .stars import Stars
from .truth import coronal_images, judge, moon_of_mid_totality

MAKES = (("Velora", "VX 40"), ("Ostrane", "O-7"), ("Kelmet", "K2 Pro"), ("Tirran", "T900"))
ENDS = {"dng": "DNG", "jpeg": "JPG"} | dict.fromkeys(("fits", "fits-mono", "fits-bayer"), "FITS")


@dataclass
class Body:
    """One camera with its clock, mount and card."""

    make: str
    model: str
    serial: str | None
    camera: Camera
    mount: Mount
    clock: Clock
    sensor: Sensor
    folder: str
    shots: list[plan.Shot]


def simulate(
    name: str,
    folder: Path,
    megapixels: float,
    seed: int,
    *,
    at: Site | None = None,
    corona: Corona | None = None,
    **changes,
) -> dict:
    """Write card, config and truth of case ``name`` into ``folder``; the truth is returned.

    ``at`` is a site in the path instead of one that is drawn, ``corona`` one that others see, too.
    """
    case = replace(CASES[name], **changes)
    rng = np.random.default_rng([seed, 77])
    site, contacts = (at, at.contacts()) if at else place.find(case, seed, rng)
    sky = Sky(
        case.sky, case.sky_slope, rng.uniform(0, 2 * np.pi), np.array([0.85, 1.0, 1.25])
    )  # fmt: skip
    spots = [
        (*rng.uniform(-0.5, 0.5, 2), rng.uniform(0.006, 0.015), 0.8) for _ in range(case.spots)
    ]
    scene = Scene(
        corona or Corona(seed + 5), _moon(case, site, seed + 6),
        solar_north(site.look(contacts["greatest"])), spots, case.line, case.excess,
    )  # fmt: skip
    optics = optics_of(case)
    around = Surroundings(
        scene, optics, sky, Cloud(case.cloud, case.cloud_cover, seed + 7), site.height,
        1e-5 * np.array([1.1, 1.0, 0.7]),
    )  # fmt: skip
    cases = [of_body(case, k) for k in range(case.bodies)]
    bodies = [_body(c, site, contacts, megapixels, seed, k, rng) for k, c in enumerate(cases)]
    around = replace(around, stars=_stars(case, site, contacts["greatest"], bodies[0]))
    rows: list[dict] = []
    for k, (mine, body) in enumerate(zip(cases, bodies, strict=True)):
        through = replace(around, optics=optics_of(mine))
        rows += _expose(mine, body, k, through, contacts, folder, seed)
    config_site = site
    if case.site_error_km:
        way = case.site_error_way or str(rng.choice(["north", "south", "east"]))
        config_site = place.moved(site, case.site_error_km, way)
    cards = sorted({b.folder.split("/")[0] for b in bodies})
    (folder / "limbward.yaml").write_text(
        f"site: {{latitude: {config_site.latitude}, longitude: {config_site.longitude}, "
        f"height: {config_site.height:.0f}}}\n"
        f"eclipse: {site.date}\ninput: {{cards: [{', '.join(cards)}]}}\n"
    )
    moon = moon_of_mid_totality(site, contacts, scene.solar_north)
    images = coronal_images(scene, optics, moon, bodies[0].camera)
    np.savez_compressed(folder / "radiance.npz", **images)
    truth = {
        "case": name, "seed": seed, "megapixels": megapixels, "settings": asdict(case),
        "site": {k: getattr(site, k) for k in ("latitude", "longitude", "height")},
        "site_in_config": {k: getattr(config_site, k) for k in ("latitude", "longitude", "height")},
        "eclipse": site.date,
        "contacts_smooth_utc": {k: iso_utc(site.date, v) for k, v in contacts.items()},
        "solar_north_deg": scene.solar_north,
        "stars": [] if around.stars is None else list(around.stars.hip),
        "moon_in_solar_radii": moon[:3], "solar_radius_arcsec": moon[3],
        "cameras": [_camera_truth(b, site, contacts) for b in bodies],
        "frames": rows,
    }  # fmt: skip
    (folder / "truth.json").write_text(json.dumps(truth, indent=1))
    return truth


def _stars(case: Case, site: Site, seconds: float, body: Body) -> Stars | None:
    if case.stars is None:
        return None
    some = stars.around(site, seconds, case.stars, 2.1)
    now = view(body.camera, body.mount, seconds)
    at = now.pixels(some.direction)
    inside = (np.abs(at - np.array(body.camera.middle)) < 0.9 * np.array(body.camera.middle)).all(1)
    inside &= np.hypot(*(at - np.array(now.sun)).T) > 2.5 * now.sun_arcsec / now.scale
    chosen = np.flatnonzero(inside)[: case.most_stars]  # the table has the brightest first
    return some.only(chosen)


def of_body(case: Case, k: int) -> Case:
    """The settings of body ``k``."""
    return replace(case, **case.others[k - 1]) if 0 < k <= len(case.others) else case


def _moon(case: Case, site: Site, seed: int) -> MoonLimb:
    if case.limb == "real":
        return RealLimb(site, seed, 3e-10)
    return MoonLimb(case.relief, seed, 3e-10)


def optics_of(case: Case) -> Optics:
    return Optics(
        case.aureole, case.aureole_core, case.aureole_reach, glare=case.glare, ghost=case.ghost,
        vignetting=case.vignetting, lateral=(case.lateral, -0.7 * case.lateral),
    )  # fmt: skip


def _body(case: Case, site: Site, contacts, megapixels, seed, k, rng) -> Body:
    width = round(float(np.sqrt(megapixels * 1e6 * 1.5)) / case.binned / 8) * 8
    height = round(width / 1.5 / 8) * 8
    focal = case.focal_mm * (1 + 0.04 * rng.uniform(-1, 1))
    focal *= 0.6 if k and not case.others else 1
    camera = Camera(
        width, height, case.sensor_mm / width, focal, case.mirrored, case.distortion,
        (case.axis_off_px, -0.6 * case.axis_off_px),
    )  # fmt: skip
    shots = plan.session(case, site, contacts, rng)
    begin = shots[0].start - 10
    field = height * camera.scale * ARCSEC

    def somewhere(part: float) -> tuple[float, float]:
        return tuple(part * field * rng.uniform(-1, 1, 2))

    across = 0.0  # s, in which the Sun goes from one side of the frames to the other
    if case.wander:
        across = case.wander * 2 * camera.corner * camera.scale / 15.0
        middle = (contacts["C2"] + contacts["C3"]) / 2
        before = np.ceil((middle - begin) / across + 0.5)
        moments = np.arange(middle - (before + 0.5) * across, contacts["C4"] + 600, across)
        recentred = [(t, 0.0, 0.0) for t in moments]
    elif case.mount == "fixed":
        moments = [s.start - 1 for s in shots if s.filtered and s.kind == "sun"]
        moments += list(np.arange(contacts["C2"] - 12, contacts["C3"] + 20, 150.0))
        recentred = [(t, 0.0, 0.0) for t in sorted(moments)]
    else:
        moments = list(rng.uniform(begin, contacts["C4"], max(case.recentrings - 1, 0)))
        if case.recentrings:
            moments.append(rng.uniform(contacts["C2"] + 5, contacts["C3"] - 5))
        recentred = [(t, *somewhere(0.12)) for t in sorted(moments)]
    wrong = case.polar_error_arcmin / 60 * np.pi / 180
    angle = rng.uniform(0, 2 * np.pi)
    roll = rng.uniform(-np.pi, np.pi) if k == 0 else 0.4
    if case.roll_deg is not None:
        roll = np.radians(case.roll_deg)
    mount = Mount(
        site, case.mount, begin, roll=roll,
        off=somewhere(0.04), polar=(wrong * np.cos(angle), wrong * np.sin(angle)),
        periodic=case.periodic_arcsec, rate=rng.normal(0, 2e-4),
        level=tuple(np.radians(case.level_deg) * rng.uniform(-1, 1, 2)), recentred=recentred,
        ahead=across or 0.35 * field / (15 * ARCSEC),
    )  # fmt: skip
    if case.wander:  # rolled until the Sun goes along the diagonal
        mount.roll = 0.0
        mount.start = recentred[0][0]
        frame = mount.frame(middle)
        way = frame @ (mount.sun(middle + 60) - mount.sun(middle - 60))
        mount.roll = np.arctan2(way[1], way[0]) - np.arctan2(height, width)
        mount._held.clear()
    make, model = MAKES[(seed + (0 if not case.serial else k)) % len(MAKES)]
    serial = f"{make[:2].upper()}{(seed * 7919 + k * 101) % 900000 + 100000}"
    sensor = Sensor(
        seed + 31 * k, (height, width), case.full_well, black=case.black, clip=case.clip,
        bend=case.bend, banding=case.banding, hot=case.hot,
    )  # fmt: skip
    clock = _clock(case, site, contacts, begin, k, rng)
    card = "card" if case.bodies == 1 else f"card-{k + 1}"
    folder = f"{card}/DCIM/10{k}{make[:5].upper()}"
    return Body(
        make, model, serial if case.serial else None, camera, mount, clock, sensor, folder, shots
    )


def _clock(case: Case, site: Site, contacts, begin: float, k: int, rng) -> Clock:
    zone = float(round(site.longitude / 15)) + case.zone_error_hours
    if case.midnight:  # the camera's day ends in totality
        zone = float(round((86400 - contacts["greatest"]) / 3600))
        shift = 86400 - contacts["greatest"] - 3600 * zone
    else:
        shift = case.offset_s * (1 if k == 0 else -2.3) + rng.uniform(-10, 10)
    moments = np.sort(rng.uniform(contacts["C1"], contacts["C4"], case.steps))
    steps = [(float(t), float(rng.choice([-1, 1]) * rng.uniform(20, 90))) for t in moments]
    claimed = {"right": zone, "wrong": zone - 2}.get(case.claims or "")
    text = None if claimed is None else f"{'-' if claimed < 0 else '+'}{abs(int(claimed)):02d}:00"
    return Clock(
        site.date, zone, shift, case.drift * (1 if k == 0 else -0.5), contacts["greatest"], steps,
        case.decimals, case.half_day, case.years, case.stuck, text,
    )  # fmt: skip


def _expose(case: Case, body: Body, k: int, around, contacts, folder: Path, seed: int):
    target = folder / body.folder
    target.mkdir(parents=True, exist_ok=True)
    fixed = body.sensor.fixed()
    c2, c3 = contacts["C2"], contacts["C3"]
    rows = []
    for number, shot in enumerate(body.shots):
        rng = np.random.default_rng([seed, k, number])
        middle = shot.start + shot.real / 2
        now = view(body.camera, body.mount, middle, shot.shake)
        around.scene.moon.turn(middle)
        around.scene.corona.turn(middle)
        row = {"start_utc": iso_utc(body.clock.date, shot.start),
               "mid_utc": iso_utc(body.clock.date, middle), "nominal": shot.nominal,
               "real": shot.real, "iso": shot.iso, "filtered": shot.filtered}  # fmt: skip
        if shot.kind == "sun":
            planes, clear = _sunlight(body, shot, now, around, (c2, c3), case.seeing, rng)
            covered = [around.scene.photosphere(view(body.camera, body.mount, t)) <= 0
                       for t in (shot.start, middle, shot.end)]  # fmt: skip
            row |= _geometry(now)
        else:
            planes, clear, covered = _other(shot.kind, body, around.optics, rng), 1.0, [False]
        tags = _tags(case, body, shot)
        ending = ENDS.get(case.kind, "TIF")
        name = f"{body.folder}/{body.make[:4].upper()}{number + 1:04d}.{ending}"
        clipped = _write(case, folder / name, body, planes, shot, rng, fixed, tags)
        row |= {"file": name, "camera": k, "clear": clear, "clipped": clipped}
        row |= {"time_camera": tags.when, "clock_error_s": body.clock.error(shot.start)}
        row |= judge(shot, covered, planes, now, clear, clipped, body)
        rows.append(row)
    return rows


def _sunlight(body: Body, shot, now, around, inside, seeing, rng):
    c2, c3 = inside
    motion = shot.motion
    if shot.real > 0.02:
        ends = [view(body.camera, body.mount, t).sun for t in (shot.start, shot.end)]
        motion = (motion[0] + ends[1][0] - ends[0][0], motion[1] + ends[1][1] - ends[0][1])
        shot.motion = motion
    middle = shot.start + shot.real / 2
    bare = max(0.0, max(c2 - middle, middle - c3)) / 4000  # part of the disc, roughly
    conditions = Conditions(
        middle, (2 * middle - c2 - c3) / (c3 - c2), min(bare, 1.0), rng.uniform(*seeing),
        shot.focus_px, motion, shot.filtered,
    )  # fmt: skip
    return light(around, now, conditions)


def _geometry(now) -> dict:
    return {
        "sun_x": now.sun[0], "sun_y": now.sun[1], "sun_radius": now.sun_arcsec / now.scale,
        "moon_x": now.moon[0], "moon_y": now.moon[1], "moon_radius": now.moon_arcsec / now.scale,
        "scale": now.scale, "up_angle": now.up_angle, "altitude": now.altitude,
    }  # fmt: skip


def _other(kind: str, body: Body, optics: Optics, rng) -> list[np.ndarray]:
    shape = body.sensor.shape
    if kind == "dark":
        return [np.zeros(shape, np.float32)] * 3
    level = 0.5 / FILLINGS * 60
    camera = body.camera
    shade = vignette(optics, np.arange(shape[1]), np.arange(shape[0]), camera.middle, camera.corner)
    if kind == "flat":
        return [level * shade] * 3
    # A landscape: bright above a rough horizon.
    y = np.arange(shape[0])[:, None]
    edge = shape[0] * 0.6 + np.cumsum(rng.normal(0, 1, shape[1]))[None, :]
    land = np.where(y < edge, 1.0 - 0.3 * y / shape[0], 0.08 + 0.05 * rng.random(shape))
    return [(level * 1.5 * g * land * shade).astype(np.float32) for g in (0.8, 0.9, 1.2)]


def _tags(case: Case, body: Body, shot) -> files.Tags:
    when, subsec = body.clock.tags(shot.start)
    focal = case.wrong_focal or round(body.camera.focal_mm)
    return files.Tags(
        body.make, body.model, body.serial, when, subsec, body.clock.claims, shot.nominal,
        shot.iso, 8.0, focal,
    )  # fmt: skip


def _write(case: Case, path: Path, body: Body, planes, shot, rng, fixed, tags) -> float:
    """Write the file; the part of pixels at the end of the scale is returned."""
    sensor = body.sensor
    if case.kind == "dng":
        raw = sensor.raw(planes, shot.real, shot.iso, 8.0, rng, fixed)
        files.dng(path, raw, sensor, tags, case.border)
        top = sensor.clip * (sensor.white - min(sensor.black)) + min(sensor.black)
        return float(np.mean(raw >= 0.97 * top))
    if case.kind in ("fits-mono", "fits-bayer"):
        take = sensor.mono if case.kind == "fits-mono" else sensor.raw
        raw = take(planes, shot.real, shot.iso, 8.0, rng, fixed)
        band = "H-alpha" if case.line else None
        files.sensor_fits(path, raw, sensor, tags, band, mosaic=case.kind == "fits-bayer")
        top = sensor.clip * (sensor.white - min(sensor.black)) + min(sensor.black)
        return float(np.mean(raw >= 0.97 * top))
    linear = sensor.colour(planes, shot.real, shot.iso, 8.0, rng, fixed)
    if case.kind == "jpeg":
        files.jpeg(path, linear, tags)
    elif case.kind == "fits":
        files.fits_file(path, linear, tags)
    else:
        bits, encoded = {"tiff16": (16, False), "tiff-gamma": (16, True), "tiff8": (8, True)}[
            case.kind
        ]
        files.tiff(path, linear, tags, bits, encoded)
    return float(np.mean(linear.max(-1) > 0.97))


def _camera_truth(body: Body, site: Site, contacts) -> dict:
    greatest = view(body.camera, body.mount, contacts["greatest"])
    clock = asdict(body.clock)
    return {
        "make": body.make, "model": body.model, "serial": body.serial, "folder": body.folder,
        "clock": clock, "clock_error_at_greatest_s": body.clock.error(contacts["greatest"]),
        "scale_arcsec": greatest.scale * _through_air(greatest.altitude, site.height),
        "up_position_angle": greatest.up_angle,
        "mirrored": body.camera.mirrored, "width": body.camera.width, "height": body.camera.height,
        "distortion": body.camera.distortion,
    }  # fmt: skip


def _through_air(altitude: float, height: float) -> float:
    """Apparent over true size of a small disc: a camera's scale is of the sky as it appears."""
    true = altitude - float(air.refraction_deg(altitude, height))
    low, high = (float(air.refraction_deg(true + d, height)) for d in (-0.1, 0.1))
    upright = 1.0 + (high - low) / 0.2
    across = np.cos(np.radians(altitude)) / np.cos(np.radians(true))
    return float(np.sqrt(upright * across))
