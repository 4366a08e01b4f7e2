"""Events: moments at which several mics hear something begin, and what each of them hears then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.hits.envelopes import N_BANDS
from spillgate.dsp.core.hits.novelty import RING_AFTER, Novelty, gather, rises_at
from spillgate.dsp.core.room import Room, in_memory

__all__ = ["N_NUMBERS", "OVERHEAD_BANDS", "Events", "find_events", "observe"]

N_NUMBERS = N_BANDS + 2
"""Numbers a mic contributes to an event: its bands and two of ring."""
OVERHEAD_BANDS = (2, N_BANDS)
"""Bands of an overhead that count: below 220 Hz every drum is in it."""
FAINTEST_DB = -36.0
"""Candidates weaker than this make no event.  These and the next: tuned on multitrack takes of three kits."""
MOST_RISE_DB, LEAST_MEAN_RISE_DB = 15.0, 4.0
"""A mic's rise counts up to 15 dB; the mean over the mics must exceed 4 dB."""
TOGETHER = 6
"""Frames to both sides within which mics rise together."""
TAKES = (7, 9)
"""Frames before and after an event that belong to it."""
HEARS = (7, 8)
"""Frames before and after an event within which a close mic hears it."""
OVERHEAD_HEARS = (7, 12)
"""The same for an overhead, which is farther away."""


@dataclass(frozen=True)
class Events:
    """What begins when, and what each mic hears of it.

    Attributes
    ----------
    frames : ndarray of int64, shape (n_events,)
    where : ndarray of int64, shape (n_events, n_mics)
        Frame at which each mic hears it.
    after, before : ndarray of float32, shape (n_events, n_mics, 8)
        Mean energy from then on and before then, in the mic's own units; the last two numbers tell ring.
    valid : ndarray of bool, shape (n_events, n_mics, 8)
        Numbers that mean something.
    """

    frames: NDArray[np.int64]
    where: NDArray[np.int64]
    after: NDArray[np.float32]
    before: NDArray[np.float32]
    valid: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.frames)

    def chosen(self, which: slice | NDArray[np.int64]) -> Events:
        """Give some of them, by a slice or by indices."""
        return Events(self.frames[which], self.where[which], self.after[which], self.before[which], self.valid[which])


def find_events(mics: Sequence[Novelty]) -> NDArray[np.int64]:
    """Find the moments at which the mics together hear something begin.

    Parameters
    ----------
    mics : sequence of Novelty
        Close mics and overheads, all of one length.

    Returns
    -------
    frames : ndarray of int64
        Increasing.
    """
    if not mics or len(mics[0].rise) == 0:
        return np.empty(0, np.int64)
    strong = [m.candidates[m.strength_db > FAINTEST_DB] for m in mics]
    frames = np.unique(np.concatenate(strong))
    score = np.zeros(len(frames))
    for m in mics:
        score += np.minimum(rises_at(m, frames - TOGETHER, frames + TOGETHER)[1], MOST_RISE_DB)
    score /= len(mics)
    frames, score = frames[score > LEAST_MEAN_RISE_DB], score[score > LEAST_MEAN_RISE_DB]
    order = frames[np.argsort(-score, kind="stable")]
    return np.sort(_claim(order, len(mics[0].rise), *TAKES))


def observe(
    frames: NDArray[np.int64],
    mics: Sequence[Novelty],
    energies: Sequence[NDArray[np.float32]],
    overhead: Sequence[bool],
    room: Room | None = None,
) -> Events:
    """Read every mic at every event.

    Parameters
    ----------
    frames : ndarray of int64, shape (n_events,)
    mics : sequence of Novelty
    energies : sequence of ndarray, shape (n_frames, 6)
    overhead : sequence of bool
        Which mics are overheads.
    room : callable, optional
        Makes the long arrays; default: in memory.

    Returns
    -------
    events : Events
    """
    n = len(frames)
    half_back = np.full(n, 10**6)
    half_ahead = np.full(n, 10**6)
    if n > 1:
        gap = np.diff(frames)
        half_back[1:] = gap // 2
        half_ahead[:-1] = (gap - 1) // 2
    shape = (n, len(mics), N_NUMBERS)
    where = np.zeros(shape[:2], np.int64)
    made = room or in_memory
    after, before = made(shape), made(shape)
    valid = np.ones(shape, np.bool_)
    ring_heard = np.r_[np.diff(frames) > RING_AFTER[1], np.ones(min(n, 1), np.bool_)]
    for m, (known, energy) in enumerate(zip(mics, energies, strict=True)):
        back, ahead = OVERHEAD_HEARS if overhead[m] else HEARS
        first, last = frames - np.minimum(back, half_back), frames + np.minimum(ahead, half_ahead)
        where[:, m] = rises_at(known, first, last)[0]
        found = gather(energy, known, where[:, m])
        after[:, m, :N_BANDS], before[:, m, :N_BANDS] = found[0], found[1]
        after[:, m, N_BANDS:], before[:, m, N_BANDS:] = found[2], found[3]
        valid[:, m, N_BANDS:] = ring_heard[:, None]
        valid[:, m, :N_BANDS] = known.reference > 0
        if overhead[m]:
            valid[:, m, : OVERHEAD_BANDS[0]] = False
            valid[:, m, N_BANDS:] = False
    return Events(frames, where, after, before, valid)


@njit(nogil=True, cache=True)
def _claim(order, n, back, ahead):  # type: ignore[no-untyped-def]
    taken = np.zeros(n, np.bool_)
    kept = np.empty(len(order), np.int64)
    count = 0
    for k in order:
        if not taken[k]:
            kept[count] = k
            count += 1
            taken[max(k - back, 0) : k + ahead + 1] = True
    return kept[:count]
