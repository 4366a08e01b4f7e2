"""What may explain the bleed in a tom track: the powers of the other mics, and smeared copies of the close ones.

What the tom leaves in them is taken out, the overheads stand for the cymbals only, and no mic may leak more than what
it shows where its own drum is loud.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.cleaning.ring import ages
from spillgate.dsp.core.room import Room, in_memory

__all__ = ["Mic", "Sources", "belonging", "bounds_of_sources", "cymbals_of", "evenly", "leak_bounds", "share_left"]

SMEARS_S = (0.1, 0.4)
"""Time constants of the smeared copies of a close mic's power, s."""
SMEAR_ROOM = 2.0
"""A smeared copy's bound re the mic's own."""
OWN_PERCENTILE = 15.0
"""Of mic-to-tom power ratios after own hits: what the drum leaves in that mic whatever else sounds."""
FLOOR_SHARE = 0.05
"""Share of a mic's power that always stays when drums are taken out of it."""
DRUM_FROM, DRUM_TO = 0, 2
"""The same for a close mic's drum in an overhead."""
BOUND_S = 0.090
BOUND_PERCENTILE, BOUND_FACTOR, BOUND_FEW = 30.0, 2.0, 4
"""A leak is bounded by 2 × the 30th percentile over the mic's hits of the power ratio in their first 90 ms; by 2 × the
smallest when there are fewer than 4."""
LOUD_PERCENTILE, LOUD_FEWEST, LOUD_SILENT = 85.0, 40, 0.5
"""A mic without hits (an overhead) is bounded in the same way: by 2 × the median ratio in its loudest 15 % of frames
among those where the drum is silent (weight over 0.5), if there are 40 of them."""
BEFORE_FROM, BEFORE_TO = 3, 6
"""Frames before those hits whose level is first taken off the tom's…"""
BOUND_LEAST = 0.2
"""…down to this share of it: a tom that is ringing must not widen the bound."""
MOST_FRAMES = 1024
"""A fit uses at most so many frames, evenly chosen; twice as many change the stems of five takes by 0.05 dB."""
BANDS_AT_ONCE, MOST_TURNED = 8, 3 << 22
"""Bands of the other mics that are laid out in time order at once: memory is read in lines of sixteen numbers; and the
most numbers (50 MB): a take that is longer is gone through in stretches, three times instead of once."""
STRETCH = 1 << 15
"""Frames of such a stretch."""
FRAMES_AT_ONCE = 4096
"""Frames of the track that are laid out in time order at once."""


@dataclass(frozen=True)
class Mic:
    """Another mic of the take.

    Attributes
    ----------
    powers : ndarray, shape (n_frames, n_bands), float32
        Its band powers; of an overhead, what `cymbals_of` leaves.
    hits : ndarray, shape (n_hits,), int64, or None
        Frames of its own drum's hits; None if it has no drum of its own or they are not known.
    close : bool
        Whether it stands at a drum (else it is an overhead).
    """

    powers: NDArray[np.float32]
    hits: NDArray[np.int64] | None
    close: bool


