"""Where a camera's pictures have their up, and how large their pixels are on the sky."""

from __future__ import annotations

from dataclasses import dataclass, replace

from limbward.geometry.orientation import Orientation

UNKNOWN_UP_SIGMA = 180.0  # degrees
STATED_UP_SIGMA = 0.1  # degrees, to which a person tells a camera's orientation


@dataclass(frozen=True)
class Pointing:
    """A camera's orientation at greatest eclipse, and how its field turns.

    Attributes
    ----------
    camera, serial : str
    orientation : Orientation
    up_sigma_deg : float
        Standard error of its position angle.
    rotation_deg_per_hour : float
        Of the field; 0 on an equatorial mount.
    lean_deg : tuple of float
        How far north and east the vertical axis leans about which the field turns.
    north_known : bool
        False where ``up_position_angle`` is only the camera's up, called 0.
    distortion : float
        Its lens's `limbward.geometry.lens.Lens.growth`; 0 where none shows.
    distortion_sigma : float
        Its standard error; infinite where nothing tells it.
    """

    camera: str
    serial: str
    orientation: Orientation
    up_sigma_deg: float = STATED_UP_SIGMA
    rotation_deg_per_hour: float = 0.0
    north_known: bool = True
    lean_deg: tuple[float, float] = (0.0, 0.0)
    distortion: float = 0.0
    distortion_sigma: float = float("inf")

    def with_lens_of(self, other: Pointing | None) -> Pointing:
        """Return the pointing with what another says of distortion; none without another."""
        if other is None:
            return replace(self, distortion=0.0, distortion_sigma=float("inf"))
        sigma = other.distortion_sigma
        return replace(self, distortion=other.distortion, distortion_sigma=sigma)

    def drawn(self, distortion: float, sigma: float) -> Pointing:
        """Return the pointing with another measurement of distortion, if it is better."""
        nothing = distortion == 0.0 == self.distortion
        if nothing or not sigma < self.distortion_sigma:
            return self
        return replace(self, distortion=distortion, distortion_sigma=sigma)


def camera_up(body: tuple[str, str], pixel_scale_arcsec: float) -> Pointing:
    """Return the pointing of a camera of which only the scale is known: up is the camera's."""
    return Pointing(*body, Orientation(pixel_scale_arcsec, 0.0), UNKNOWN_UP_SIGMA, 0.0, False)


def pointing_of(
    pointings: list[Pointing],
    body: tuple[str, str],
    *,
    up_position_angle: float | None = None,
    pixel_scale_arcsec: float | None = None,
) -> Pointing | None:
    """Return how a camera was turned, what a person states replacing what was measured.

    Parameters
    ----------
    pointings : list of Pointing
        Those measured.
    body : tuple of str
        The camera's name and serial number.
    up_position_angle, pixel_scale_arcsec : float, optional
        As stated.

    Returns
    -------
    Pointing or None
        None where either of the two is neither measured nor stated.
    """
    found = next((p for p in pointings if (p.camera, p.serial) == body), None)
    if found is None:
        if up_position_angle is None or pixel_scale_arcsec is None:
            return None
        return Pointing(*body, Orientation(pixel_scale_arcsec, up_position_angle))
    turned = found.orientation
    if up_position_angle is not None:
        turned = replace(turned, up_position_angle=up_position_angle)
    if pixel_scale_arcsec is not None:
        turned = replace(turned, pixel_scale_arcsec=pixel_scale_arcsec)
    return replace(found, orientation=turned)
