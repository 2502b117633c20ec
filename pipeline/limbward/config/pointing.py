"""How a camera stood: as the frames tell, or as the config says, which has the last word."""

from __future__ import annotations

from dataclasses import replace

from limbward.config import Config
from limbward.geometry.lens import Growth
from limbward.geometry.pointing import Pointing, pointing_of


def pointing_in_force(
    config: Config, measured: list[Pointing], body: tuple[str, str]
) -> Pointing | None:
    """Return how a camera was turned, measured or as the config says; None if neither tells."""
    found = pointing_of(
        measured,
        body,
        up_position_angle=config.align.up_position_angle,
        pixel_scale_arcsec=config.align.pixel_scale_arcsec,
    )
    known = known_growth(config, body[0])
    if found is None or known is None:
        return found
    return replace(found, distortion=known.value, distortion_sigma=known.sigma)


def known_growth(config: Config, camera: str) -> Growth | None:
    """Return the distortion of a camera's lens as the config has it; None if it does not say."""
    for body in config.bodies:
        if body.name == camera and body.distortion is not None:
            return Growth(body.distortion, 0.0, "config")
    return None