class Sources:
    """What may explain a tom's bleed: band by band, of a long take stretch by stretch.

    Parameters
    ----------
    mics : sequence of Mic
    x : ndarray, shape (n_bands, n_frames), float32
        Power of the tom's track.
    shares : sequence of ndarray, shape (n_bands,), float32
        What the tom leaves in each mic at least, re its own track.
    marked : ndarray, shape (n_frames,), bool
        Frames in which that is taken out of them.
    noise : ndarray, shape (n_bands,), float64
        The last source.
    smears : ndarray, shape (n_smears,), float64
        Coefficients of the copies.
    """

    def __init__(
        self,
        mics: Sequence[Mic],
        x: NDArray[np.float32],
        shares: Sequence[NDArray[np.float32]],
        marked: NDArray[np.bool_],
        noise: NDArray[np.float64],
        smears: NDArray[np.float64],
    ) -> None:
        self._mics, self._x, self._marked, self._noise, self._smears = mics, x, marked, noise, smears
        self._shares = np.asarray(shares, np.float32).reshape(len(mics), len(x))
        self._close = np.asarray([m.close for m in mics], bool)
        n_bands, n_frames = x.shape
        self.whole = len(mics) * min(BANDS_AT_ONCE, n_bands) * n_frames <= MOST_TURNED
        self._stretch = n_frames if self.whole else STRETCH
        n_rows = len(mics) + len(smears) * int(self._close.sum()) + 1
        self._rows = np.empty((n_rows, min(self._stretch, n_frames)), np.float32)
        self._filled = -1
        self._turned: tuple[tuple[int, int, int], NDArray[np.float32]] = ((-1, 0, 0), np.empty((0, 0, 0), np.float32))

    def over(self, bands: Sequence[int]) -> Iterator[tuple[int, slice, NDArray[np.float32]]]:
        """Give for each stretch and each of some neighbouring bands the powers of all sources in it.

        They hold until the next ones are asked for.
        """
        n_frames = self._x.shape[1]
        now = np.zeros((len(bands), len(self._mics), len(self._smears)))
        for a in range(0, n_frames if bands else 0, self._stretch):
            at = slice(a, min(a + self._stretch, n_frames))
            rows = self._rows[:, : at.stop - a]
            for k, memory in zip(bands, now, strict=True):
                if not (self.whole and self._filled == k):
                    self._fill(rows, k, at, memory)
                self._filled = k
                yield k, at, rows

    def _fill(self, rows: NDArray[np.float32], k: int, at: slice, memory: NDArray[np.float64]) -> None:
        group = k // BANDS_AT_ONCE * BANDS_AT_ONCE
        powers = self._in_time_order(group, min(group + BANDS_AT_ONCE, len(self._x)), at)[k - group]
        _sources(
            rows, powers, self._x[k, at], self._shares[:, k], self._marked[at], self._close, self._smears, memory,
            np.float32(FLOOR_SHARE),
        )  # fmt: skip
        rows[-1] = self._noise[k]

    def _in_time_order(self, first: int, stop: int, at: slice) -> NDArray[np.float32]:
        """Powers of all mics in some bands, shape (n_bands, n_mics, n); the latest are kept."""
        key = (first, at.start, at.stop)
        if self._turned[0] != key:
            self._turned = ((-1, 0, 0), np.empty((0, 0, 0), np.float32))  # never two at a time
            powers = np.empty((stop - first, len(self._mics), at.stop - at.start), np.float32)
            for m, mic in enumerate(self._mics):
                powers[:, m] = mic.powers[at, first:stop].T
            self._turned = (key, powers)
        return self._turned[1]


def belonging(chosen: NDArray[np.bool_], mics: Sequence[Mic]) -> NDArray[np.bool_]:
    """Tell of each source, copies and noise included, whether it belongs to a chosen mic.

    Parameters
    ----------
    chosen : ndarray, shape (n_mics,), bool
    mics : sequence of Mic

    Returns
    -------
    belongs : ndarray, shape (n_sources,), bool
    """
    copies = [1 + len(SMEARS_S) * m.close for m in mics]
    return np.append(np.repeat(chosen, copies), False)


def bounds_of_sources(mics: Sequence[Mic], limits: Sequence[NDArray[np.float64]], k: int) -> NDArray[np.float64]:
    """Give the upper limits of the leaks of all sources in one band; the noise has none.

    Parameters
    ----------
    mics : sequence of Mic
    limits : sequence of ndarray, shape (n_bands,), float64
        From `leak_bounds`.
    k : int
        Band.

    Returns
    -------
    bounds : ndarray, shape (n_sources,), float64
    """
    bounds: list[float] = []
    for mic, limit in zip(mics, limits, strict=True):
        bounds += [limit[k]] + [SMEAR_ROOM * limit[k]] * (len(SMEARS_S) * mic.close)
    return np.asarray([*bounds, np.inf])


def cymbals_of(
    powers: NDArray[np.float32],
    drums: Sequence[Mic],
    room: Room | None = None,
) -> NDArray[np.float32]:
    """Take the drums that have mics of their own out of an overhead's power.

    Parameters
    ----------
    powers : ndarray, shape (n_frames, n_bands), float32
        Of the overhead.
    drums : sequence of Mic
        The close mics; those without hits are passed over.
    room : callable, optional
        Makes a long array of a shape; default: in memory.

    Returns
    -------
    rest : ndarray, shape (n_frames, n_bands), float32
        At least 5 % of `powers`.
    """
    shares = []
    for drum in drums:
        if drum.hits is not None and len(drum.hits):
            age = ages(drum.hits, len(powers))
            frames = evenly(np.flatnonzero((age >= DRUM_FROM) & (age <= DRUM_TO)))
            shares.append((share_left(powers, drum.powers, frames).astype(np.float32), drum.powers))
    rest = (room or in_memory)(powers.shape)
    for a in range(0, len(powers), FRAMES_AT_ONCE):
        at = slice(a, a + FRAMES_AT_ONCE)
        rest[at] = powers[at]
        for share, of_drum in shares:
            rest[at] -= share * of_drum[at]
        np.maximum(rest[at], np.float32(FLOOR_SHARE) * powers[at], out=rest[at])
    return rest


