"""Picture files that other programs open: 16-bit TIFF with an ICC profile, 8-bit sRGB PNG."""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from os import PathLike
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import tifffile
from astropy.io.fits import Header
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from limbward.compiled import in_threads, kernel
from limbward.geometry.angle import half_turn
from limbward.radiance.scratch import let_go
from limbward.render.space import SRGB, Space, to_srgb

Pixels = NDArray[np.float32]

SOFTWARE = "limbward"
NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
ROWS = 256
DPI = 300  # of print; pixels themselves have no size
# TIFF's ImageDescription is ASCII; XMP and IPTC beside it have the words as they are.
IN_ASCII = str.maketrans(
    {"°": " deg", "±": "+/-", "−": "-", "–": "-", "×": "x", "’": "'", "☉": "sun"}
)
QUICK = {"compress_level": 1, "compress_type": 3}  # zlib's Z_RLE, which was made for PNG


@kernel
def to_16_bits(first: int, last: int, picture: Pixels, out: NDArray[np.uint16]) -> None:
    """Round rows of a picture from 0 to 1 to 16 bits, and put their colours last."""
    for y in range(first, last):
        for x in range(out.shape[1]):
            for c in range(3):
                value = min(max(picture[c, y, x], np.float32(0.0)), np.float32(1.0))
                out[y, x, c] = np.uint16(np.rint(value * np.float32(65535.0)))


@kernel
def to_8_bits(first: int, last: int, picture: Pixels, top: int, out: NDArray[np.uint8]) -> None:
    """Dither rows of a picture from 0 to 1 to 8 bits, and put their colours last."""
    for y in range(first, last):
        along_y = 0.5698402909980532 * (top + y)
        for x in range(out.shape[1]):
            # R2 sequence: a dither without period or clumps, the same in every run.
            dither = 0.7548776662466927 * x + along_y
            dither -= np.floor(dither)
            for c in range(3):
                value = min(max(picture[c, y, x], np.float32(0.0)), np.float32(1.0))
                value = value * np.float32(255.0) + np.float32(dither)
                out[y, x, c] = np.uint8(min(value, np.float32(255.0)))


@dataclass(frozen=True)
class Caption:
    """What a picture file says about itself; empty fields are left out.

    ``start`` and ``end`` are UTC in ISO 8601; latitude and longitude degrees north and east;
    ``lens`` stands in the description as well.
    """

    description: str = ""
    title: str = ""
    author: str = ""
    site: str = ""
    start: str = ""
    end: str = ""
    latitude: float | None = None
    longitude: float | None = None
    lens: str = ""

    def text(self) -> str:
        """Return the description with the span of time and the site."""
        return ". ".join(part for part in (self.description, self.site, self.span()) if part)

    def span(self) -> str:
        """Return the span of time, the date once; empty if it is not known."""
        if not (self.start and self.end):
            return ""
        (day, first), (other, last) = (t.rstrip("Z").split("T") for t in (self.start, self.end))
        return f"{day} {first} to {last if day == other else f'{other} {last}'} UTC"


