"""A campaign of simulated cards, run as its user does, against what is true of them.

Twenty-four stations along an hour of a real path of totality, each with forty small frames, see
one corona in which something moves (or not). They have three kinds of camera of other focal
lengths, and every eighth station has all three. Five clocks are bad, two sites are wrong, one
station is under cloud. The stations' own coordinates and brightness are compared with the truth by
astropy's coordinates and a fit that shares nothing with the package.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
import warnings
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS
from scipy.ndimage import gaussian_filter

from ..apart.card import optics_of, simulate
from ..apart.cases import Case
from ..apart.corona import Corona, Moving
from ..apart.ephemeris import Site, shadow_axis
from ..apart.score import seconds as of_stamp
from ..apart.truth import corona_at, seen_through

DATE, BEGIN, SPAN = "2027-08-02", 8.9 * 3600, 3300.0  # s of the date, s
SEED = 40  # of the corona
FOCAL = (640.0, 800.0, 1000.0)
PLAN = {
    "partial_minutes": 30.0, "darks": 0, "flats": 2, "totality_frames": 8,
    "bracket": (1 / 1000, 1 / 125, 1 / 15, 1 / 2),
}  # fmt: skip
THREE = {
    "bodies": 3, "bursts": False, "partial_minutes": 30.0, "darks": 0, "flats": 0,
    "totality_frames": 7,
    "bracket": (1 / 500, 1 / 60, 1 / 8), "others": ({"focal_mm": 640.0}, {"focal_mm": 1000.0}),
}  # fmt: skip
CLOCKS: dict[int, dict] = {
    2: {"zone_error_hours": 1.0, "offset_s": -431.0},
    5: {"years": -2, "offset_s": 77.0},
    9: {"drift": 60.0},
    13: {"steps": 1},
    17: {"stuck": True},
}
# Degrees and minutes written into the wrong field; the sign of the longitude.
SITES = {11: "sign of the longitude", 20: "latitude 0.7 degrees off"}
CLOUD = 14
OUT = "campaign"


@dataclass
class Given:
    """A station as it is."""

    name: str
    site: Site
    config_site: tuple[float, float, float]
    changes: dict = field(default_factory=dict)
    why: str = ""


def given(number: int) -> list[Given]:
    """Return the stations, by their place along the path."""
    out = []
    rng = np.random.default_rng(27)
    for k in range(number):
        hit = shadow_axis(DATE, BEGIN + SPAN * k / max(number - 1, 1) + rng.uniform(-40, 40))
        assert hit is not None
        place = (hit[0] + rng.normal(0, 0.15), hit[1] + rng.normal(0, 0.15), rng.uniform(0, 800))
        place = round(place[0], 5), round(place[1], 5), round(place[2])
        changes = dict(
            THREE if k % 8 == 7 else PLAN, focal_mm=800.0 if k % 8 == 7 else FOCAL[k % 3]
        )
        changes |= CLOCKS.get(k, {})
        why = "clock" if k in CLOCKS else ""
        told = place
        if k in SITES:
            why = "site"
            moved = (place[0], -place[1]) if "sign" in SITES[k] else (place[0] - 0.7, place[1])
            told = (*moved, place[2])
        if k == CLOUD:
            why = "cloud"
            changes |= {"cloud": 6.0, "cloud_cover": 1.0}
        out.append(Given(f"s{k:02d}", Site(*place, DATE), told, changes, why))
    return out


def corona(still: bool) -> Corona:
    """Return what all stations see."""
    return Corona(SEED) if still else Moving(SEED, BEGIN)


def make(folder: Path, stations: list[Given], megapixels: float, still: bool) -> None:
    """Write the cards and the campaign's config."""
    began, frames = time.process_time(), 0
    rows = []
    for k, s in enumerate(stations):
        card = folder / s.name
        if not (card / "truth.json").exists():
            card.mkdir(parents=True, exist_ok=True)
            simulate(
                "calm", card, megapixels, 500 + k, at=s.site, corona=corona(still), **s.changes
            )
        frames += len(json.loads((card / "truth.json").read_text())["frames"])
        cards = ", ".join(f"{s.name}/{p.name}" for p in sorted(card.glob("card*")))
        latitude, longitude, height = s.config_site
        rows.append(
            f"  - {{name: {s.name}, cards: [{cards}], "
            f"site: {{latitude: {latitude}, longitude: {longitude}, height: {height}}}}}"
        )
    (folder / "campaign.yaml").write_text(
        f"eclipse: {DATE}\nrun: {{executor: dask, workers: 1}}\nuntil: merge\n"
        "settings: {timing: {lunar_limb: smooth}}\n"  # as the Moon of these cards is
        "stations:\n" + "\n".join(rows) + "\n"
    )
    print(
        f"{len(stations)} stations, {frames} frames, {time.process_time() - began:.0f} s to paint"
    )


