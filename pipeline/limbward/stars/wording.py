"""What stars in a camera's frames tell, in words."""

from __future__ import annotations

from collections.abc import Iterable

from limbward.stars.session import Star, StarField

NAMED = 6  # stars at most, in a sentence


def stars_told(field: StarField | None, frames: int, decides: bool) -> str:
    """Return a sentence or two on the stars found in the frames of a camera.

    Parameters
    ----------
    field : StarField or None
    frames : int
        That were searched.
    decides : bool
        Whether the camera's orientation is taken from them.
    """
    searched = "one long exposure" if frames == 1 else f"{frames} long exposures"
    if field is None:
        return f"no star was recognised with confidence in {searched} of totality."
    names = [star.name for star in field.stars[:NAMED]]
    more = len(field.stars) - len(names)
    which = ", ".join(names) + (f" and {more} more" if more else "")
    what = "stars" if all(s.kind == "star" for s in field.stars) else "stars and planets"
    said = f"{len(field.stars)} {what} in {searched} of totality: {which}"
    turn = (
        f"up lies at position angle {field.orientation.up_position_angle:.3f} ± "
        f"{field.up_sigma_deg:.3f} degrees"
    )
    side = "mirrored" if field.orientation.mirrored else "not mirrored"
    chance = f"that they agree by chance has a probability below {field.chance:.0e}"
    if decides:
        return f"{said}. By them {turn}, and the picture is {side}; {chance}."
    return f"{said}. By them {turn}; {chance}."


def star_labels(stars: Iterable[Star]) -> list[tuple[str, float, float]]:
    """Return names with magnitudes, and offsets east and north, arcsec, of each star once."""
    found = {s.name: (f"{s.name} ({s.magnitude:.1f})", s.east, s.north) for s in stars}
    return list(found.values())
