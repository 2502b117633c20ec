"""``python -m tests.apart.score DIR``: a workspace against its truth, as one line of JSON.

Lengths are px of the raw visible area, times seconds. Frames are judged by what the truth says of
them; a number that cannot be had is null.
"""

from __future__ import annotations

import argparse
import json
import warnings
from datetime import datetime
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS

from .card import optics_of
from .cases import Case
from .corona import Corona
from .truth import corona_at, seen_through

SUN = ("partial", "contact", "totality")
RINGS = ((1.1, 1.3), (1.3, 1.6), (1.6, 2.0), (2.0, 2.5), (2.5, 3.0), (3.0, 4.0), (4.0, 4.9))


def seconds(text: str) -> float:
    """Of a UTC stamp, since 1970."""
    return datetime.fromisoformat(str(text).rstrip("Z") + "+00:00").timestamp()


def _number(value) -> float | None:
    if value is None or np.ma.is_masked(value) or not np.isfinite(value):
        return None
    return round(float(value), 5)


def _column(table: Table, name: str) -> np.ndarray:
    if name not in table.colnames:
        return np.full(len(table), np.nan)
    column = table[name]
    values = np.ma.filled(np.ma.asarray(column).astype(float), np.nan)
    return np.asarray(values, float)


class Session:
    """Truth and workspace, row beside row."""

    def __init__(self, folder: Path, workspace: Path) -> None:
        self.truth = json.loads((folder / "truth.json").read_text())
        self.folder, self.workspace = folder, workspace
        table = Table.read(workspace / "frames.ecsv")
        at = {str(name): i for i, name in enumerate(table["file"])}
        self.rows = self.truth["frames"]
        self.lost = [r["file"] for r in self.rows if r["file"] not in at]
        self.rows = [r for r in self.rows if r["file"] in at]
        self.table = table[[at[r["file"]] for r in self.rows]]
        self.phase = np.array([r["phase"] for r in self.rows])
        self.camera = np.array([r["camera"] for r in self.rows])
        self.good = np.array([r["good"] for r in self.rows])
        self.used = np.array([str(u) == "True" for u in self.table["used"]])

    def true(self, key: str) -> np.ndarray:
        return np.array([r.get(key, np.nan) for r in self.rows], float)

    def off(self, body: str) -> np.ndarray:
        """(n, 2) measured minus true centre."""
        return np.stack(
            [_column(self.table, f"{body}_{a}") - self.true(f"{body}_{a}") for a in "xy"], 1
        )


def _size(off: np.ndarray) -> dict:
    """Rms of a coordinate and largest distance."""
    off = off[np.isfinite(off).all(1)]
    if not len(off):
        return {"n": 0, "rms": None, "max": None}
    return {
        "n": len(off),
        "rms": _number(np.sqrt(np.mean(off**2))),
        "max": _number(np.hypot(*off.T).max()),
    }


def frames(s: Session) -> dict:
    partial = s.phase == "partial"
    sun, moon = s.off("sun"), s.off("moon")
    measured = np.isfinite(sun).all(1)
    confusion: dict[str, dict[str, int]] = {}
    for true, found in zip(s.phase, s.table["phase"], strict=True):
        row = confusion.setdefault(str(true), {})
        row[str(found)] = row.get(str(found), 0) + 1
    bad_used = s.used & ~s.good
    out = {
        "files": len(s.rows),
        "not_in_table": len(s.lost),
        "partial_measured": _number(measured[partial].mean()) if partial.any() else None,
        "partial_sun_px": _size(sun[partial]),
        "partial_moon_px": _size(moon[partial]),
        "phases": confusion,
        "good_used": _number(s.used[s.good].mean()) if s.good.any() else None,
        "good": int(s.good.sum()),
        "bad_used": sorted({s.rows[i]["why"] or s.rows[i]["phase"] for i in np.where(bad_used)[0]}),
        "bad_used_frames": int(bad_used.sum()),
        "registration_px": _size(sun[s.used]),
    }
    moved = sun.copy()
    for camera in set(s.camera):
        mine = s.used & (s.camera == camera)
        if mine.any():
            moved[mine] -= np.nanmedian(sun[mine], axis=0)
    out["registration_relative_px"] = _size(moved[s.used])
    return out