def run(folder: Path) -> None:
    """Run the campaign as a command."""
    began = time.monotonic()
    command = [sys.executable, "-m", "limbward", "campaign", str(folder / "campaign.yaml")]
    subprocess.run(command, check=True)
    print(f"limbward campaign: {time.monotonic() - began:.0f} s by the clock")


class Merge:
    """A station's merge, and the truth beside it."""

    def __init__(self, card: Path, path: Path, still: bool) -> None:
        truth = json.loads((card / "truth.json").read_text())
        self.sun = truth["solar_radius_arcsec"]
        with fits.open(path) as hdus, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            self.light = np.asarray(hdus[0].data, float)
            self.sigma = np.asarray(hdus["SIGMA"].data, float)
            header = hdus[0].header
            world = WCS(header).celestial
            self.when = header.get("DATE-AVG", "")
        n = self.light.shape[1:]
        rows, columns = np.mgrid[0 : n[0], 0 : n[1]]
        lon, lat = world.wcs_pix2world(columns.ravel(), rows.ravel(), 0)
        unit = [u.to("arcsec") for u in world.wcs.cunit]
        lon = (lon * unit[0] + 648000) % 1296000 - 648000
        self.x, self.y = (
            (v.reshape(n) / self.sun).astype(np.float32) for v in (lon, lat * unit[1])
        )
        self.pixel = float(np.hypot(self.x[0, 1] - self.x[0, 0], self.y[0, 1] - self.y[0, 0]))
        self.arcsec = self.pixel * self.sun
        self.case = Case(**truth["settings"])
        self.moon = tuple(truth["moon_in_solar_radii"])
        self.middle = of_stamp(truth["contacts_smooth_utc"]["greatest"])
        scene = corona(still)
        scene.turn(self.middle - of_stamp(DATE + "T00:00:00Z"))
        self.step = self.arcsec / truth["cameras"][0]["scale_arcsec"]
        self._scene = scene

    def truth(self, west=0.0, north=0.0, turn_deg=0.0, scale=1.0) -> np.ndarray:
        """(3, H, W) of the corona where the station's coordinates are off by so much.

        What is at p is at ``scale * turned(p) + (west, north)`` by them.
        """
        t = np.radians(turn_deg)
        dx, dy = (self.x - west) / scale, (self.y - north) / scale
        x, y = dx * np.cos(t) + dy * np.sin(t), -dx * np.sin(t) + dy * np.cos(t)
        _, masked = corona_at(self._scene, x, y, self.moon, self.pixel)
        optics = optics_of(self.case)
        return np.stack([seen_through(m, optics, 2.0 / self.arcsec, self.step) for m in masked])

    def off(self, start) -> tuple[np.ndarray, float]:
        """West, north (solar radii), turn (degrees), scale of the station's own coordinates.

        And how well the merge then correlates with the truth: where it does, it does not matter
        where the search began.
        """
        r = np.hypot(self.x, self.y)
        ring = (r > 1.2) & (r < 2.4) & np.isfinite(self.light[1])
        ring &= self.light[1] > 10 * self.sigma[1]
        seen = self._detail(self.light[1], ring)

        def left(p):
            model = self._detail(self.truth(p[0], p[1], p[2], 1 + p[3])[1], ring)
            # A sky that is left makes contrasts smaller, far out more than near.
            basis = np.stack([model, model * (r[ring] - 1.8)], 1)
            return (seen - basis @ np.linalg.lstsq(basis, seen, rcond=None)[0]) / np.std(seen)

        p = np.array([*start[:3], start[3] - 1])
        steps = np.array([0.2 * self.pixel, 0.2 * self.pixel, 0.1, 1e-3])
        for _ in range(4):  # Gauss-Newton
            rest = left(p)
            slopes = np.stack([left(p + d) - left(p - d) for d in np.diag(steps)], 1) / 2
            keep = np.abs(rest) < 5 * 1.4826 * np.median(np.abs(rest))
            p -= steps * np.linalg.lstsq(slopes[keep], rest[keep], rcond=None)[0]
        west, north, turn, larger = p
        return np.array([west, north, turn, 1 + larger]), float(1 - np.mean(left(p) ** 2))

    def _detail(self, light, ring):
        """Logarithm without its mean over rings and without what is smooth."""
        log = np.log(np.where(ring, np.maximum(light, 1e-30), 1.0))
        number = (np.hypot(self.x, self.y) / (1.5 * self.pixel)).astype(int)
        size = np.bincount(number[ring])
        known = np.flatnonzero(size)
        mean = np.bincount(number[ring], log[ring])[known] / size[known]
        log -= np.interp(np.hypot(self.x, self.y) / (1.5 * self.pixel) - 0.5, known, mean)
        share = ring.astype(float)

        def smooth(width):
            return gaussian_filter(log * share, width) / np.maximum(
                gaussian_filter(share, width), 1e-6
            )

        return (smooth(1.0) - smooth(6.0))[ring]

    def gain(self, placing) -> np.ndarray:
        """(3,) of the station's light over the truth: slope of a line by relative least squares."""
        true = self.truth(*placing)
        r = np.hypot(self.x - placing[0], self.y - placing[1])
        out = []
        for light, model in zip(self.light, true, strict=True):
            ok = (r > 1.25) & (r < 2.3) & np.isfinite(light)
            basis = np.stack([np.ones(ok.sum()), 1 / model[ok]], 1)
            v = light[ok] / model[ok]
            keep = np.ones(len(v), bool)
            for _ in range(4):
                size = np.sqrt((basis[keep] ** 2).mean(0))
                found = np.linalg.lstsq(basis[keep] / size, v[keep], rcond=None)[0] / size
                rest = v - basis @ found
                keep = np.abs(rest) < 4 * 1.4826 * np.median(np.abs(rest[keep]))
            out.append(found[0])
        return np.array(out)


