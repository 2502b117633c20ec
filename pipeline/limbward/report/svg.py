"""Matplotlib figures as inline SVG that takes its colours and its letters from the page."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any
from xml.etree import ElementTree

import matplotlib
from markupsafe import Markup
from matplotlib.figure import Figure

from limbward.report.wording import printable

# Each stands for a colour of the style sheet, which has one for light and one for dark pages. The
# values are never seen; they are only unlike any that matplotlib uses of its own accord.
NAMES = (
    "ink", "soft", "line", "panel", "accent", "second",
    "partial", "contact", "totality", "dark", "flat", "bias", "other", "unreadable",
)  # fmt: skip
COLOURS = {name: f"#0{i:x}1357" for i, name in enumerate(NAMES)}
_VARIABLES = {value: f"var(--{name})" for name, value in COLOURS.items()}

STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",  # letters stay letters: readable aloud, found by a search
    "text.usetex": False,
    "timezone": "UTC",
    "text.parse_math": False,  # a camera's name may hold a dollar sign
    "font.size": 10.0,
    "axes.edgecolor": COLOURS["line"],
    "axes.labelcolor": COLOURS["soft"],
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 10.0,
    "axes.titlelocation": "left",
    "axes.titlecolor": COLOURS["ink"],
    "text.color": COLOURS["ink"],
    "xtick.color": COLOURS["line"],
    "ytick.color": COLOURS["line"],
    "xtick.labelcolor": COLOURS["soft"],
    "ytick.labelcolor": COLOURS["soft"],
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": COLOURS["line"],
    "grid.linewidth": 0.5,
    "legend.frameon": False,
    "legend.labelcolor": COLOURS["ink"],
    "axes.unicode_minus": True,
}
_SPACE = re.compile(r"^\{[^}]*\}")
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
_FONT_SIZE = re.compile(r"([\d.]+px)")


@contextmanager
def styled(name: str) -> Iterator[None]:
    """Draw in the report's style; ``name`` makes the identifiers of the drawing its own."""
    with matplotlib.rc_context({**STYLE, "svg.hashsalt": name}):
        yield


def to_svg(figure: Figure, name: str, alt: str, titles: Mapping[str, str] | None = None) -> Markup:
    """Return a figure as an ``svg`` element to stand in HTML.

    Parameters
    ----------
    figure : Figure
        Drawn inside `styled`, with `COLOURS` only.
    name : str
        Differs from those of the page's other figures.
    alt : str
        What it shows, for those who do not see it.
    titles : mapping, optional
        From the link of a mark (``#frame-3``) to the text that is shown when the pointer rests
        on it.

    Returns
    -------
    Markup
        Without style attributes, which a strict Content-Security-Policy forbids.
    """
    buffer = io.BytesIO()
    with warnings.catch_warnings():
        # The page's own fonts write the letters; matplotlib's only measure them.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    root = ElementTree.fromstring(buffer.getvalue())
    used: set[str] = set()
    for element in root.iter():
        _plain(element)
        for key, value in element.attrib.items():
            used.update(_REFERENCE.findall(value))
            if key == "href" and element.tag == "use":
                used.add(value.removeprefix("#"))
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in ("metadata", "style"):
                parent.remove(child)
    for element in root.iter():
        _rename(element, name, used)
        if element.tag == "a":
            _label(element, titles or {})
        elif element.tag == "text" and titles:
            element.set("aria-hidden", "true")
    box = root.get("viewBox", "0 0 1 1")
    root.attrib.clear()
    root.attrib.update(
        {
            "viewBox": box,
            "class": "plot",
            # A picture must not hold links; a group may.
            "role": "group" if titles else "img",
            "aria-label": printable(alt),
            "stroke-linejoin": "round",
            "stroke-linecap": "butt",
        }
    )
    return Markup(ElementTree.tostring(root, encoding="unicode"))


def _plain(element: ElementTree.Element) -> None:
    """Drop name spaces, and turn the style attribute into attributes of its own."""
    element.tag = _SPACE.sub("", element.tag)
    element.tail = None if not (element.tail or "").strip() else element.tail
    attributes = {_SPACE.sub("", key): value for key, value in element.attrib.items()}
    for declaration in attributes.pop("style", "").split(";"):
        key, _, value = (part.strip() for part in declaration.partition(":"))
        if key in ("font", "font-size"):
            size = _FONT_SIZE.search(value)
            if size:
                attributes["font-size"] = size[1]
        elif key and key != "font-family":
            attributes[key] = value
    for key, value in attributes.items():
        attributes[key] = _VARIABLES.get(value.lower(), value)
    element.attrib.clear()
    element.attrib.update(attributes)


def _rename(element: ElementTree.Element, name: str, used: set[str]) -> None:
    """Keep only identifiers that something refers to, and make them the figure's own."""
    identifier = element.attrib.pop("id", None)
    if identifier in used:
        element.set("id", f"{name}-{identifier}")
    for key, value in element.attrib.items():
        if key == "href" and element.tag == "use":
            element.set(key, f"#{name}-{value.removeprefix('#')}")
        else:
            element.set(key, _REFERENCE.sub(rf"url(#{name}-\1)", value))


def _label(link: ElementTree.Element, titles: Mapping[str, str]) -> None:
    """Let a mark tell its frame, and keep 500 marks out of the way of keys and of the ear."""
    link.set("tabindex", "-1")
    link.set("aria-hidden", "true")
    text = titles.get(link.get("href", ""))
    if text is not None:
        title = ElementTree.Element("title")
        title.text = printable(text)
        link.insert(0, title)
