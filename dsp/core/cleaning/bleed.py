"""How much of a tom track is bleed, learned from what the other mics hear.

In every band the power of the bleed is a sum of the powers in the other mics (and of smeared copies of the close ones,
for what the room and the other drums' ring add) times fixed leaks.  The leaks are fitted by multiplicative updates for
the Itakura–Saito divergence, first where the drum itself is long silent, then under its ring as well.

Three precautions carry it.  What the drum leaves in the other mics is taken out of them before they may explain
anything.  Each close mic's leak is bounded by what its own drum's hits show, an overhead's by its loudest moments:
without the bound the neighbour's mic explains the tom's own ring.  And the overheads stand for the cymbals only: the
drums that have mics of their own are taken out of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.cleaning.leaks import fit_leaks, sum_of
from spillgate.dsp.core.cleaning.ring import age_class, ages, decay_rates, track_ring
from spillgate.dsp.core.cleaning.sources import (
    BANDS_AT_ONCE,
    FRAMES_AT_ONCE,
    LOUD_SILENT,
    SMEARS_S,
    Mic,
    Sources,
    belonging,
    bounds_of_sources,
    evenly,
    leak_bounds,
    share_left,
)
from spillgate.dsp.core.room import Room, in_memory

__all__ = ["Parts", "take_apart"]

OWN_FROM, OWN_TO = 0, 2
"""Frames after own hits over which it is measured what the drum leaves in the other mics: while it is the loudest in
all bands.  Later its treble is gone from its own mic as well, and what it shares with the others is cymbals, which
would be taken out of them."""
OWN_FACTOR = 2.0
OWN_S = 3.0
"""So long after a hit the drum is taken out of the other mics, s."""
NOISE_PERCENTILE, NOISE_FACTOR = 2.0, 0.5
"""What no other mic explains is a constant; it stays at half the track's 2nd percentile if the drum is never silent."""
START_BOUNDED, START_FREE = 0.1, 0.01
"""Start of a leak: re its bound, or in itself without one."""
START_NOISE = 0.1
"""…else it is fitted, starting at this share of the track's mean while the drum is silent: from lower down it does not
arrive in time where few other mics explain anything."""
SILENT_CLEAR = 0.05
"""From this weight on a frame counts as silence of the drum when that is summed up."""
UNEXPLAINED = 2.0
"""Bleed over so many times what the other mics explain is unexplained (power)."""
SILENT_NEEDED_S = 1.0
"""With less silence of the drum than this the first fit would learn the drum itself and is left out, s."""
SILENT_FROM_S, SILENT_RAMP_S, SILENT_LEAST = 0.75, 1.5, 0.01
"""Weight of a frame in the first fit: from 0.01 at 0.75 s after the latest own hit to 1 at 2.25 s."""
ROUND_HITS = 2
"""Frames before and after a hit that are left out of the first fit."""
FIRST_UPDATES, SECOND_UPDATES = 25, 10
MOST_OVER = 4.0
"""Power over so many times what is explained pulls no harder: hits that were missed would be learned as bleed."""
TREBLE_FROM, TREBLE_OF, TREBLE_SHARE = 18, 8, 1.3
"""From this band on (600 Hz) a drum decays at least 1.3 times as fast as in the median of the eight bands below: slower
ones are a cymbal taken for the drum, and stay open as a stripe of hiss."""


@dataclass(frozen=True)
class Parts:
    """What a tom track is made of, as powers on the band grid.

    Attributes
    ----------
    x, bleed, ring : ndarray, shape (n_bands, n_frames), float32
        Power of the track, of the bleed and of the drum.
    rates : ndarray, shape (n_bands, 4), float64
        Decay of the drum, dB/s, by age.
    silent_s : float
        Time in which the drum is silent, s: where the leaks are learned.
    unexplained : float
        Share of the energy in that time which is more than twice the bleed that the other mics explain.
    chosen : ndarray, shape (n_bands, n_frames), float32, or None
        That part of the bleed which comes from the chosen mics.
    """

    x: NDArray[np.float32]
    bleed: NDArray[np.float32]
    ring: NDArray[np.float32]
    rates: NDArray[np.float64]
    silent_s: float
    unexplained: float
    chosen: NDArray[np.float32] | None = None


