"""How loud a stroke is that nobody measured: one that the engineer added."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["WINDOW_S", "fresh_level_db"]

WINDOW_S = 0.020
"""So much of a stroke tells its level, against so much of what was there before.  Common practice, no source."""
SILENCE = 1e-20


def fresh_level_db(x: NDArray[np.floating]) -> float:
    """Level of what a stroke adds.

    Parameters
    ----------
    x : ndarray, shape (n,)
        As much before the stroke as from it on, `WINDOW_S` each.

    Returns
    -------
    level : float
        dB: the energy of the second half less that of the first; −200 if nothing is added.
    """
    y = np.square(np.asarray(x, np.float64))
    half = len(y) // 2
    return float(10.0 * np.log10(max(float(y[half:].sum() - y[:half].sum()), SILENCE)))
