"""Small cards that are ingested, with frames of every kind."""

from datetime import timedelta

import numpy as np

from limbward.config.loading import load_config
from limbward.stages import ingest
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from tests.camera.files import TAGS, dng, jpeg

SHAPE = (300, 400)
SUN = (201.3, 148.6, 60.0)  # x, y, radius of the discs drawn here
SITE = "{latitude: 65.0, longitude: -23.4, height: 40}"


def disc(seed=1, sun=SUN):
    """Return a frame of the whole Sun through a filter: an even disc, its edge one pixel soft."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = 8000.0 / (1 + np.exp((np.hypot(x - sun[0], y - sun[1]) - sun[2]) / 0.5))
    return noisy(light, rng)


def corona(seed=1, moon=SUN):
    """Return a frame of totality: a black Moon before light that falls off with the distance."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    rho = np.hypot(x - moon[0], y - moon[1]) / moon[2]
    light = 9000.0 * np.maximum(rho, 1.0) ** -4.0 / (1 + np.exp((1.0 - rho) * moon[2] / 0.5))
    return noisy(light, np.random.default_rng(seed))


def noisy(light, rng):
    signal = rng.poisson(light * 2.0) / 2.0 + rng.normal(512, 4.0, SHAPE)
    return np.clip(signal, 0, 15800).astype(np.uint16)


def capped(seed):
    return noisy(np.zeros(SHAPE), np.random.default_rng(seed))


def even(seed):
    return noisy(np.full(SHAPE, 6000.0), np.random.default_rng(seed))


def a_card(root):
    """Write a card with a frame of each kind, and return its folder."""
    folder = root / "card/DCIM/100TESTA"
    for k in range(3):
        time = TAGS.time_camera + timedelta(seconds=10 * k)
        dng(folder / f"TST_{k + 1:04d}.DNG", disc(k), time_camera=time, subsec_digits=2)
    jpeg(folder / "TST_0001.JPG", {0x829A: (1, 500)}, {0x010F: "Invented", 0x0110: "Model One"})
    dng(folder / "TST_0004.DNG", capped(4), exposure_s=2.0)
    dng(folder / "TST_0005.DNG", even(5))
    whole = dng(folder / "TST_0006.DNG", disc(6)).read_bytes()
    (folder / "TST_0006.DNG").write_bytes(whole[: len(whole) // 2])
    (folder / "TST_0007.DNG").write_bytes(b"")
    (folder / "TST_0008.MOV").write_bytes(b"moving")
    dng(folder / "TST_0010.DNG", corona(10))
    return folder


def a_config(root, text="input: {cards: [card]}", site=SITE, eclipse="2026-08-12"):
    path = root / "limbward.yaml"
    path.write_text(f"site: {site}\neclipse: {eclipse}\n{text}\n", encoding="utf-8")
    return load_config(path)


def run(config, root):
    workspace = Workspace(root / "workspace")
    reporter = SilentReporter()
    ingest.run(config, workspace, reporter)
    return workspace, workspace.read_table(Workspace.table("ingest")), reporter


def row_of(table, name):
    return {
        c: table[c][[str(f).endswith(name) for f in table["file"]].index(True)]
        for c in table.colnames
    }
