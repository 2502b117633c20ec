"""What the pictures of a merge say about themselves."""

from __future__ import annotations

from dataclasses import replace

from astropy.io.fits import Header

from limbward.config import Config
from limbward.render.writers import Caption, caption_of, place_text
from limbward.workspace import Workspace


def caption_for(config: Config, workspace: Workspace, header: Header, words: str) -> Caption:
    """Return the caption of the finished picture; ``words`` say how it is turned."""
    caption, own = caption_of_merge(config, workspace, header, words), config.compose
    return replace(caption, title=own.title or caption.title, author=own.author or caption.author)


def caption_of_merge(config: Config, workspace: Workspace, header: Header, words: str) -> Caption:
    """Return the caption of a picture made of a merge; ``words`` say what was made of it."""
    from limbward.workspace.lenses import lens_of  # tables: a third of a second

    site = config.site
    return caption_of(
        header,
        words,
        title=config.report.title,
        author=config.report.author,
        site=place_text(site.name, site.latitude, site.longitude),
        place=(site.latitude, site.longitude),
        lens=config.report.lens or lens_of(workspace, str(header.get("CAMERA", ""))),
    )