def times(s: Session) -> dict:
    found = s.table["time_utc"]
    gone = np.ma.getmaskarray(np.ma.asarray(found))
    error = np.full(len(s.rows), np.nan)
    for i, row in enumerate(s.rows):
        if not gone[i] and str(found[i]) not in ("", "--"):
            error[i] = seconds(found[i]) - seconds(row["start_utc"])
    sigma = _column(s.table, "time_utc_sigma")
    sun = np.isin(s.phase, SUN)
    known = np.isfinite(error) & sun
    if not known.any():
        return {"known": 0.0}
    stated = known & np.isfinite(sigma) & (sigma > 0)
    pull = np.abs(error[stated]) / sigma[stated]
    return {
        "known": _number(known.sum() / sun.sum()),
        "rms_s": _number(np.sqrt(np.mean(error[known] ** 2))),
        "max_s": _number(np.abs(error[known]).max()),
        "stated": int(stated.sum()),
        "beyond_5_sigma": int((pull > 5).sum()),
        "rms_sigmas": _number(np.sqrt(np.mean(pull**2))) if len(pull) else None,
    }


def _entry(s: Session, k: int, entries: list[dict]) -> dict | None:
    """The entry of one true camera: that of most of its frames."""
    names: dict[tuple[str, str], int] = {}
    for i in np.where(s.camera == k)[0]:
        pair = tuple(
            "" if np.ma.is_masked(s.table[c][i]) else str(s.table[c][i])
            for c in ("camera", "serial")
        )
        names[pair] = names.get(pair, 0) + 1
    if not names:
        return None
    camera, serial = max(names, key=names.get)
    for entry in entries:
        if entry.get("camera") == camera and (entry.get("serial") or "") == serial:
            return entry
    return entries[0] if len(entries) == 1 else None


def _read(path: Path) -> list[dict]:
    return json.loads(path.read_text(encoding="utf-8"))["cameras"] if path.exists() else []


def clock_errors(s: Session, k: int, greatest: float) -> np.ndarray:
    """What a camera's clock was off by at greatest eclipse, by the frames before and after it.

    They differ if it was set between the two, and no picture tells when.
    """
    clock = s.truth["cameras"][k]["clock"]
    rows = [r for r in s.truth["frames"] if r["camera"] == k and r["phase"] in SUN]
    rows.sort(key=lambda r: r["start_utc"])
    since = [seconds(r["start_utc"]) - greatest for r in rows]
    there = [
        r["clock_error_s"] - clock["drift_s_per_hour"] * t / 3600
        for r, t in zip(rows, since, strict=True)
    ]
    first = int(np.searchsorted(since, 0.0))
    beside = there[max(first - 1, 0) : first + 1]
    return np.array(beside or [s.truth["cameras"][k]["clock_error_at_greatest_s"]])


def clocks(s: Session) -> list[dict]:
    greatest = seconds(s.truth["contacts_smooth_utc"]["greatest"])
    out = []
    for k, camera in enumerate(s.truth["cameras"]):
        entry = _entry(s, k, _read(s.workspace / "clock.json"))
        if entry is None or entry.get("offset_s") is None:
            out.append({"known": False})
            continue
        hours = (greatest - seconds(entry["epoch_utc"])) / 3600 if entry.get("epoch_utc") else 0.0
        found = 3600 * (entry.get("utc_offset_hours") or 0) + entry["offset_s"]
        found += (entry.get("drift_s_per_hour") or 0) * hours
        shown = found - 3600 * camera["clock"]["zone_hours"] - clock_errors(s, k, greatest)
        wrong = (shown + 21600) % 43200 - 21600
        error = wrong[np.argmin(np.abs(wrong))]
        sigma = np.hypot(
            entry.get("offset_sigma_s") or np.nan,
            (entry.get("drift_sigma_s_per_hour") or 0) * hours,
        )
        drift = (entry.get("drift_s_per_hour") or 0) - camera["clock"]["drift_s_per_hour"]
        out.append({
            "known": True, "error_s": _number(error), "sigma_s": _number(sigma),
            "error_sigmas": _number(error / sigma), "drift_error_s_per_hour": _number(drift),
            "drift_sigma": _number(entry.get("drift_sigma_s_per_hour")),
            "true_steps": len(camera["clock"]["steps"]), "warnings": entry.get("warnings", []),
        })  # fmt: skip
    return out