def take_apart(
    tom: NDArray[np.float32],
    mics: Sequence[Mic],
    hits: NDArray[np.int64],
    frame_s: float,
    known: Parts | None = None,
    chosen: NDArray[np.bool_] | None = None,
    silence: tuple[float, float] = (SILENT_FROM_S, SILENT_RAMP_S),
    room: Room | None = None,
) -> Parts:
    """Split the band powers of a tom track into the drum and its bleed.

    Parameters
    ----------
    tom : ndarray, shape (n_frames, n_bands), float32
        Band powers of the track.
    mics : sequence of Mic
        The others, without rooms and without other mics of the same drum.
    hits : ndarray, shape (n_hits,), int64
        Frames of the tom's own hits, increasing.
    frame_s : float
        Time from frame to frame, s.
    known : Parts, optional
        Of the same track, mics and hits before something was taken off it: bands in which nothing changed are taken
        over from it.
    chosen : ndarray, shape (n_mics,), bool, optional
        Mics whose part of the bleed is wanted for itself.
    silence : (float, float), optional
        From so long after a hit the drum grows silent, and over so long, s.
    room : callable, optional
        Makes the long arrays of a shape; default: in memory.

    Returns
    -------
    parts : Parts
        The same whatever gain all mics share.
    """
    n_frames, n_bands = tom.shape
    made = room or in_memory
    x, bleed, ring = (made((n_bands, n_frames)) for _ in range(3))
    for a in range(0, n_frames, FRAMES_AT_ONCE):
        x[:, a : a + FRAMES_AT_ONCE] = tom[a : a + FRAMES_AT_ONCE].T
    rates = np.empty((n_bands, 4))
    age = ages(hits, n_frames)
    span = age_class(age, frame_s)
    weight = _silence_weight(age, hits, frame_s, silence)
    ones, none = np.ones(n_frames, np.float32), np.zeros(n_frames, np.float32)
    first = evenly(np.flatnonzero(weight > 0))
    silent_s = float(np.sum(weight, dtype=np.float64)) * frame_s
    first_updates = FIRST_UPDATES if silent_s >= SILENT_NEEDED_S else 0
    second = evenly(np.arange(n_frames))
    marked = (age >= 0) & (age * frame_s <= OWN_S)
    own = evenly(np.flatnonzero((age >= OWN_FROM) & (age <= OWN_TO)))
    shares = [np.float32(OWN_FACTOR) * share_left(m.powers, tom, own).astype(np.float32) for m in mics]
    silent = evenly(np.flatnonzero(weight >= LOUD_SILENT))
    limits = [leak_bounds(tom, m, silent, frame_s) for m in mics]
    n_sources = len(mics) + len(SMEARS_S) * sum(m.close for m in mics) + 1
    if first_updates:
        noise = START_NOISE * np.asarray([np.average(band, weights=weight) for band in x])
    else:
        noise = NOISE_FACTOR * np.asarray([np.percentile(band, NOISE_PERCENTILE) for band in x])

    part = None if chosen is None else made((n_bands, n_frames))
    of_part = np.zeros(n_sources, bool) if chosen is None else belonging(chosen, mics)
    others = Sources(mics, x, shares, marked, noise, np.exp(-frame_s / np.asarray(SMEARS_S)))

    def follow(k: int, again: bool) -> None:
        rates[k] = decay_rates(x[k], bleed[k], age, frame_s, span)
        if again and k >= TREBLE_FROM:  # the bands below are final then, however many are gone through together
            rates[k] = np.maximum(rates[k], TREBLE_SHARE * np.median(rates[k - TREBLE_OF : k], axis=0))
        ring[k] = track_ring(x[k], bleed[k], age, rates[k], frame_s, span)

    def settle(bands: list[int]) -> None:
        picked = {
            k: (np.empty((n_sources, len(first)), np.float32), np.empty((n_sources, len(second)), np.float32))
            for k in bands
        }
        for k, at, rows in others.over(bands):
            for frames, some in zip((first, second), picked[k], strict=True):
                i, j = np.searchsorted(frames, (at.start, at.stop))
                some[:, i:j] = rows[:, frames[i:j] - at.start]
        bounds, leaks = {}, {}
        for k in bands:
            bounds[k] = bounds_of_sources(mics, limits, k)
            start = np.where(np.isfinite(bounds[k]), START_BOUNDED * bounds[k], START_FREE)
            start[-1] = 1.0
            leaks[k] = fit_leaks(
                x[k][first], picked[k][0], weight[first], none[first], start, bounds[k], first_updates, MOST_OVER
            )
        for k, at, rows in others.over(bands):
            bleed[k, at] = sum_of(rows, leaks[k])
        for k in bands:
            follow(k, False)
            leaks[k] = fit_leaks(
                x[k][second],
                picked[k][1],
                ones[second],
                ring[k][second],
                leaks[k],
                bounds[k],
                SECOND_UPDATES,
                MOST_OVER,
            )
        for k, at, rows in others.over(bands):
            bleed[k, at] = sum_of(rows, leaks[k])
            if part is not None:
                part[k, at] = sum_of(rows, np.where(of_part, leaks[k], 0.0))
        for k in bands:
            follow(k, True)

    for group in np.split(np.arange(n_bands), np.arange(BANDS_AT_ONCE, n_bands, BANDS_AT_ONCE)):
        todo = []
        for k in group.tolist():
            if known is not None and np.array_equal(x[k], known.x[k]):
                bleed[k], ring[k], rates[k] = known.bleed[k], known.ring[k], known.rates[k]
            else:
                todo.append(k)
        for bands in [[k] for k in todo] if others.whole else [todo]:
            settle(bands)
    clear = np.where(weight >= SILENT_CLEAR, weight, np.float32(0))
    more = energy = 0.0
    for k in range(n_bands):
        more += float(np.sum(clear * np.maximum(x[k] - UNEXPLAINED * bleed[k], 0), dtype=np.float64))
        energy += float(np.sum(clear * x[k], dtype=np.float64))
    clear_s = float(np.sum(clear, dtype=np.float64)) * frame_s
    return Parts(x, bleed, ring, rates, clear_s, more / energy if energy > 0 else 0.0, part)


def _silence_weight(
    age: NDArray[np.int64], hits: NDArray[np.int64], frame_s: float, silence: tuple[float, float]
) -> NDArray[np.float32]:
    since = np.where(age < 0, np.inf, age * frame_s)
    weight = np.clip((since - silence[0]) / silence[1], SILENT_LEAST, 1.0).astype(np.float32)
    for h in hits:
        weight[max(h - ROUND_HITS, 0) : h + ROUND_HITS + 1] = 0.0
    return weight
