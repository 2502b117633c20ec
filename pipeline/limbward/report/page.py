"""The page itself: template, style and script put together under a strict security policy."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from limbward.report.wording import exposure_text

HERE = Path(__file__).parent


def content_security_policy(style: str, script: str = "") -> str:
    """Return a policy that lets a page run this style and this script, and load nothing.

    Parameters
    ----------
    style, script : str
        Exactly what stands between the tags; no script at all may run if there is none.
    """
    runs = f"script-src {_hash(script)}; " if script else ""
    return (
        f"default-src 'none'; img-src data:; style-src {_hash(style)}; "
        f"{runs}base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    return f"'sha256-{digest}'"


def _read(*names: str) -> str:
    return "".join((HERE / name).read_text(encoding="utf-8") for name in names)


def templates_in(folder: Path) -> Environment:
    """Return what renders the templates of a folder; names that nobody gives are errors."""
    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


def render_page(**content: Any) -> str:
    """Return the page; ``content`` is what the template shows.

    Whatever is not Markup is escaped: what stands in a camera's files is text, never HTML.
    """
    environment = templates_in(HERE)
    environment.filters["exposure"] = exposure_text
    style = _read("vendor/uplot.css", "report.css")
    # The licence of uPlot asks that it goes along.
    script = f"/*\n{_read('vendor/uplot.LICENSE')}*/\n" + _read(
        "vendor/uplot.js", "report.js", "charts.js"
    )
    return environment.get_template("report.html.j2").render(
        policy=content_security_policy(style, script),
        style=Markup(style),
        script=Markup(script),
        **content,
    )
