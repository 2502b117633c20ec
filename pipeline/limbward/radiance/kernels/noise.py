"""The variance of a raw sample: one law for the weights and for the errors."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel

Signal = TypeVar("Signal", np.float32, NDArray[np.float32])


def sample_variance(
    signal: Signal, gain: np.float32, read2: np.float32, spread2: np.float32
) -> Signal:
    """Return ``gain * light + read2 + spread2 * light**2``, ADU squared.

    A signal below black is noise of the read-out: light is never below none, so neither its photons
    nor unequal pixels add anything then.

    Parameters
    ----------
    signal : float32 or ndarray of float32
        ADU above black.
    gain : float32
        ADU an electron.
    read2, spread2 : float32
        Squares of the read noise, ADU, and of the spread of the pixels' sensitivities, relative.
    """
    light = np.maximum(signal, np.float32(0.0))
    return gain * light + read2 + spread2 * light * light


variance_of = kernel(inline="always")(sample_variance)
