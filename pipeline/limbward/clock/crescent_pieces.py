"""The pieces that a clock falls into where crescents say that it was set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from limbward.clock.crescent_model import DRIFT, OFFSET, PIECES, Model
from limbward.clock.crescent_solve import (
    LOSS_SIGMA,
    drift_cost,
    late_s,
    offset_variance,
    solve,
    used_frames,
    without_empty_pieces,
)
from limbward.clock.evidence import BEADS_S, TotalityEvidence
from limbward.clock.pieces import another_piece

Floats = NDArray[np.float64]

STEP_LEAST_S = 1.0  # besides a reading's step, by which readings at a steady pace jump once
SETTING_COST = 15.0  # of each, in a loss that takes a frame 5 sigma off for half of its square
UNLIKELY = 8.0  # chi-square by which a setting that is short of that cost is of no account
MORE_PIECES, LEAST_SPLIT = 4, 5  # settings besides those of the start; frames to look for one


def in_pieces(
    total: float, p: Floats, model: Model, covered: TotalityEvidence | None
) -> tuple[float, Floats, Model, Floats]:
    """Return a fit with the pieces of the clock that its frames support.

    Parameters
    ----------
    total : float
        Chi-square of the fit.
    p : ndarray, shape (P,)
        Its parameters.
    model : Model
    covered : TotalityEvidence or None

    Returns
    -------
    total, p, model
        Of the fit with its pieces.
    doubt : ndarray, shape (2,)
        Variance of offset (s^2) and drift ((s/h)^2) by a further piece that is nearly supported: a
        setting of 6 s that passed for a drift of 5 s per hour put a clock 2.5 s off at a stated
        0.36. It is the square of what the piece would change, times its probability.
    """
    total, p, model = without_empty_pieces(total, p, model)
    doubt = np.zeros(2)
    for _ in range(MORE_PIECES):
        used, c = used_frames(model, p), model.crescents
        if used.sum() < LEAST_SPLIT:  # of so few, those that a setting put aside are needed, too
            used = model.inside(p)
        if used.sum() < LEAST_SPLIT:
            break
        late, speed = late_s(model, p)
        sigma = model.sigma_px(p) / speed
        t = model.middle_s(p)
        begin, gain = another_piece(
            late[used], sigma[used], t[used], c.order[used], model.piece[used]
        )
        beside = contradiction(covered, model, p)
        # The whole fit decides, below; an odd drift or totality may speak for a setting, too.
        if gain + drift_cost(p) + beside < SETTING_COST - UNLIKELY:
            break
        # Where it falls into a piece that there is, the piece is cut in two.
        at = int(model.piece[used & (c.order >= begin)].min())
        jump = np.append(0.0, model.jump_s + p[PIECES:])
        more = replace(
            model,
            piece=model.piece + ((c.order >= begin) & (model.piece >= at)),
            jump_s=np.insert(jump, at + 1, jump[at])[1:],
        )
        start = np.append(p[:PIECES], np.zeros(more.jump_s.size))
        new_total, q, new = without_empty_pieces(*solve(more, start), more)
        offsets = np.append(0.0, new.jump_s + q[PIECES:])
        coarse = float(np.median(c.resolution_s[used]))
        small = np.abs(np.diff(offsets)).min(initial=np.inf) < STEP_LEAST_S + coarse
        more_pieces = new.jump_s.size - model.jump_s.size
        worse = new_total + contradiction(covered, new, q) - total - beside
        worse += SETTING_COST * more_pieces
        if small:
            break
        if worse > 0.0:
            away = _middle_offset(new, q) - _middle_offset(model, p), q[DRIFT] - p[DRIFT]
            doubt = np.square(away) * expit(-0.5 * worse)  # with the other's probability
            break
        total, p, model = new_total, q, new
    return total, p, model, doubt


def _middle_offset(model: Model, p: Floats) -> float:
    """Return the offset of the piece that holds the crescent nearest to greatest eclipse."""
    piece = int(model.piece[np.argmin(np.abs(model.middle_s(p)))])
    later = np.append(0.0, model.jump_s + p[PIECES:])
    return float(model.base_s + p[OFFSET] + later[piece])


def contradiction(covered: TotalityEvidence | None, model: Model, p: Floats) -> float:
    """Return how far off, as chi-square, the piece of the clock is that suits totality best."""
    if covered is None:
        return 0.0
    beyond = covered.beyond_s(model.base_s + p[OFFSET] + np.append(0.0, model.jump_s + p[PIECES:]))
    if beyond == 0.0:  # as usual: how well the offset is known need not be worked out
        return 0.0
    square = beyond**2 / (offset_variance(model, p) + BEADS_S**2)
    return square / (1.0 + square / LOSS_SIGMA**2)
