"""The brightness of the sky and the strip along the horizon, of solved wide frames."""

from __future__ import annotations

from limbward.config import Config, place_and_time
from limbward.landscape.brightness import LEAST_FRAMES, frames_of_sky, horizon_strip, sky_curve
from limbward.landscape.charts import brightness_chart, horizon_chart
from limbward.landscape.solved import Solved
from limbward.landscape.told import curve_told
from limbward.products.wide_frames import Made, as_pixels
from limbward.render.writers import write_png
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.product import Product, artefact, write_product

CURVE, STRIP = "sky-brightness", "horizon"


def write(
    config: Config, workspace: Workspace, reporter: Reporter, solved: Solved, made: Made
) -> None:
    """Write both charts as far as enough frames show the sky, and remove them where not."""
    rows = frames_of_sky(solved)
    if len(rows) < LEAST_FRAMES:
        for name in (CURVE, STRIP):
            workspace.remove(artefact(name))
        return
    circumstances = place_and_time.eclipse(config)
    covered = place_and_time.covered_s(config, circumstances)
    contacts = None if covered is None else (covered[0] / 60.0, covered[1] / 60.0)
    curve = sky_curve(solved, rows)
    minutes = curve.t / 60.0
    chart = brightness_chart(
        minutes, curve.high, curve.low, curve.surface, contacts, calibrated=curve.calibrated
    )
    unit = (
        "magnitudes per square arcsecond, by the stars in the frames"
        if curve.calibrated
        else "relative, for no star in the frames tells more"
    )
    product = Product(
        name=CURVE,
        title="Brightness of the sky",
        caption=f"Medians of the sky more than 8 degrees from the Sun; {unit}. Dashed: second and "
        "third contact. The lens' vignetting is not taken out.",
        alt="A curve that falls by some magnitudes between the contacts",
        picture=f"sequences/{CURVE}.png",
        numbers={"frames": str(len(rows)), **curve.darkest()},
        files=[f"sequences/{CURVE}.png", artefact(CURVE)],
        details=curve_told(curve),
    )
    charts = [(product, chart)]
    strip = horizon_strip(solved, rows)
    if strip is None:
        workspace.remove(artefact(STRIP))
    else:
        chart = horizon_chart(strip.azimuth, strip.t / 60.0, strip.colours, contacts)
        product = Product(
            name=STRIP,
            title="The horizon through the eclipse",
            caption=f"{strip.frames} frames of one tripod, time downwards, azimuth to the right; "
            "exposures are taken out, and brightness is logarithmic. Dashed: second and third "
            "contact.",
            alt="A strip that is bright above and below and dark in its middle",
            picture=f"sequences/{STRIP}.png",
            files=[f"sequences/{STRIP}.png", artefact(STRIP)],
        )
        charts.append((product, chart))
    # Both show when the contacts are, so their files carry the cautions.
    caution = place_and_time.contacts_json(config, circumstances)["caution"]
    for product, chart in charts:
        product.details["caution"] = caution
        name = f"sequences/{product.name}.png"
        with workspace.writing(name) as part:
            write_png(part, as_pixels(chart), f"{product.title}. {caution}")
        write_product(workspace, reporter, product)
        made.files.append(name)