def pointing(s: Session) -> list[dict]:
    out = []
    for k, camera in enumerate(s.truth["cameras"]):
        entry = _entry(s, k, _read(s.workspace / "pointing.json")) or {}
        scale, up = entry.get("pixel_scale_arcsec"), entry.get("up_position_angle")
        row: dict = {"mirrored_right": entry.get("mirrored") == camera["mirrored"]}
        if scale is not None:
            row["scale_error_percent"] = _number(100 * (scale / camera["scale_arcsec"] - 1))
            sigma = entry.get("pixel_scale_sigma")
            row["scale_sigmas"] = (
                _number((scale - camera["scale_arcsec"]) / sigma) if sigma else None
            )
        if up is not None:
            error = (up - camera["up_position_angle"] + 180) % 360 - 180
            row["up_error_deg"] = _number(error)
            sigma = entry.get("up_position_angle_sigma")
            row["up_sigmas"] = _number(error / sigma) if sigma else None
        out.append(row)
    return out


def corona(s: Session) -> dict | None:
    """The merge against the corona as core and aureole show it, and as it is."""
    path = s.workspace / "corona.fits"
    if not path.exists():
        return None
    sun = s.truth["solar_radius_arcsec"]
    with fits.open(path) as hdus, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        merge = np.asarray(hdus[0].data, float)
        sigma = np.asarray(hdus["SIGMA"].data, float)
        count = np.asarray(hdus["COUNT"].data)
        wcs = WCS(hdus[0].header).celestial
        units = [u.to("arcsec") for u in wcs.wcs.cunit]
        py, px = np.mgrid[0 : merge.shape[1], 0 : merge.shape[2]]
        lon, lat = wcs.wcs_pix2world(px.ravel(), py.ravel(), 0)
    lon = ((lon * units[0] + 648000) % 1296000 - 648000).reshape(px.shape)
    lat = (lat * units[1]).reshape(px.shape)
    x, y = ((v / sun).astype(np.float32) for v in (lon, lat))
    r = np.hypot(x, y)
    inside = (np.maximum(np.abs(x), np.abs(y)) < 4.9) & (count > 0 if count.ndim == 2 else True)
    case = Case(**s.truth["settings"])
    pixel = float(np.hypot(x[0, 1] - x[0, 0], y[0, 1] - y[0, 0]))
    step = pixel * sun / s.truth["cameras"][0]["scale_arcsec"]
    bare, masked = corona_at(
        Corona(s.truth["seed"] + 5), x, y, tuple(s.truth["moon_in_solar_radii"]), pixel
    )  # the model itself: a table of it would be too coarse for the noise of a merge
    out: dict = {"rings": [list(ring) for ring in RINGS]}
    for c, name in enumerate("RGB"):
        value = merge[c]
        ok = inside & np.isfinite(value) & (r > 1.1) & (r < 4.9)
        if ok.sum() < 100:
            out[name] = None
            continue
        seen = seen_through(masked[c], optics_of(case), 2.0 / sun / pixel, step)
        away = ok & (r > 1.2)
        gain, sky, tilt = _fit(value, seen, x, y, away)
        light = (value - sky - tilt[0] * x - tilt[1] * y) / gain
        bias, sharp = [], []
        for a, b in RINGS:
            ring = ok & (r >= a) & (r < b)
            few = ring.sum() < 30
            bias.append(None if few else _number(light[ring].sum() / seen[ring].sum() - 1))
            sharp.append(None if few else _number(light[ring].sum() / bare[c][ring].sum() - 1))
        pull = (light - seen - _rendering(light - seen, seen, away & (r < 3)))[
            away & (r > 1.3) & (r < 3) & (sigma[c] > 0)
        ] * gain
        pull = pull / sigma[c][away & (r > 1.3) & (r < 3) & (sigma[c] > 0)]
        pull = pull[np.isfinite(pull)]
        middle = float(np.median(pull)) if len(pull) else np.nan
        spread = 1.4826 * np.median(np.abs(pull - middle)) if len(pull) else None
        out[name] = {
            "bias": bias, "bias_to_unblurred": sharp,
            "sky_to_corona_at_3": _number(sky / gain / np.nanmedian(seen[ok & (abs(r - 3) < 0.1)]))
            if (ok & (abs(r - 3) < 0.1)).any() else None,
            "pull_median": _number(middle),
            "pull_spread": _number(spread),
        }  # fmt: skip
    return out