def _number(row, name) -> float:
    value = row[name]
    return float("nan") if np.ma.is_masked(value) else float(value)


def score(folder: Path, stations: list[Given], still: bool) -> None:
    """Print what came out beside what is true."""
    out = folder / OUT
    table = Table.read(out / "stations.ecsv")
    rows = {str(r["station"]): r for r in table}
    merges, true, told, gains = {}, [], [], []
    for s in stations:
        row = rows[s.name]
        text = f"{s.name} {s.why or 'plain':6} {row['status']}"
        truth = json.loads((folder / s.name / "truth.json").read_text())
        greatest = of_stamp(truth["contacts_smooth_utc"]["greatest"])
        for k, camera in enumerate(truth["cameras"]):
            found = _clock(out / "stations" / s.name, camera, greatest)
            text += f"; clock {k + 1} {found}"
        for key in ("reason", "warning"):
            if not np.ma.is_masked(row[key]) and str(row[key]):
                text += f"; {key}: {row[key]}"
        print(text)
        if row["status"] != "joined":
            continue
        merge = Merge(folder / s.name, out / "stations" / s.name / "corona.fits", still)
        merges[s.name] = merge
        told.append([
            _number(row, "west") / merge.sun, _number(row, "north") / merge.sun,
            _number(row, "turn"), _number(row, "scale"),
        ])  # fmt: skip
        off, alike = merge.off(told[-1])
        if alike < 0.95:
            print(f"  its merge is not the corona: {alike:.3f}")
        true.append(off)
        gains.append(merge.gain(off) * [_number(row, f"gain_{c}") for c in "rgb"])
    _places(np.array(true), np.array(told), merges)
    relative = np.log(np.array(gains))
    relative -= np.median(relative, axis=0)
    names = list(merges)
    for c, name in enumerate("RGB"):
        worst = int(np.argmax(np.abs(relative[:, c])))
        print(
            f"scale {name}: rms {100 * np.std(relative[:, c]):.2f} %, worst "
            f"{100 * relative[worst, c]:+.2f} % ({names[worst]})"
        )
    record = json.loads((out / "state" / "campaign.json").read_text())["summary"]
    print(f"mean corona: {record['mean']}")
    for t in record["tracks"]:
        print(
            f"moving: position angle {t['position_angle']:.1f}, {t['speed_kms']:.0f} ± "
            f"{t['speed_sigma_kms']:.0f} km/s, chance {t['chance']:.3f}"
        )
    painted = "nothing" if still else "300 km/s at position angle 100"
    print(f"{len(record['tracks'])} tracks; painted: {painted}")


