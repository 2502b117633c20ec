"""tables/clips.ecsv: what the samples of each clip show, and when they were taken."""

from __future__ import annotations

from collections.abc import Sequence

import astropy.units as u
import numpy as np
from astropy.table import Table, vstack
from astropy.time import Time, TimeDelta

from limbward.clips.clock import Timed
from limbward.clips.sampling import Sampled
from limbward.clips.times import phase_of
from limbward.limb.partial import measured_columns
from limbward.sky.circumstances import iso_utc
from limbward.workspace.columns import masked_floats, masked_texts
from limbward.workspace.folder import Workspace

CLIPS = "tables/clips.ecsv"


def clip_table(file: str, sampled: Sampled, clip: Timed, epoch: Time) -> Table:
    """Return a clip's samples as rows like those of frames."""
    table = Table()
    numbered = [str(k) if np.isnan(at) else f"{at:.3f}" for k, at in enumerate(sampled.at_s)]
    table["file"] = [f"{file}#{which}" for which in numbered]
    table["phase"] = [phase_of(m) for m in sampled.found]
    table["clip"] = file
    table["clip_s"] = masked_floats(sampled.at_s, u.s)
    table["time_utc"] = masked_texts(
        [
            iso_utc(epoch + TimeDelta(t, format="sec")) if np.isfinite(t) else ""
            for t in clip.since_greatest_s
        ]
    )
    table["time_utc_sigma"] = masked_floats(clip.sigma_s, u.s)
    for name, values in measured_columns(sampled.found).items():
        table[name] = masked_floats(values, u.pix)
    return table


def write_clips(workspace: Workspace, tables: Sequence[Table]) -> None:
    """Write the rows of all clips, one after the other."""
    workspace.write_table(CLIPS, vstack(tables, metadata_conflicts="silent"))
