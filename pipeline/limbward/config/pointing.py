"""How a camera stood: as the frames tell, or as the config says, which has the last word."""

from __future__ import annotations

from dataclasses import replace

from limbward.camera.lens_database import UnknownLens, growth_in_database
from limbward.config import Config
from limbward.config.lens_name import lens_said
from limbward.geometry.lens import UNTOLD, Growth
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


def looked_up_growth(
    config: Config,
    body: str,
    lens: str,
    focal_mm: float,
    size: tuple[float, float],
    pitch_um: float,
) -> tuple[Growth, str]:
    """Return the distortion by a lens's name if the config asks for it, and why it is not known.

    Parameters
    ----------
    config : Config
    body : str
        Name of the camera in the tables.
    lens : str
        Name of the lens in its files; empty if they have none.
    focal_mm, pitch_um : float
        NaN where not known.
    size : (float, float)
        Of the frames, pixels.
    """
    if known_growth(config, body) is not None or not config.align.lens_database:
        return UNTOLD, ""
    name = lens_said(config, body) or lens
    if not name:
        return UNTOLD, "Its files name no lens to look up; `lens` under bodies can."
    try:
        return growth_in_database(name, focal_mm, size, pitch_um, body), ""
    except UnknownLens as unknown:
        return UNTOLD, f"{unknown} Its distortion is measured from the frames alone."
