"""Names of earlier configs, so that an error can tell what a key or a filter is called now."""

from __future__ import annotations

KEYS = {
    "input.biases": "bias",
    "merge.saturation": "linear_up_to",
    "merge.sky": "background",
    "compose.sky": "sky_lightness",
    "compose.highlights": "brightest_lightness",
}
FILTERS = {"rank": "radial_histogram_equalization"}
