"""Whether a drum was struck at all: evidence that no single candidate gives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.ownership import Earlier, told_of
from spillgate.dsp.core.hits.scene import FAR, Scene, Sources

__all__ = ["was_struck"]

LIKELY = 0.5
"""Candidates of at least this probability are looked at."""
SURE = {"tom": 0.97, "snare": 0.9999, "hat": 0.97, "cymbal": 0.97}
"""A drum with a surer candidate was struck; a kick is told by its lows.  Tuned on made takes."""
BEYOND_DB, BEYOND_LOW_DB = 2.5, 3.0
"""By so much, on the mean of all bands, something of a struck drum's own exceeds the most that all others leak; or by
so much in the lows, when no other drum sounds.  Tuned on made takes."""
NEARLY, CLEAR_DB = 0.9, 5.0
"""A candidate of at least this probability that exceeds the most that others leak by so much is a stroke: in a tom that
is struck once there is no other by which it could grow surer.  Tuned on made takes."""
LOUDEST_DB = 6.0
"""A snare that was struck exceeds the most that others leak at least once by so much.  Tuned on made takes."""
FEW_OWN = 0.2
"""Of a snare or a hat so many of the likely ones may look like its own by chance; of a tom none."""


def was_struck(scene: Scene, sources: Sources, probability: NDArray[np.float64], d: int) -> bool | None:
    """Tell of a drum without a sure hit whether everything that is heard of it may be what others leak into its mic.

    Parameters
    ----------
    scene : Scene
    sources : Sources
        As learned.
    probability : ndarray, shape (n_candidates,)
        That each is a hit.
    d : int
        Index of the drum.

    Returns
    -------
    struck : bool or None
        None where that cannot be told, or is told by a sure hit or by there being no likely one.
    """
    mine = np.flatnonzero(scene.candidates.drum == d)
    p, kind = probability[mine], scene.kit.kinds[d]
    if not LIKELY <= p.max(initial=0.0) < SURE.get(kind, 0.0):
        return None
    likely = mine[p >= LIKELY]
    told = told_of(scene, sources, d, likely, Earlier.of(scene, probability))
    beyond, alone = told["firm_excess_mean"], told["leak_distance"] >= FAR
    if np.any((beyond >= CLEAR_DB) & (probability[likely] >= NEARLY)):
        return True
    if kind == "snare" and float(beyond.max()) < LOUDEST_DB:
        return False
    low = np.maximum(told["firm_low_excess_0"], told["firm_low_excess_1"]) >= BEYOND_LOW_DB
    own = (beyond >= BEYOND_DB) | (alone & low)
    # of two drums that always sound together, the surer one is not the other's leak
    own |= ~alone & (told["leak_probability"] < probability[likely])
    return False if float(np.mean(own)) <= (0.0 if kind == "tom" else FEW_OWN) else None
