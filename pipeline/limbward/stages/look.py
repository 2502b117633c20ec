"""How the config wants the finished picture to look, be cut and be captioned."""

from __future__ import annotations

from dataclasses import replace

from astropy.io.fits import Header

from limbward.config import Config
from limbward.render.compose import Look, blur_of
from limbward.render.crop import Box
from limbward.render.writers import Caption
from limbward.stages.captions import caption_of_merge
from limbward.workspace import Workspace


def caption_for(config: Config, workspace: Workspace, header: Header, words: str) -> Caption:
    """Return the caption of the finished picture; ``words`` say how it is turned."""
    caption = caption_of_merge(config, workspace, header, words)
    own = config.compose
    return replace(caption, title=own.title or caption.title, author=own.author or caption.author)


def look_of(config: Config, workspace: Workspace) -> Look:
    """Return how the config wants the picture to look."""
    options = config.compose
    blur = options.limb_px
    if blur is None:
        # Tables take a third of a second to import, which the page's first picture has not.
        from limbward.workspace.stored import merged_limb_widths

        blur = blur_of(merged_limb_widths(workspace))
    return Look(
        detail=options.detail_strength,
        saturation=options.saturation,
        white_balance=options.white_balance,
        sky=options.sky_lightness,
        highlights=options.brightest_lightness,
        outer=options.outer,
        brightness=options.brightness,
        contrast=options.contrast,
        level_sky=options.level_sky,
        moon=options.moon_lightness,
        earthshine=options.earthshine,
        limb_px=blur,
        space=options.profile,
    )


def box_of(config: Config) -> Box | None:
    """Return the rectangle that the config crops the picture to."""
    crop = config.compose.crop
    return None if crop is None else Box(crop.left, crop.right, crop.top, crop.bottom)
