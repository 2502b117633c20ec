"""A look at the axes of a FITS file before a library counts them one by one."""

import gzip
import warnings
from math import prod
from pathlib import Path

from astropy.io import fits

from limbward.regular import open_regular

MOST_AXES = 999  # FITS Standard 4.0, section 4.4.1.1
MOST_UNITS = 1000  # headers in a file; no camera writes more than a few
BLOCK = 2880  # bytes
GZIP = b"\x1f\x8b"


def require_axes(path: Path) -> None:
    """Raise if a header of a FITS file declares more axes than there can be.

    astropy asks for the length of each, which for a damaged NAXIS takes for ever. Whatever else is
    wrong with a file is left to it to say.

    Raises
    ------
    ValueError
        With a sentence that names NAXIS.
    OSError
        If the file cannot be opened.
    """
    with open_regular(path) as raw:
        packed = raw.read(2) == GZIP
        raw.seek(0)
        stream = gzip.GzipFile(fileobj=raw) if packed else raw
        for _ in range(MOST_UNITS):
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    header = fits.Header.fromfile(stream)
                    # Given twice, either may be the one that is believed.
                    stated = [header["NAXIS", n] for n in range(header.count("NAXIS"))]
            except Exception:  # the end, or damage that astropy will meet and tell
                return
            for axes in stated:
                if not isinstance(axes, int) or not 0 <= axes <= MOST_AXES:
                    raise ValueError(f"NAXIS is {str(axes)[:40]}, which no image has")
            try:
                lengths = [header[f"NAXIS{n}"] for n in range(1, stated[-1] + 1)]
                if packed and len(lengths) >= 2:
                    return  # no one looks behind the first image, and unpacking it takes minutes
                size = prod(lengths) if lengths else 0
                more, groups = header.get("PCOUNT", 0), header.get("GCOUNT", 1)
                size = abs(header["BITPIX"]) // 8 * groups * (more + size)
                stream.seek(-(-size // BLOCK) * BLOCK, 1)
            except Exception:  # as above
                return
