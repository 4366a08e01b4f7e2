"""Where something new begins in a mic: rises of its band energies, and the moments that may be hits.

Everything counts from `spillgate.dsp.core.hits.envelopes`: frames of a millisecond, six bands.  Energies are divided
per band by that mic's own loud hits, so neither gain nor colour of a file matters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.hits.envelopes import N_BANDS
from spillgate.dsp.core.hits.windows import greatest, let_go, means, peaks_of_fresh, stretches
from spillgate.dsp.core.room import Room, in_memory

__all__ = ["Novelty", "ceilings", "gather", "novelty", "rises_at", "spaced", "surroundings"]

AFTER = 5
"""Frames averaged from a moment on (0…+4)."""
BEFORE = (11, 2)
"""Frames averaged before it (−11…−2)."""
SHORT_AFTER, SHORT_BEFORE = 3, (5, 1)
"""The same for the short windows (0…+2 over −5…−1): they part two hits that lie some milliseconds apart."""
SHORT_BANDS = (2, 5)
"""Bands the short windows look at: 220–6000 Hz; lower ones cannot move that fast."""
RISE_DB, SHORT_RISE_DB = 5.0, 6.0
"""Least rise of a candidate.  These and the next three: tuned on multitrack takes of three kits."""
SHORT_LEAST = 3.5
"""Power ratio, a little under that least rise, from which rises of the short windows are worked out."""
APART, SHORT_APART = 8, 3
"""Least frames between two candidates of a kind, and between one of the short windows and any other."""
FAINTEST_DB = -42.0
"""Candidates weaker than this in every band are dropped."""
PEAK_REACH = 25
"""A peak of fresh energy is the greatest within so many frames to both sides."""
LOUD_PEAK, LOUD_RANGE_DB, LOUD_MIN = 3, 20.0, 8
"""The reference is the third strongest peak, or the strongest where fewer than 8 lie within 20 dB of it."""
NOISE_SHARE, NOISE_PERCENTILE = 0.5, 10.0
"""Share of the track's quiet level that is added to the energy before, so that silence does not make rises infinite."""
PERCENTILE_FRAMES = 100_000
"""The quiet level is read from at most about so many frames, evenly spread."""
REACH = 7
"""Frames to both sides within which another mic may hear the same hit."""
RING_AFTER, RING_BEFORE = (12, 36), (12, 1)
"""Frames that tell ring: +12…+36 against −12…−1."""
RING_BANDS = ((0, 2), (2, 3))
"""Bands of the two ring numbers: 40–220 and 220–600 Hz."""
BEFORE_HIT, FRESH_BEFORE_HIT, AFTER_HIT = (-30, -7), (-30, -8), (4, 15)
"""Frames that are looked at for what a mic did just before and just after."""
EMPTY = 1e-20
"""Mean square under which a band holds nothing (−200 dBFS)."""


@dataclass(frozen=True)
class Novelty:
    """What one mic says of itself.

    Attributes
    ----------
    quiet : ndarray, shape (6,)
        Mean square of the quiet tenth of the track, per band.
    reference : ndarray, shape (6,)
        Fresh mean square of its loud hits, per band; the unit of its levels.  0 where a band is empty.
    rise : ndarray, shape (n_frames,), float32
        Rise of the band that rises most, dB.
    total : ndarray, shape (n_frames,), float32
        Sum of the rises of all bands, dB.
    candidates : ndarray, shape (n_candidates,), int64
        Frames at which a hit may begin.
    strength_db : ndarray, shape (n_candidates,), float32
        Fresh energy of the strongest band there.
    """

    quiet: NDArray[np.float64]
    reference: NDArray[np.float64]
    rise: NDArray[np.float32]
    total: NDArray[np.float32]
    candidates: NDArray[np.int64]
    strength_db: NDArray[np.float32]


