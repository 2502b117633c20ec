"""The brightness of the sky and the strip along the horizon, of solved wide frames."""

from __future__ import annotations

from limbward.config import place_and_time
from limbward.landscape.brightness import LEAST_FRAMES, frames_of_sky, horizon_strip, sky_curve
from limbward.landscape.charts import brightness_chart, horizon_chart
from limbward.landscape.said import curve_said, strip_said
from limbward.landscape.solved import Solved
from limbward.products.wide_output import Output


def write(output: Output, solved: Solved) -> None:
    """Write both charts as far as enough frames show the sky, and remove them where not."""
    rows = frames_of_sky(solved)
    if len(rows) < LEAST_FRAMES:
        output.drop("sky-brightness", "horizon")
        return
    circumstances = place_and_time.eclipse(output.config)
    covered = place_and_time.covered_s(output.config, circumstances)
    contacts = None if covered is None else (covered[0] / 60.0, covered[1] / 60.0)
    curve, strip = sky_curve(solved, rows), horizon_strip(solved, rows)
    charts = [(curve_said(curve), brightness_chart(curve, contacts))]
    if strip is None:
        output.drop("horizon")
    else:
        charts.append((strip_said(strip), horizon_chart(strip, contacts)))
    # Both show when the contacts are, so their files carry the cautions.
    caution = place_and_time.contacts_json(output.config, circumstances)["caution"]
    for said, chart in charts:
        said.details["caution"] = caution
        names = output.picture(chart, said.name, f"{said.title}. {caution}")
        output.tell(said, names[0], names)
