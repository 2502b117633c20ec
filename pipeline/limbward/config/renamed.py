"""Names of earlier configs, so that an error can tell what to write in their place."""

from __future__ import annotations

KEYS = {
    "input.biases": "bias",
    "merge.saturation": "linear_up_to",
    "merge.sky": "background",
    "compose.sky": "sky_lightness",
    "compose.highlights": "brightest_lightness",
}
# Of what now stands elsewhere: the sentence that answers the old key.
MOVED = {"report.lens": "was moved to the camera; write 'lens' in its entry under 'bodies'."}
FILTERS = {"rank": "radial_histogram_equalization"}
# Of a filter: the sentence that answers an old parameter.
PARAMETERS = {
    "multiscale.lift": "was renamed; write 'finest_gain'.",
    "multiscale.bands": "was removed: scales now double up to 'coarsest_radii', as many as fit.",
}