def novelty(energy: NDArray[np.float32], bands: tuple[int, int] = (0, N_BANDS), room: Room | None = None) -> Novelty:
    """Measure rises and pick the candidates of one mic.

    Parameters
    ----------
    energy : ndarray, shape (n_frames, 6)
        From `BandEnvelopes`.
    bands : tuple of int
        First band and one past the last that count; overheads leave out the lowest two.
    room : callable, optional
        Makes the two long arrays; default: in memory.

    Returns
    -------
    novelty : Novelty
    """
    n = len(energy)
    quiet = _quiet(energy)
    reference = _references(energy, quiet)
    lowest = np.maximum(NOISE_SHARE * quiet, np.maximum(EMPTY, 1e-9 * reference))
    made = room or in_memory
    rise, total = made((n,)), made((n,))
    first, second = _Peaks(RISE_DB), _Peaks(SHORT_RISE_DB)
    for a, b in stretches(n):
        # one frame more on either side tells a peak at an end
        lo, hi = max(a - 1, 0), min(b + 1, n)
        after, before = means(energy, quiet, lo, hi, AFTER, *BEFORE)
        here, together = _rises(after, before, lowest, *bands, 1.0)
        rise[a:b], total[a:b] = here[a - lo : b - lo], together[a - lo : b - lo]
        first.look(here, lo, a, b)
        after, before = means(energy, quiet, lo, hi, SHORT_AFTER, *SHORT_BEFORE)
        second.look(_rises(after, before, lowest, *SHORT_BANDS, SHORT_LEAST)[0], lo, a, b)
    frames = _candidates(first.spaced(n, APART), second.spaced(n, SHORT_APART))
    after, before, _, _ = _at(energy, quiet, frames)
    loudest = _level(after, before, reference, *bands)
    heard = loudest > FAINTEST_DB
    let_go(energy, rise, total)
    return Novelty(quiet, reference, rise, total, frames[heard], loudest[heard])