def evenly(frames: NDArray[np.int64]) -> NDArray[np.int64]:
    """Choose at most `MOST_FRAMES` of some frames, evenly spread.

    Parameters
    ----------
    frames : ndarray, shape (n,), int64

    Returns
    -------
    some : ndarray, int64
    """
    if len(frames) <= MOST_FRAMES:
        return frames
    return frames[np.arange(MOST_FRAMES) * len(frames) // MOST_FRAMES]


def share_left(of: NDArray[np.float32], source: NDArray[np.float32], frames: NDArray[np.int64]) -> NDArray[np.float64]:
    """Measure what a source leaves in a mic at least: a low percentile of their power ratio, per band.

    Parameters
    ----------
    of, source : ndarray, shape (n_frames, n_bands), float32
        Powers of the mic and of the source.
    frames : ndarray, int64
        Where the source is loud.

    Returns
    -------
    share : ndarray, shape (n_bands,), float64
    """
    if not len(frames):
        return np.zeros(of.shape[1])
    below = source[frames]
    ratio = np.where(below > 0, of[frames] / np.where(below > 0, below, 1.0), 0.0)
    share: NDArray[np.float64] = np.percentile(ratio, OWN_PERCENTILE, axis=0).astype(np.float64)
    return share


def leak_bounds(tom: NDArray[np.float32], mic: Mic, silent: NDArray[np.int64], frame_s: float) -> NDArray[np.float64]:
    """Bound the leak of a mic into the tom by what it shows where it is loud.

    Parameters
    ----------
    tom : ndarray, shape (n_frames, n_bands), float32
        Powers of the tom's track.
    mic : Mic
    silent : ndarray, int64
        Frames in which the tom is silent.
    frame_s : float
        Time from frame to frame, s.

    Returns
    -------
    bounds : ndarray, shape (n_bands,), float64
        Infinite where nothing bounds it.
    """
    n_frames, n_bands = tom.shape
    if mic.hits is None or not len(mic.hits):
        return _bounds_of_loud(tom, mic.powers, silent)
    after = mic.hits[:, None] + np.arange(int(BOUND_S / frame_s + 0.5) + 1)
    before = mic.hits[:, None] - np.arange(BEFORE_FROM, BEFORE_TO + 1)
    inside = after[:, -1] < n_frames
    if not inside.any():
        return np.full(n_bands, np.inf)
    after, before = after[inside], np.maximum(before[inside], 0)
    of_tom = tom[after].mean(axis=1, dtype=np.float64)
    of_tom = np.maximum(of_tom - tom[before].mean(axis=1, dtype=np.float64), BOUND_LEAST * of_tom)
    of_mic = mic.powers[after].mean(axis=1, dtype=np.float64)
    ratio = of_tom / np.maximum(of_mic, 1e-30)
    typical = np.percentile(ratio, BOUND_PERCENTILE, axis=0) if len(ratio) >= BOUND_FEW else ratio.min(axis=0)
    return np.asarray(BOUND_FACTOR * typical)


def _bounds_of_loud(
    tom: NDArray[np.float32], powers: NDArray[np.float32], silent: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Bound the leak of a mic without hits by its loudest frames among those in which the tom is silent."""
    n_bands = tom.shape[1]
    if len(silent) < LOUD_FEWEST:
        return np.full(n_bands, np.inf)
    loud, of_tom = powers[silent].astype(np.float64), tom[silent].astype(np.float64)
    level = np.percentile(loud, LOUD_PERCENTILE, axis=0)
    ratio = np.where(loud >= level, of_tom / np.maximum(loud, 1e-30), np.nan)
    return np.asarray(BOUND_FACTOR * np.nanmedian(ratio, axis=0))


@njit(nogil=True, cache=True)
def _smear(
    p: NDArray[np.float32], a: float, now: float, y: NDArray[np.float32]
) -> float:  # pragma: no cover - compiled
    """One pole: y[n] = a·y[n−1] + (1 − a)·p[n], from `now` on; gives the last one."""
    for n in range(len(p)):
        now = a * now + (1.0 - a) * p[n]
        y[n] = now
    return now


@njit(nogil=True, cache=True)
def _sources(
    rows: NDArray[np.float32],
    powers: NDArray[np.float32],
    x: NDArray[np.float32],
    shares: NDArray[np.float32],
    marked: NDArray[np.bool_],
    close: NDArray[np.bool_],
    smears: NDArray[np.float64],
    memory: NDArray[np.float64],
    floor: np.float32,
) -> None:  # pragma: no cover - compiled
    """Fill the rows with what may explain one band: each mic without the drum and, of close ones, smeared copies."""
    row = 0
    for m in range(len(powers)):
        out, share, of_mic = rows[row], shares[m], powers[m]
        for n in range(len(x)):
            p = of_mic[n]
            out[n] = max(p - share * x[n], floor * p) if marked[n] else p
        row += 1
        if close[m]:
            for j in range(len(smears)):
                memory[m, j] = _smear(out, smears[j], memory[m, j], rows[row])
                row += 1
