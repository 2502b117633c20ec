"""What pictures made of a merge say about themselves."""

from __future__ import annotations

from astropy.io.fits import Header

from limbward.config import Config
from limbward.config.lens_name import lens_said
from limbward.render.writers import Caption, caption_of, place_text
from limbward.workspace import Workspace


def caption_of_merge(config: Config, workspace: Workspace, header: Header, words: str) -> Caption:
    """Return the caption of a picture made of a merge; ``words`` say what was made of it."""
    site = config.site
    return caption_of(
        header,
        words,
        title=config.report.title,
        author=config.report.author,
        site=place_text(site.name, site.latitude, site.longitude),
        place=(site.latitude, site.longitude),
        lens=lens_shown(config, workspace, str(header.get("CAMERA", ""))),
    )


def lens_shown(config: Config, workspace: Workspace, camera: str) -> str:
    """Return the lens that captions name: as the config has it, else as most photographs do."""
    from limbward.workspace.lenses import lens_name_of  # tables: a third of a second

    return lens_said(config, camera) or lens_name_of(workspace, camera)