def _quiet(energy: NDArray[np.float32]) -> NDArray[np.float64]:
    if len(energy) == 0:
        return np.zeros(N_BANDS)
    few = energy[:: 1 + len(energy) // PERCENTILE_FRAMES]
    return np.asarray(np.percentile(few, NOISE_PERCENTILE, axis=0), np.float64)


def _references(energy: NDArray[np.float32], quiet: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fresh energy of the mic's loud hits in each band."""
    n = len(energy)
    found: list[list[NDArray[np.float64]]] = [[] for _ in range(energy.shape[1])]
    for a, b in stretches(n):
        lo, hi = max(a - PEAK_REACH, 0), min(b + PEAK_REACH, n)
        after, before = means(energy, quiet, lo, hi, AFTER, *BEFORE)
        for band, values in zip(found, peaks_of_fresh(after - before, PEAK_REACH, a - lo, b - a), strict=True):
            band.append(values)
    return np.array([_reference(np.concatenate(band)) if band else 0.0 for band in found])


def _reference(peaks: NDArray[np.float64]) -> float:
    peaks = np.sort(peaks[peaks > EMPTY])[::-1]
    if len(peaks) == 0:
        return 0.0
    near = int(np.count_nonzero(peaks > peaks[0] * 10 ** (-LOUD_RANGE_DB / 10)))
    return float(peaks[LOUD_PEAK - 1] if near >= LOUD_MIN else peaks[0])


class _Peaks:
    """Local maxima over a least value, found stretch by stretch."""

    def __init__(self, least: float) -> None:
        self._least = least
        self._frames: list[NDArray[np.int64]] = []
        self._values: list[NDArray[np.float32]] = []

    def look(self, x: NDArray[np.float32], start: int, a: int, b: int) -> None:
        """Look for maxima from frame `a` to `b` in values that begin with frame `start`."""
        top = (x > self._least) & (x >= np.r_[x[1:], -np.inf]) & (x > np.r_[-np.inf, x[:-1]])
        at = np.flatnonzero(top[a - start : b - start]) + (a - start)
        self._frames.append(at + start)
        self._values.append(x[at])

    def spaced(self, n: int, apart: int) -> NDArray[np.int64]:
        """Give the frames of the strongest of those that lie less than `apart` frames from each other."""
        if not self._frames:
            return np.empty(0, np.int64)
        return spaced(np.concatenate(self._frames), np.concatenate(self._values), n, apart)


def spaced(frames: NDArray[np.int64], values: NDArray[np.floating], n_frames: int, apart: int) -> NDArray[np.int64]:
    """Give the frames of the strongest of some peaks, none less than `apart` frames from a stronger one.

    Parameters
    ----------
    frames : ndarray of int64, shape (n_peaks,)
        Increasing; of two peaks of one value the first counts.
    values : ndarray, shape (n_peaks,)
    n_frames : int
        Frames of the track.
    apart : int

    Returns
    -------
    frames : ndarray of int64
        Increasing.
    """
    return np.sort(_thin(frames[np.argsort(-values, kind="stable")], n_frames, apart))


def _candidates(first: NDArray[np.int64], second: NDArray[np.int64]) -> NDArray[np.int64]:
    """Frames at which a hit may begin: rises of the long windows, and those of the short ones that lie apart."""
    if len(first) and len(second):
        i = np.searchsorted(first, second)
        left = np.abs(second - first[np.maximum(i - 1, 0)])
        right = np.abs(first[np.minimum(i, len(first) - 1)] - second)
        second = second[np.minimum(left, right) > SHORT_APART]
    frames: NDArray[np.int64] = np.sort(np.concatenate([first, second]))
    return frames


def gather(
    energy: NDArray[np.float32], known: Novelty, frames: NDArray[np.int64]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Read one mic at given frames, in units of its own loud hits.

    Parameters
    ----------
    energy : ndarray, shape (n_frames, 6)
    known : Novelty
        Of this mic.
    frames : ndarray of int64, shape (n,)

    Returns
    -------
    after, before : ndarray, shape (n, 6)
        Mean energy from the frame on and before it.
    ring_after, ring_before : ndarray, shape (n, 2)
        The same +12…+36 and −12…−1 ms in 40–220 and 220–600 Hz, re the louder of the bands' references.
    """
    scale = _scale(known.reference)
    after, before, long_after, long_before = _at(energy, known.quiet, frames)
    ring_after, ring_before = np.empty((len(frames), 2), np.float32), np.empty((len(frames), 2), np.float32)
    for k, (a, b) in enumerate(RING_BANDS):
        unit = _scale(known.reference[a:b].max(keepdims=True))
        ring_after[:, k] = long_after[:, a:b].sum(1) * unit
        ring_before[:, k] = long_before[:, a:b].sum(1) * unit
    let_go(energy)
    return after * scale, before * scale, ring_after, ring_before


def _at(
    energy: NDArray[np.float32], quiet: NDArray[np.float64], frames: NDArray[np.int64]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    return _gather(  # type: ignore[no-any-return]
        np.ascontiguousarray(energy), quiet, frames, AFTER, *BEFORE, *RING_AFTER, *RING_BEFORE
    )


def ceilings(
    energy: NDArray[np.float32], known: Novelty, frames: NDArray[np.int64], reach: int = REACH
) -> NDArray[np.float32]:
    """Give the greatest fresh energy of one mic near given frames.

    Parameters
    ----------
    energy : ndarray, shape (n_frames, 6), float32
        Band envelopes of the mic.
    known : Novelty
        Of the same mic.
    frames : ndarray, shape (n,), int64
        In the middle.
    reach : int
        Frames on either side.

    Returns
    -------
    ceilings : ndarray, shape (n, 6), float32
        In the mic's own units.
    """
    (found,) = _around(energy, known, frames, [(-reach, reach, True)])
    return found


def rises_at(
    known: Novelty, first: NDArray[np.int64], last: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Find the greatest rise in stretches of a mic.

    Parameters
    ----------
    known : Novelty
    first, last : ndarray of int64, shape (n,)
        First and last frame of each stretch.

    Returns
    -------
    frames : ndarray of int64, shape (n,)
        Of the greatest summed rise.
    rise_db : ndarray of float32, shape (n,)
        Greatest rise of a band in the stretch.
    """
    frames, rise_db = _greatest_rise(known.total, known.rise, first, last)
    let_go(known.total, known.rise)
    return frames, rise_db


def surroundings(
    energy: NDArray[np.float32], known: Novelty, frames: NDArray[np.int64]
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Read what a mic did just before and just after the given frames, in its own units.

    Parameters
    ----------
    energy : ndarray, shape (n_frames, 6), float32
        Band envelopes of the mic.
    known : Novelty
        Of the same mic.
    frames : ndarray, shape (n,), int64

    Returns
    -------
    energy_before, fresh_before, fresh_after : ndarray, shape (n, 6)
        Greatest energy over −30…−7, greatest fresh energy over −30…−8 and over +4…+15.
    """
    before, fresh_before, fresh_after = _around(
        energy, known, frames, [(*BEFORE_HIT, False), (*FRESH_BEFORE_HIT, True), (*AFTER_HIT, True)]
    )
    return before, fresh_before, fresh_after


def _around(
    energy: NDArray[np.float32],
    known: Novelty,
    frames: NDArray[np.int64],
    wanted: Sequence[tuple[int, int, bool]],
) -> list[NDArray[np.float32]]:
    """Greatest energy, or fresh energy, of each band over some frames round the given ones, in the mic's own units."""
    scale = _scale(known.reference)
    order = np.argsort(frames, kind="stable")
    sorted_frames = frames[order]
    found = [np.zeros((len(frames), energy.shape[1]), np.float32) for _ in wanted]
    lowest, highest = min(w[0] for w in wanted), max(w[1] for w in wanted)
    n = len(energy)
    for a, b in stretches(n):
        i = 0 if a == 0 else int(np.searchsorted(sorted_frames, a))
        j = len(frames) if b == n else int(np.searchsorted(sorted_frames, b))
        if j <= i:
            continue
        lo, hi = max(a + lowest, 0), min(b + highest, n)
        after, before = means(energy, known.quiet, lo, hi, AFTER, *BEFORE)
        energies = {False: after * scale, True: (after - before) * scale}
        at = sorted_frames[i:j] - lo
        for out, (first, last, fresh) in zip(found, wanted, strict=True):
            out[order[i:j]] = greatest(energies[fresh], at + first, at + last)
    let_go(energy)
    return found


def _scale(reference: NDArray[np.float64]) -> NDArray[np.float32]:
    return np.where(reference > EMPTY, 1.0 / np.maximum(reference, EMPTY), 0.0).astype(np.float32)


@njit(nogil=True, cache=True)
def _rises(after, before, lowest, first, stop, least):  # type: ignore[no-untyped-def]
    """Greatest and summed rise in dB; 0 where no band rises by more than the ratio `least`."""
    n = len(after)
    greatest, total = np.zeros(n, np.float32), np.zeros(n, np.float32)
    for k in range(n):
        top, together = 1.0, 1.0
        for b in range(first, stop):
            ratio = after[k, b] / (before[k, b] + lowest[b])
            if ratio > 1.0:
                top = max(top, ratio)
                together *= ratio
        if top > least:
            greatest[k] = 10.0 * np.log10(top)
            total[k] = 10.0 * np.log10(together)
    return greatest, total


@njit(nogil=True, cache=True)
def _level(after, before, reference, first, stop):  # type: ignore[no-untyped-def]
    n = len(after)
    level = np.empty(n, np.float32)
    for k in range(n):
        top = 1e-12
        for b in range(first, stop):
            if reference[b] > 0.0:
                top = max(top, (after[k, b] - before[k, b]) / reference[b])
        level[k] = 10.0 * np.log10(top)
    return level


@njit(nogil=True, cache=True)
def _thin(order, n, apart):  # type: ignore[no-untyped-def]
    """Keep of `order`, strongest first, what lies at least `apart` from everything kept before."""
    taken = np.zeros(n, np.bool_)
    kept = np.empty(len(order), np.int64)
    count = 0
    for k in order:
        if not taken[k]:
            kept[count] = k
            count += 1
            taken[max(k - apart + 1, 0) : k + apart] = True
    return kept[:count]


@njit(nogil=True, cache=True)
def _gather(  # type: ignore[no-untyped-def]
    energy, quiet, frames, n_after, from_before, to_before, ring_from, ring_to, ring_before_from, ring_before_to
):
    n, n_bands = energy.shape
    shape = (len(frames), n_bands)
    after, before = np.empty(shape, np.float32), np.empty(shape, np.float32)
    ring_after, ring_before = np.empty(shape, np.float32), np.empty(shape, np.float32)
    for j in range(len(frames)):
        k = frames[j]
        for b in range(n_bands):
            for out, a, c in (
                (after, 0, n_after - 1),
                (before, -from_before, -to_before),
                (ring_after, ring_from, ring_to),
                (ring_before, -ring_before_from, -ring_before_to),
            ):
                total = 0.0
                for i in range(k + a, k + c + 1):
                    if i < 0:
                        total += quiet[b]
                    elif i < n:
                        total += energy[i, b]
                out[j, b] = total / (c - a + 1)
    return after, before, ring_after, ring_before


@njit(nogil=True, cache=True)
def _greatest_rise(total, rise, first, last):  # type: ignore[no-untyped-def]
    n = len(total)
    where, greatest = np.empty(len(first), np.int64), np.zeros(len(first), np.float32)
    for j in range(len(first)):
        best = -1
        for i in range(max(first[j], 0), min(last[j] + 1, n)):
            if best < 0 or total[i] > total[best]:
                best = i
            greatest[j] = max(greatest[j], rise[i])
        where[j] = best if best >= 0 else min(max(first[j], 0), n - 1)
    return where, greatest