def _fit(value, seen, x, y, ok) -> tuple[float, float, np.ndarray]:
    """Gain, sky at the Sun's centre and its slopes by relative least squares, outliers taken out.

    A sky may slope: that of the simulation does, by up to 0.6 of itself a degree, a merge that
    keeps the sky must show it so, and at 4.5 solar radii it is brighter than the corona. Only a
    plane is taken out; a seam, a ring, a ghost or a falsely curved sky stays a bias.
    """
    v, t = value[ok], seen[ok]
    basis = np.stack([t, np.ones_like(t), x[ok], y[ok]], 1)
    keep = np.ones(len(v), bool)
    found = np.zeros(4)
    for _ in range(5):
        scaled = basis[keep] / t[keep, None]
        scale = np.sqrt((scaled**2).mean(0))
        found = np.linalg.lstsq(scaled / scale, v[keep] / t[keep], rcond=None)[0] / scale
        rest = (v - basis @ found) / t
        spread = 1.4826 * np.median(np.abs(rest[keep] - np.median(rest[keep])))
        # Far out, where the corona is faint, noise is no outlier.
        keep = np.abs(rest - np.median(rest[keep])) < 10 * spread + 1e-12
    return float(found[0]), float(found[1]), found[2:]


def _rendering(rest, seen, ok) -> np.ndarray:
    """The part of what is left that is a common shift or blur of the picture.

    SIGMA speaks of the brightness. The Sun's centre has its own error, scored by registration_px,
    and the truth has a seeing of 2 arcsec where the frames had their own and a merge resamples.
    Five numbers, fitted over the whole ring: noise and what differs from place to place stay.
    """
    dy, dx = np.gradient(seen)
    (yy, yx), (_, xx) = np.gradient(dy), np.gradient(dx)
    basis = [dx, dy, xx, yy, yx]
    a = np.stack([b[ok] / seen[ok] for b in basis], 1)
    v = rest[ok] / seen[ok]
    keep = np.isfinite(v)
    found = np.zeros(5)
    for _ in range(4):
        found = np.linalg.lstsq(a[keep], v[keep], rcond=None)[0]
        left = v - a @ found
        spread = 1.4826 * np.nanmedian(np.abs(left))
        keep = np.isfinite(v) & (np.abs(left) < 5 * spread)
    return sum(f * b for f, b in zip(found, basis, strict=True))


def score(folder: Path, workspace: Path | None = None) -> dict:
    workspace = workspace or folder / "workspace"
    truth = json.loads((folder / "truth.json").read_text())
    head = {k: truth[k] for k in ("case", "seed", "megapixels", "eclipse")}
    if not (workspace / "frames.ecsv").exists():
        return {**head, "missing": "frames.ecsv"}
    s = Session(folder, workspace)
    return {
        **head, **frames(s), "time": times(s), "clock": clocks(s), "pointing": pointing(s),
        "corona": corona(s),
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, metavar="DIR")
    parser.add_argument("--workspace", type=Path)
    given = parser.parse_args()
    print(json.dumps(score(given.folder, given.workspace)))


if __name__ == "__main__":
    main()
