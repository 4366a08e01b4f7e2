"""Strokes that do not raise the energy: those that meet the ring of the one before out of phase.

Where the new ring is opposed to the old one the drum grows softer, not louder, and no rise tells of the stroke.  Its
attack is still foreign to what the ring foretells.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.foretold import innovations
from spillgate.dsp.core.hits.novelty import spaced
from spillgate.dsp.core.hits.windows import means, stretches

__all__ = ["with_those_under_ring"]

RINGS_DB = -18.0
"""What the drum's lows hold at least, re its loud hits, where a stroke may be hidden.  This and the next three: tuned
on made takes."""
RINGS_BANDS, RINGS_FRAMES = 3, (30, 2)
"""Bands from the lowest one on (up to 600 Hz), and frames before the moment, that tell."""
FOREIGN_DB = 6.0
"""By so much the error of foretelling the lows from a moment on exceeds that of the past."""
EVERY, APART, NEW = 3, 8, 6
"""Frames from one moment to the next; least between two of those that are found; and from any that is known."""
UP_TO_1_KHZ = 1
"""The range that is looked at."""
TINY = 1e-12


def with_those_under_ring(
    frames: NDArray[np.int64],
    energy: NDArray[np.float32],
    quiet: NDArray[np.float64],
    reference: NDArray[np.float64],
    low: NDArray[np.float32],
    rate: float,
    frame_s: float,
) -> NDArray[np.int64]:
    """Add the moments at which a ringing drum's lows depart from what their past foretells.

    Parameters
    ----------
    frames : ndarray of int64, shape (n_known,)
        Candidates that are known, increasing.
    energy : ndarray, shape (n_frames, 6), float32
        Of the drum's mic.
    quiet, reference : ndarray, shape (6,)
        Of the same mic (`Novelty`).
    low : ndarray, shape (n,), float32
        From `LowBand`.
    rate : float
        Its rate in Hz.
    frame_s : float
        Length of a frame in seconds.

    Returns
    -------
    frames : ndarray of int64, shape (n_known + n_new,)
        Increasing.
    """
    unit = float(reference[:RINGS_BANDS].max(initial=0.0))
    if unit <= 0.0 or len(low) == 0:
        return frames
    where, how_far = [np.empty(0, np.int64)], [np.empty(0, np.float32)]
    for a, b in stretches(len(energy)):
        lo, hi = max(a - EVERY, 0), min(b + EVERY, len(energy))
        _, before = means(energy, quiet, lo, hi, 1, *RINGS_FRAMES)
        at = np.arange(lo + (-lo % EVERY), hi, EVERY)
        at = at[before[at - lo, :RINGS_BANDS].sum(1) > unit * 10 ** (RINGS_DB / 10)]
        after, past = (e[:, UP_TO_1_KHZ] for e in innovations(low, rate, np.asarray(at * frame_s), UP_TO_1_KHZ))
        foreign = after > 10 ** (FOREIGN_DB / 10) * past + TINY
        top = foreign & ~_greater(at, after, -EVERY) & ~_greater(at, after, EVERY) & (at >= a) & (at < b)
        where.append(at[top])
        how_far.append(after[top])
    at, strength = np.concatenate(where), np.concatenate(how_far)
    i = np.searchsorted(frames, at)
    known = np.concatenate([[-NEW], frames, [len(energy) + NEW]])
    new = (at - known[i] >= NEW) & (known[i + 1] - at >= NEW)
    return np.sort(np.concatenate([frames, spaced(at[new], strength[new], len(energy), APART)]))


def _greater(at: NDArray[np.int64], values: NDArray[np.float32], step: int) -> NDArray[np.bool_]:
    """Tell where the value `step` frames on is greater (the later of two that are equal counts as less)."""
    i = np.minimum(np.searchsorted(at, at + step), max(len(at) - 1, 0))
    there = at[i] == at + step
    return np.asarray(there & (values[i] >= values if step < 0 else values[i] > values))
