"""Evenly spaced strokes support one another: rolls and fast figures, each stroke of which may be hard to hear."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["support"]

SPACING = (25, 140)
"""Least and greatest frames between neighbouring strokes.  These and the next four: tuned on made takes."""
OFF, OFF_SHARE = 4.0, 0.06
"""Frames by which a neighbour may be off its place, or so much of the spacing; farther neighbours by `LOOSER`."""
LOOSER = (1.0, 1.3, 1.6)
ALIKE_DB = 10.0
"""Neighbours differ in level by no more."""
LEAST = 0.01
"""Least probability of a neighbour from which a spacing is taken."""
FAINTEST = 1e-4


def support(
    frames: NDArray[np.int64], probability: NDArray[np.float64], level_db: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Tell how far the evenly spaced neighbours of each candidate speak for it.

    Parameters
    ----------
    frames : ndarray of int64, shape (n,)
        Candidates of one drum, increasing.
    probability, level_db : ndarray, shape (n,)

    Returns
    -------
    support : ndarray, shape (n, 2)
        Of the best spacing: geometric mean of the probabilities of the two nearest neighbours (one to each side, or two
        in a row), and of the best four of the three places to each side.  0 to 1.
    """
    return _support(  # type: ignore[no-any-return]
        np.ascontiguousarray(frames, np.float64),
        np.ascontiguousarray(probability, np.float64),
        np.ascontiguousarray(level_db, np.float64),
    )


@njit(nogil=True, cache=True)
def _support(frames, probability, level_db):  # type: ignore[no-untyped-def]
    n = len(frames)
    out = np.zeros((n, 2))
    places = np.empty(6)
    reach = 3.0 * (SPACING[1] + OFF)
    first = 0
    for i in range(n):
        while frames[i] - frames[first] > reach:
            first += 1
        stop = i + 1
        while stop < n and frames[stop] - frames[i] <= reach:
            stop += 1
        for j in range(first, stop):
            spacing = abs(frames[j] - frames[i])
            if spacing < SPACING[0] or spacing > SPACING[1]:
                continue
            if probability[j] < LEAST or abs(level_db[j] - level_db[i]) > ALIKE_DB:
                continue
            places[:] = FAINTEST
            for k in range(first, stop):
                beats = (frames[k] - frames[i]) / spacing
                whole = int(np.round(beats))
                if whole == 0 or abs(whole) > 3 or abs(level_db[k] - level_db[i]) > ALIKE_DB:
                    continue
                if abs(beats - whole) * spacing <= max(OFF, OFF_SHARE * spacing) * LOOSER[abs(whole) - 1]:
                    place = whole + 3 if whole < 0 else whole + 2
                    places[place] = max(places[place], probability[k])
            pair = max(places[2] * places[3], places[2] * places[1], places[3] * places[4])
            out[i, 0] = max(out[i, 0], np.sqrt(pair))
            places.sort()
            out[i, 1] = max(out[i, 1], np.sqrt(np.sqrt(places[2] * places[3] * places[4] * places[5])))
    return out
