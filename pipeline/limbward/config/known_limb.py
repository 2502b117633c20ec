"""The Moon's limb that frames are dated with."""

from __future__ import annotations

from astropy.time import Time

from limbward.clock.body import KnownLimb
from limbward.config import Config, place_and_time
from limbward.sky.limb_track import limb_track


def known_limb(config: Config, epoch: Time) -> KnownLimb | None:
    """Return the Moon's limb as far as it is known and wanted, for frames to be dated with.

    Raises
    ------
    LimbwardError
        If the configured profile cannot be read or is none.
    """
    profile = place_and_time.limb_profile(config)
    size = place_and_time.sun_over_track(config)
    if profile is not None:
        return KnownLimb(lambda t: profile, given=True, sun_size=size)
    if config.timing.lunar_limb == "smooth":
        return None
    limbs = limb_track(
        epoch,
        place_and_time.site(config),
        radii=place_and_time.radii(config),
        ephemeris=config.sky.ephemeris,
    )
    if limbs is None:
        return None
    return KnownLimb(limbs.at, sun_size=size)