def xmp(caption: Caption) -> str:
    """Return a caption as an XMP packet (ISO 16684-1) with the fields of IPTC Core.

    The rows of the pixels are from the top, the columns from the left: tiff:Orientation 1.
    """
    caption = _caption(caption)

    def language(tag: str, value: str) -> str:
        inner = f'<rdf:Alt><rdf:li xml:lang="x-default">{escape(value)}</rdf:li></rdf:Alt>'
        return f"<{tag}>{inner}</{tag}>" if value else ""

    def simple(tag: str, value: str) -> str:
        return f"<{tag}>{escape(value)}</{tag}>" if value else ""

    creator = f"<rdf:Seq><rdf:li>{escape(caption.author)}</rdf:li></rdf:Seq>"
    fields = [
        language("dc:title", caption.title),
        language("dc:description", caption.text()),
        f"<dc:creator>{creator}</dc:creator>" if caption.author else "",
        language("dc:rights", f"© {caption.author}" if caption.author else ""),
        *_gps(caption),
        simple("exifEX:LensModel", caption.lens),
        simple("Iptc4xmpCore:Location", caption.site),
        simple("photoshop:Headline", caption.title),
        simple("photoshop:DateCreated", caption.start),
        simple("xmp:CreateDate", caption.start),
        simple("xmp:CreatorTool", SOFTWARE),
        simple("tiff:Orientation", "1"),
    ]
    return (
        '<?xpacket begin="\\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'.replace("\\ufeff", "\ufeff")
        + '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" '
        'xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:exifEX="http://cipa.jp/exif/1.0/" '
        'xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:tiff="http://ns.adobe.com/tiff/1.0/" '
        'xmlns:photoshop="http://ns.adobe.com/photoshop/1.0/" '
        'xmlns:Iptc4xmpCore="http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/">'
        + "".join(fields)
        + '</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    )


def _gps(caption: Caption) -> list[str]:
    """Return the place as Exif's fields in XMP: degrees, then minutes with decimals."""
    if caption.latitude is None or caption.longitude is None:
        return []
    east = half_turn(caption.longitude)
    fields = []
    for name, value, signs in (("Latitude", caption.latitude, "NS"), ("Longitude", east, "EW")):
        whole, minutes = divmod(round(abs(value) * 60.0, 4), 60.0)
        text = f"{int(whole)},{minutes:.4f}{signs[value < 0]}"
        fields.append(f"<exif:GPS{name}>{text}</exif:GPS{name}>")
    return fields


def iptc(caption: Caption) -> bytes:
    """Return a caption as records of the older IPTC-IIM, which many archives still read.

    References
    ----------
    IPTC-NAA Information Interchange Model, version 4.2: numbers and lengths of the data sets of
    record 2.
    """
    day, clock = caption.start[:10].replace("-", ""), caption.start[11:19].replace(":", "")
    fields = [
        (1, 90, "\x1b%G", 32),  # what follows is UTF-8
        (2, 5, caption.title, 64),
        (2, 55, day, 8),
        (2, 60, f"{clock}+0000" if len(clock) == 6 else "", 11),
        (2, 80, caption.author, 32),
        (2, 92, caption.site, 32),
        (2, 116, f"© {caption.author}" if caption.author else "", 128),
        (2, 105, caption.title, 256),
        (2, 120, caption.text(), 2000),
    ]
    out = b""
    for record, number, value, longest in fields:
        # A character that is cut in two is left out.
        data = value.encode()[:longest].decode(errors="ignore").encode()
        if data:
            out += struct.pack(">BBBH", 0x1C, record, number, len(data)) + data
    return out


def caption_of(
    header: Header,
    words: str,
    *,
    title: str,
    author: str,
    site: str,
    place: tuple[float, float] | None = None,
    lens: str = "",
) -> Caption:
    """Return the caption of a finished picture from its merge's header.

    Parameters
    ----------
    header : Header
    words : str
        How the picture is turned.
    title, author, site : str
    place : tuple of float, optional
        Latitude and longitude, degrees north and east.
    lens : str
    """
    latitude, longitude = place or (None, None)
    return Caption(
        description=(
            f"{picture_of(header)}, {str(header['DATE-AVG'])[:19]} UTC, {header['NFRAMES']} frames "
            f"({header['EXPTOTAL']:.1f} s) with {with_lens(header['CAMERA'], lens)}, "
            f"{words}{no_measurement(header)}"
        ),
        title=title,
        author=author,
        site=site,
        start=f"{str(header['DATE-BEG'])[:19]}Z",
        end=f"{str(header['DATE-END'])[:19]}Z",
        latitude=latitude,
        longitude=longitude,
        lens=lens,
    )


def with_lens(camera: str, lens: str) -> str:
    """Return a camera with its lens, if that is known.

    Examples
    --------
    >>> with_lens("Aurelia L8", "Refractor 90/600")
    'Aurelia L8 and Refractor 90/600'
    """
    return f"{camera} and {lens}" if camera and lens else camera or lens


def picture_of(header: Header) -> str:
    """Return what a picture shows, in words for its caption."""
    if "RING" not in header:
        return "Solar corona"
    return "The Sun's ring round the Moon" if header["RING"] else "The Sun's crescent"


def no_measurement(header: Header) -> str:
    """Return what a caption says of a picture that was merged from display-referred frames."""
    return "" if header.get("LINEAR", True) else "; from display-referred frames, not a measurement"


def place_text(name: str, latitude: float, longitude: float) -> str:
    """Return a place in words.

    Examples
    --------
    >>> place_text("", 65.0, -23.4)
    '65.000° N, 23.400° W'
    """
    ns, ew = ("N" if latitude >= 0 else "S"), ("E" if longitude >= 0 else "W")
    place = f"{abs(latitude):.3f}° {ns}, {abs(longitude):.3f}° {ew}"
    return f"{name}, {place}" if name else place


def _caption(caption: Caption | str) -> Caption:
    whole = Caption(caption) if isinstance(caption, str) else caption
    words: Any = {n: plain(v) for n, v in asdict(whole).items() if isinstance(v, str)}
    return replace(whole, **words)


def plain(text: str) -> str:
    """Return a text without what XML 1.0 (section 2.2, Char) cannot hold, not even escaped.

    Control characters, among them NUL, which ends a text in other fields, and halves of surrogate
    pairs, which are no UTF-8.
    """
    return NOT_XML.sub("", text)


def write_tiff(
    path: str | PathLike[str], picture: Pixels, caption: Caption | str = "", space: Space = SRGB
) -> None:
    """Write a 16-bit TIFF with the profile of its colour space.

    Parameters
    ----------
    path : path
    picture : ndarray of float32, shape (3, H, W)
        Encoded, from 0 to 1.
    caption : Caption or str
        For XMP, IPTC-IIM and the ImageDescription tag, which holds ASCII only.
    space : Space
        Of the picture.

    Notes
    -----
    Not compressed: the lowest of 16 bits are noise, and deflate brings 144 MB (24 megapixels) to 76
    to 95 MB in 4.9 s of a processor, or 2.0 s at its lowest level; plain rows need no work, here
    or in the editor that opens them.
    """
    caption = _caption(caption)
    height, width = picture.shape[1:]
    packet, records = xmp(caption).encode(), iptc(caption)
    rights = f"Copyright {caption.author}".encode("ascii", "replace").decode()
    tifffile.imwrite(
        path,
        _strips(picture),
        shape=(height, width, 3),
        dtype=np.uint16,
        photometric="rgb",
        rowsperstrip=ROWS,
        iccprofile=space.profile(),
        description=caption.text().translate(IN_ASCII).encode("ascii", "replace").decode(),
        resolution=(DPI, DPI),
        resolutionunit="INCH",
        software=SOFTWARE,
        metadata=None,
        extratags=[
            *([(33432, "s", 0, rights, True)] if caption.author else []),
            (274, "H", 1, 1, True),
            (700, "B", len(packet), packet, True),
            (33723, "B", len(records), records, True),
        ],
    )


def _strips(picture: Pixels) -> Iterator[NDArray[np.uint16]]:
    """Yield a picture in 16 bits, some rows after the others: whole it would be 6 bytes a pixel."""
    for top in range(0, picture.shape[1], ROWS):
        part = picture[:, top : top + ROWS]
        strip = np.empty((*part.shape[1:], 3), np.uint16)
        in_threads(to_16_bits, len(strip), part, strip)
        let_go(picture)
        yield strip


def write_png(
    path: str | PathLike[str], picture: Pixels, caption: Caption | str = "", space: Space = SRGB
) -> None:
    """Write an 8-bit PNG marked as sRGB.

    Parameters
    ----------
    path : path
    picture : ndarray of float32, shape (3, H, W)
        Encoded, from 0 to 1.
    caption : Caption or str
        For XMP, and for the Description keyword.
    space : Space
        Of the picture; the file is sRGB whatever it is.

    Notes
    -----
    Half a step of ordered noise (the golden-ratio sequence of the pixel's number) is added before
    rounding, or 8 bits would show steps in the dark sky. Among such noise deflate finds nothing to
    repeat but runs of one value, and looking for no more takes 1.2 s of a processor for 24
    megapixels in place of 2.1 s, for a file 4 % smaller to 3 % larger.
    """
    caption = _caption(caption)
    height, width = picture.shape[1:]
    image = Image.new("RGB", (width, height))
    for top in range(0, height, ROWS):  # in bands: Pillow's own 4 bytes per pixel are enough
        encoded = to_srgb(picture[:, top : top + ROWS], space)
        part = np.empty((*encoded.shape[1:], 3), np.uint8)
        in_threads(to_8_bits, len(part), encoded, top, part)
        image.paste(Image.fromarray(part, "RGB"), (0, top))
        let_go(picture)
    info = PngImagePlugin.PngInfo()
    info.add(b"sRGB", b"\x00")
    info.add_text("Software", SOFTWARE)
    if caption.title:
        info.add_itxt("Title", caption.title)
    if caption.author:
        info.add_itxt("Author", caption.author)
    if caption.text():
        info.add_itxt("Description", caption.text())
    info.add_itxt("XML:com.adobe.xmp", xmp(caption))
    image.save(path, format="PNG", pnginfo=info, dpi=(DPI, DPI), **QUICK)
