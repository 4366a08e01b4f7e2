"""Whether what is new in a drum's mic looks like that drum: the shape of its strokes in the lows.

Strokes on one drum set its head going in nearly the same way, whatever their loudness: the lows of one look like those
of another.  What a kick, a snare or another tom leaks into the mic has a shape of its own, and cymbals have none down
there.  So the shapes are learned from the surest hits and looked for where the energy alone is in doubt.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.foretold import NOT_NEAR, SHAPE_LEAD_MS, SHAPE_SLACK_MS, of_own_shape
from spillgate.dsp.core.hits.lows import N_LOWS, ranges

if TYPE_CHECKING:
    from spillgate.dsp.core.hits.scene import Lows

__all__ = ["UNKNOWN", "learned", "own_shape"]

LENGTH_MS = (30.0, 20.0)
"""How much of a stroke is looked at in each range.  These and the next: tuned on made takes."""
HEARD, TEACHERS, ROUNDS = 160, 40, 3
"""Most strokes that are looked at, an even choice; most that a shape is the mean of, the loudest; and how often they
are laid over one another anew."""
OFFSET_MS = 4.0
"""So much before a stroke tells what offset the mic has."""
FEW, SELF = 6, 12
"""From no more strokes than the first, none within so many frames is compared to a shape that it has taught itself."""
NEAR = 10
"""Frames within which another drum's stroke may leak."""
UNKNOWN, NOT_LOOKED_AT = 0.3, 0.15
"""Share given where the drum's shape is not known, and to what is hardly a stroke anyway."""
LEAST = 0.002
"""Least probability of a candidate that is looked at."""


def learned(x: NDArray[np.floating], rate: float, times_s: NDArray[np.floating], length: int) -> NDArray[np.float64]:
    """Learn the shape of a drum's strokes in a mic.

    Parameters
    ----------
    x : ndarray, shape (n,)
        The mic's lows.
    rate : float
        Hz.
    times_s : ndarray, shape (n_strokes,)
        When the strokes begin, give or take 2 ms.
    length : int
        Samples.

    Returns
    -------
    shape : ndarray, shape (length,)
        Mean of the strokes, each of energy 1, laid over one another where they correlate most; of energy 1.  Zeros if
        there is none.
    """
    lead, slack, still = (round(v * rate / 1000.0) for v in (SHAPE_LEAD_MS, SHAPE_SLACK_MS, OFFSET_MS))
    heard = []
    strokes = np.round(np.asarray(times_s) * rate).astype(np.int64)
    some = min(len(strokes), HEARD)
    for at in strokes[np.arange(some) * len(strokes) // max(some, 1)]:
        first, stop = int(at) - lead - slack, int(at) - lead + length + slack
        if first - still >= 0 and stop <= len(x):
            y = np.asarray(x[first:stop], np.float64) - float(np.mean(x[first - still : first], dtype=np.float64))
            energy = float(np.sqrt(np.sum(y * y)))
            if energy > 0.0:
                heard.append((energy, y / energy))
    if not heard:
        return np.zeros(length)
    loudest = sorted(range(len(heard)), key=lambda i: (-heard[i][0], i))[:TEACHERS]
    pieces = np.array([heard[i][1] for i in sorted(loudest)])
    lags = np.lib.stride_tricks.sliding_window_view(pieces, length, axis=1)
    shape = heard[loudest[0]][1][slack : slack + length]
    for _ in range(ROUNDS):
        best = np.argmax((lags * shape).sum(2), axis=1)
        total = np.zeros(length)
        for one, lag in zip(lags, best, strict=True):
            total += one[lag]
        shape = total / max(float(np.sqrt(np.sum(total * total))), 1e-15)
    return np.asarray(shape)


def own_shape(
    low: Lows | None,
    frames: NDArray[np.int64],
    probability: NDArray[np.float64],
    own: NDArray[np.int64],
    others: list[NDArray[np.int64]],
    struck: list[NDArray[np.int64]],
) -> NDArray[np.float32]:
    """Tell of each candidate of a drum how much of what is new in its lows has the shape of the drum's strokes.

    Parameters
    ----------
    low : Lows or None
        Of the drum's own mic.
    frames : ndarray of int64, shape (n,)
        Candidates.
    probability : ndarray, shape (n,)
    own : ndarray of int64, shape (n_own,)
        Frames of strokes of the drum that are nearly certain.
    others : list of ndarray of int64
        The same for other drums, when nothing else sounds.
    struck : list of ndarray of int64
        Whenever those drums may have been struck, increasing.

    Returns
    -------
    share : ndarray, shape (n, 2), float32
        In the lowest range and in all; see `of_own_shape`.
    """
    found = np.full((len(frames), N_LOWS), UNKNOWN if low is None or len(own) == 0 else NOT_LOOKED_AT, np.float32)
    if low is None or len(own) == 0:
        return found
    looked = np.flatnonzero(probability >= LEAST)
    which = np.zeros(len(looked), np.int64)
    taught = [own]
    if len(own) <= FEW:
        for i, at in enumerate(own):
            which[np.abs(frames[looked] - at) <= SELF] = len(taught)
            taught.append(np.delete(own, i))
    known = np.array([len(t) > 0 for t in taught])
    apart = (
        np.stack([_nearest(frames[looked], s) for s in struck], 1) if struck else np.zeros((len(looked), 0), np.int64)
    )
    for k, (x, rate) in enumerate(ranges(low.samples, low.rate)):
        length = round(LENGTH_MS[k] * rate / 1000.0)
        shapes = [[learned(x, rate, t * low.frame_s, length) for t in some] for some in (taught, others)]
        theirs = np.array(shapes[1]).reshape(-1, length)
        times = np.asarray(frames[looked] * low.frame_s, np.float64)
        near = (np.abs(apart) <= NEAR) & theirs.any(1)
        begins = np.where(near, np.round(apart * low.frame_s * rate).astype(np.int64), NOT_NEAR)
        share = of_own_shape(x, rate, times, theirs, begins, np.array(shapes[0]), which, k)
        found[looked, k] = np.where(known[which], share, UNKNOWN)
    return found


def _nearest(frames: NDArray[np.int64], strokes: NDArray[np.int64]) -> NDArray[np.int64]:
    """Frames from each moment to the nearest of some strokes; far away where there is none."""
    far = NEAR + 1
    if len(strokes) == 0:
        return np.full(len(frames), far, np.int64)
    i = np.searchsorted(strokes, frames)
    after = strokes[np.minimum(i, len(strokes) - 1)] - frames
    before = strokes[np.maximum(i - 1, 0)] - frames
    return np.clip(np.where(np.abs(before) <= np.abs(after), before, after), -far, far)
