"""How a camera stood: as the frames tell, or as the config says, which has the last word."""

from __future__ import annotations

from limbward.config import Config
from limbward.geometry.pointing import Pointing, pointing_of


def pointing_in_force(
    config: Config, measured: list[Pointing], body: tuple[str, str]
) -> Pointing | None:
    """Return how a camera was turned, measured or as the config says; None if neither tells."""
    return pointing_of(
        measured,
        body,
        up_position_angle=config.align.up_position_angle,
        pixel_scale_arcsec=config.align.pixel_scale_arcsec,
    )
