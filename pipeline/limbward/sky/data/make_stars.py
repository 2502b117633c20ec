"""``python make_stars.py hip2.dat``: the packaged catalogues of stars.

Writes of the new reduction of the Hipparcos data the stars down to magnitude 5 beside itself, with
the proper names of the brightest as the package Skyfield lists them, and the fainter ones along the
ecliptic, which telescopes show around an eclipsed Sun.
README.md beside this script says where the source comes from. Nothing of this runs later.
"""

from __future__ import annotations

import argparse
import hashlib
from pathlib import Path

import numpy as np
from skyfield.named_stars import named_star_dict

TARGET = Path(__file__).resolve().parent
SHA256 = "c45d6325bd59dd691764af173a9702e543804a2b6c1d9fea59210e8332e50a4a"
FAINTEST = 5.0
FAINTEST_AT_SUN = 9.5  # the catalogue is complete to magnitude 7.3 to 9 only
FROM_ECLIPTIC_DEG = 6.0
OBLIQUITY = np.radians(23.4393)  # IAU 2006, J2000
# Columns of hip2.dat: F. van Leeuwen, Hipparcos, the New Reduction (2007), CDS catalogue I/311.
HIP, RA, DEC, PM_RA, PM_DEC, HP = 0, 4, 5, 7, 8, 19
# The names that the IAU's Working Group on Star Names approved, of those in the list, which has
# others as well, some of them for two stars.
NAMED = """
Achernar Acrux Adhara Aldebaran Algieba Algol Alhena Alioth Alkaid Almach Alnair Alnilam
Alnitak Alphard Alphecca Alpheratz Altair Aludra Ankaa Antares Arcturus Aspidiske Atria Avior
Bellatrix Betelgeuse Canopus Capella Caph Castor Deneb Denebola Diphda Dschubba Dubhe Elnath Enif
Fomalhaut Gacrux Hadar Hamal Izar Kochab Markab Megrez Menkalinan Menkent Merak Miaplacidus Mimosa
Mintaka Mirach Mirfak Mirzam Mizar Naos Nunki Peacock Phecda Polaris Pollux Procyon Rasalhague
Regulus Rigel Sabik Sadr Saiph Sargas Scheat Schedar Shaula Sirius Spica Suhail Vega"""


def main() -> None:
    """Write the file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("catalogue", type=Path)
    path = parser.parse_args().catalogue
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    if digest != SHA256:
        raise SystemExit(f"{path} has the SHA-256 {digest}, not {SHA256}")
    rows = np.array([[float(x) for x in line.split()] for line in path.read_text().splitlines()])
    rows = rows[np.argsort(rows[:, HP], kind="stable")]
    bright = rows[:, HP] <= FAINTEST
    latitude = np.arcsin(
        np.sin(rows[:, DEC]) * np.cos(OBLIQUITY)
        - np.cos(rows[:, DEC]) * np.sin(OBLIQUITY) * np.sin(rows[:, RA])
    )
    near = ~bright & (np.abs(np.degrees(latitude)) <= FROM_ECLIPTIC_DEG)
    write("ecliptic_stars.npz", rows[near & (rows[:, HP] <= FAINTEST_AT_SUN)])
    rows = rows[bright]
    names = {named_star_dict[name]: name for name in NAMED.split()}
    names[71683] = "Rigil Kentaurus"
    write(
        "bright_stars.npz", rows, name=np.array([names.get(int(hip), "") for hip in rows[:, HIP]])
    )


def write(file: str, rows: np.ndarray, name: np.ndarray | None = None) -> None:
    """Write stars, the brightest first, with their names if they have any."""
    columns = {
        "hip": rows[:, HIP].astype(np.int32),
        "ra_rad": rows[:, RA],
        "dec_rad": rows[:, DEC],
        "pm_ra_mas": rows[:, PM_RA].astype(np.float32),
        "pm_dec_mas": rows[:, PM_DEC].astype(np.float32),
        "magnitude": rows[:, HP].astype(np.float32),
    } | ({} if name is None else {"name": name})
    np.savez_compressed(TARGET / file, allow_pickle=True, **columns)


if __name__ == "__main__":
    main()