def _clock(workspace: Path, camera: dict, greatest: float) -> str:
    path = workspace / "clock.json"
    if not path.exists():
        return "none"
    for entry in json.loads(path.read_text())["cameras"]:
        if (entry.get("serial") or "") == camera["serial"] and entry.get("offset_s") is not None:
            hours = (greatest - of_stamp(entry["epoch_utc"])) / 3600 if entry["epoch_utc"] else 0.0
            found = 3600 * (entry.get("utc_offset_hours") or 0) + entry["offset_s"]
            found += (entry.get("drift_s_per_hour") or 0) * hours
            clock = camera["clock"]
            off = found - 3600 * clock["zone_hours"] - camera["clock_error_at_greatest_s"]
            off = (off + 21600) % 43200 - 21600
            return f"{off:+.2f} ± {entry.get('offset_sigma_s') or float('nan'):.2f} s off"
    return "not known"


def _places(true: np.ndarray, told: np.ndarray, merges: dict[str, Merge]) -> None:
    off = told - true
    off[:, 2] = (off[:, 2] + 180) % 360 - 180
    for name, t, o in zip(merges, told, off - np.median(off, axis=0), strict=True):
        print(
            f"{name}: by the campaign {t[0]:+.4f} {t[1]:+.4f} solar radii, turn {t[2]:+.3f}, "
            f"scale {t[3]:.5f}; off {o[0]:+.4f} {o[1]:+.4f} {o[2]:+.3f} {o[3]:+.5f}"
        )
    off -= np.median(off, axis=0)
    pixel = np.array([m.pixel for m in merges.values()])
    names = list(merges)
    centre = np.hypot(off[:, 0], off[:, 1]) / pixel
    at = centre + 1.5 / pixel * np.hypot(np.radians(off[:, 2]), off[:, 3])
    for label, values in (("the Sun's centre", centre), ("1.5 solar radii", at)):
        worst = int(np.argmax(values))
        print(
            f"common frame at {label}: rms {np.sqrt(np.mean(values**2)):.3f} px of its own, worst "
            f"{values[worst]:.3f} ({names[worst]})"
        )
    own = np.hypot(true[:, 0], true[:, 1]) / pixel
    print(
        f"stations' own coordinates: centre up to {own.max():.2f} px, turn up to "
        f"{np.abs(true[:, 2]).max():.2f} degrees off"
    )


def stations(folder: Path, number: int, megapixels: float, still: bool, again: bool) -> None:
    """Paint, run and compare."""
    mine = given(number)
    make(folder, mine, megapixels, still)
    if not again:
        run(folder)
    score(folder, mine, still)
