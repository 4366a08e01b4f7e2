"""Turning a drum's track down a little between its own hits."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["closes_between", "usual_level"]

LOOK_FRAMES = 2
"""A frame counts as sunk if this many from it on are; one could be a beat of two partials."""

QUANTILE = 0.9
"""Between hits the other drums come and go: what nine tenths of the time stays under (tuned on three made takes: at the
median a snare track hardly ever closed)."""

OWN_S = 0.35
"""Frames so soon after a hit say nothing about what lies between hits (a snare rings about so long; common practice,
no source)."""


def usual_level(power: NDArray[np.floating], firsts: NDArray[np.int64], frame_s: float) -> float:
    """Measure what a track usually has in it while its drum is not heard.

    Parameters
    ----------
    power : ndarray, shape (n_frames,)
        Power of the track.
    firsts : ndarray, shape (n_hits,), int64
        Frame of each own hit, increasing.
    frame_s : float
        Time from frame to frame, s.

    Returns
    -------
    level : float
        What the power of the frames more than 0.35 s behind an own hit exceeds for a tenth of the time; the same of
        the quietest fifth of all frames if there are fewer than ten of those.
    """
    n = len(power)
    if n == 0:
        return 0.0
    own = np.zeros(n + 1, np.int64)
    reach = int(np.ceil(OWN_S / frame_s))
    np.add.at(own, np.clip(firsts - 1, 0, n), 1)
    np.add.at(own, np.clip(firsts + reach, 0, n), -1)
    free = power[np.cumsum(own)[:n] == 0]
    if len(free) < 10:
        free = np.sort(power)[: max(n // 5, 1)]
    return float(np.quantile(free, QUANTILE))


def closes_between(
    power: NDArray[np.floating],
    firsts: NDArray[np.int64],
    frame_s: float,
    least_s: float,
    level: float,
) -> NDArray[np.int64]:
    """Find where the sound of each hit has sunk into what is usually there.

    Parameters
    ----------
    power : ndarray, shape (n_frames,)
        Power of the track.
    firsts : ndarray, shape (n_hits,), int64
        Frame of each own hit, not decreasing.
    frame_s : float
        Time from frame to frame, s.
    least_s : float
        Open at least so long, s.
    level : float
        Power under which a hit has sunk.

    Returns
    -------
    closes : ndarray, shape (n_hits,), int64
        Frame in which it may close; the next hit's frame (behind the last hit: the number of frames) if none.
    """
    n = len(power)
    stops = np.append(firsts, n)[1:]
    low = np.append(power < level, np.ones(LOOK_FRAMES, bool))
    sunk = np.ones(n, bool)
    for k in range(LOOK_FRAMES):
        sunk &= low[k : k + n]
    at = np.flatnonzero(sunk)
    earliest = firsts + int(np.ceil(least_s / frame_s))
    place = np.searchsorted(at, earliest)
    found = np.append(at, n)[place] if len(at) else np.full(len(firsts), n)
    closes: NDArray[np.int64] = np.minimum(np.maximum(found, firsts), stops).astype(np.int64)
    return closes
