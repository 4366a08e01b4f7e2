"""How much of a tom track is bleed, learned from what the other mics hear.

In every band the power of the bleed is a sum of the powers in the other mics (and of smeared copies of the close ones,
for what the room and the other drums' ring add) times fixed leaks.  The leaks are fitted by multiplicative updates for
the Itakura–Saito divergence, first where the drum itself is long silent, then under its ring as well.

Three precautions carry it.  What the drum leaves in the other mics is taken out of them before they may explain
anything.  Each close mic's leak is bounded by what its own drum's hits show, an overhead's by its loudest moments:
without the bound the neighbour's mic explains the tom's own ring.  And the overheads stand for the cymbals only: the
drums that have mics of their own are taken out of them.

References
----------
Févotte, Bertin & Durrieu, "Nonnegative matrix factorization with the Itakura-Saito divergence", Neural Computation
21(3), 2009: multiplicative updates (here with the exponent 1/2, under which the cost cannot rise).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.cleaning.ring import age_class, ages, decay_rates, track_ring

__all__ = ["Mic", "Parts", "cymbals_of", "fit_leaks", "take_apart"]

SMEARS_S = (0.1, 0.4)
"""Time constants of the smeared copies of a close mic's power, s."""
SMEAR_ROOM = 2.0
"""A smeared copy's bound re the mic's own."""
OWN_PERCENTILE = 15.0
"""Of mic-to-tom power ratios after own hits: what the drum leaves in that mic whatever else sounds."""
OWN_FROM, OWN_TO = 0, 2
"""Frames after own hits over which that is taken: while the drum is the loudest in all bands.  Later its treble is gone
from its own mic as well, and what it shares with the others is cymbals, which would be taken out of them."""
OWN_FACTOR = 2.0
OWN_S = 3.0
"""So long after a hit the drum is taken out of the other mics, s."""
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
MOST_FRAMES = 1024
"""A fit uses at most so many frames, evenly chosen; twice as many change the stems of five takes by 0.05 dB."""
MOST_OVER = 4.0
"""Power over so many times what is explained pulls no harder: hits that were missed would be learned as bleed."""
TREBLE_FROM, TREBLE_OF, TREBLE_SHARE = 18, 8, 1.3
"""From this band on (600 Hz) a drum decays at least 1.3 times as fast as in the median of the eight bands below: slower
ones are a cymbal taken for the drum, and stay open as a stripe of hiss."""
LANES = 8
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
    room: Callable[[tuple[int, ...]], NDArray[np.float32]] | None = None,
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
    made = room or (lambda shape: np.empty(shape, np.float32))
    x, bleed, ring = (made((n_bands, n_frames)) for _ in range(3))
    for a in range(0, n_frames, FRAMES_AT_ONCE):
        x[:, a : a + FRAMES_AT_ONCE] = tom[a : a + FRAMES_AT_ONCE].T
    rates = np.empty((n_bands, 4))
    age = ages(hits, n_frames)
    span = age_class(age, frame_s)
    weight = _silence_weight(age, hits, frame_s, silence)
    ones, none = np.ones(n_frames, np.float32), np.zeros(n_frames, np.float32)
    first = _chosen(np.flatnonzero(weight > 0))
    silent_s = float(np.sum(weight, dtype=np.float64)) * frame_s
    first_updates = FIRST_UPDATES if silent_s >= SILENT_NEEDED_S else 0
    second = _chosen(np.arange(n_frames))
    marked = (age >= 0) & (age * frame_s <= OWN_S)
    own = _chosen(np.flatnonzero((age >= OWN_FROM) & (age <= OWN_TO)))
    shares = [np.float32(OWN_FACTOR) * _share(m.powers, tom, own).astype(np.float32) for m in mics]
    silent = _chosen(np.flatnonzero(weight >= LOUD_SILENT))
    limits = [_bounds(tom, m, silent, frame_s) for m in mics]
    n_sources = len(mics) + len(SMEARS_S) * sum(m.close for m in mics) + 1
    if first_updates:
        noise = START_NOISE * np.asarray([np.average(band, weights=weight) for band in x])
    else:
        noise = NOISE_FACTOR * np.asarray([np.percentile(band, NOISE_PERCENTILE) for band in x])

    part = None if chosen is None else np.zeros_like(x)
    of_part = np.zeros(n_sources, bool) if chosen is None else _rows_of(chosen, mics)
    others = _Others(mics, x, shares, marked, noise, np.exp(-frame_s / np.asarray(SMEARS_S)))

    def follow(k: int, again: bool) -> None:
        rates[k] = decay_rates(x[k], bleed[k], age, frame_s, span)
        if again and k >= TREBLE_FROM:  # the bands below are final then, however many are gone through together
            rates[k] = np.maximum(rates[k], TREBLE_SHARE * np.median(rates[k - TREBLE_OF : k], axis=0))
        ring[k] = track_ring(x[k], bleed[k], age, rates[k], frame_s, span)

    def one(bands: list[int]) -> None:
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
            bounds[k] = _bounds_of_rows(mics, limits, k)
            start = np.where(np.isfinite(bounds[k]), START_BOUNDED * bounds[k], START_FREE)
            start[-1] = 1.0
            leaks[k] = fit_leaks(
                x[k][first], picked[k][0], weight[first], none[first], start, bounds[k], first_updates, MOST_OVER
            )
        for k, at, rows in others.over(bands):
            bleed[k, at] = _sum_of(rows, leaks[k])
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
            bleed[k, at] = _sum_of(rows, leaks[k])
            if part is not None:
                part[k, at] = _sum_of(rows, np.where(of_part, leaks[k], 0.0))
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
            one(bands)
    clear = np.where(weight >= SILENT_CLEAR, weight, np.float32(0))
    more = energy = 0.0
    for k in range(n_bands):
        more += float(np.sum(clear * np.maximum(x[k] - UNEXPLAINED * bleed[k], 0), dtype=np.float64))
        energy += float(np.sum(clear * x[k], dtype=np.float64))
    clear_s = float(np.sum(clear, dtype=np.float64)) * frame_s
    return Parts(x, bleed, ring, rates, clear_s, more / energy if energy > 0 else 0.0, part)


def _rows_of(chosen: NDArray[np.bool_], mics: Sequence[Mic]) -> NDArray[np.bool_]:
    """Tell of each source, copies and noise included, whether it belongs to a chosen mic."""
    copies = [1 + len(SMEARS_S) * m.close for m in mics]
    return np.append(np.repeat(chosen, copies), False)


def _bounds_of_rows(mics: Sequence[Mic], limits: Sequence[NDArray[np.float64]], k: int) -> NDArray[np.float64]:
    """Upper limits of the leaks of all sources in band k; the noise has none."""
    bounds: list[float] = []
    for mic, limit in zip(mics, limits, strict=True):
        bounds += [limit[k]] + [SMEAR_ROOM * limit[k]] * (len(SMEARS_S) * mic.close)
    return np.asarray([*bounds, np.inf])


class _Others:
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


def cymbals_of(
    powers: NDArray[np.float32],
    drums: Sequence[Mic],
    room: Callable[[tuple[int, ...]], NDArray[np.float32]] | None = None,
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
            frames = _chosen(np.flatnonzero((age >= DRUM_FROM) & (age <= DRUM_TO)))
            shares.append((_share(powers, drum.powers, frames).astype(np.float32), drum.powers))
    rest = room(powers.shape) if room else np.empty(powers.shape, np.float32)
    for a in range(0, len(powers), FRAMES_AT_ONCE):
        at = slice(a, a + FRAMES_AT_ONCE)
        rest[at] = powers[at]
        for share, of_drum in shares:
            rest[at] -= share * of_drum[at]
        np.maximum(rest[at], np.float32(FLOOR_SHARE) * powers[at], out=rest[at])
    return rest


def fit_leaks(
    x: NDArray[np.float32],
    powers: NDArray[np.float32],
    weight: NDArray[np.float32],
    ring: NDArray[np.float32],
    leaks: NDArray[np.float64],
    bounds: NDArray[np.float64],
    rounds: int,
    most_over: float = np.inf,
) -> NDArray[np.float64]:
    """Fit the leaks of one band: ``x ≈ ring + Σ leak · power`` by the Itakura–Saito divergence.

    Parameters
    ----------
    x : ndarray, shape (n_frames,), float32
        Power of the track.
    powers : ndarray, shape (n_sources, n_frames), float32
        What may explain it.
    weight, ring : ndarray, shape (n_frames,), float32
        Weight of each frame; power that is explained already.
    leaks, bounds : ndarray, shape (n_sources,), float64
        Start and upper limits.
    rounds : int
        Updates; without bounds none of them raises the divergence.
    most_over : float, optional
        Power over so many times what is explained counts as that.

    Returns
    -------
    leaks : ndarray, shape (n_sources,), float64
    """
    if not len(x):
        return leaks.copy()
    # single precision squares powers: near 1 they neither overflow nor vanish
    scale = np.float32(np.mean(x, dtype=np.float64))
    if not scale > 0:
        return leaks.copy()
    found = leaks.copy()
    _fit(x / scale, powers / scale, weight, ring / scale, found, bounds, rounds, np.float32(most_over))
    return found


def _chosen(frames: NDArray[np.int64]) -> NDArray[np.int64]:
    """At most `MOST_FRAMES` of them, evenly spread."""
    if len(frames) <= MOST_FRAMES:
        return frames
    return frames[np.arange(MOST_FRAMES) * len(frames) // MOST_FRAMES]


def _silence_weight(
    age: NDArray[np.int64], hits: NDArray[np.int64], frame_s: float, silence: tuple[float, float]
) -> NDArray[np.float32]:
    since = np.where(age < 0, np.inf, age * frame_s)
    weight = np.clip((since - silence[0]) / silence[1], SILENT_LEAST, 1.0).astype(np.float32)
    for h in hits:
        weight[max(h - ROUND_HITS, 0) : h + ROUND_HITS + 1] = 0.0
    return weight


def _share(of: NDArray[np.float32], source: NDArray[np.float32], frames: NDArray[np.int64]) -> NDArray[np.float64]:
    """What a source leaves in a mic at least: a low percentile of their power ratio, per band."""
    if not len(frames):
        return np.zeros(of.shape[1])
    below = source[frames]
    ratio = np.where(below > 0, of[frames] / np.where(below > 0, below, 1.0), 0.0)
    share: NDArray[np.float64] = np.percentile(ratio, OWN_PERCENTILE, axis=0).astype(np.float64)
    return share


def _bounds(tom: NDArray[np.float32], mic: Mic, silent: NDArray[np.int64], frame_s: float) -> NDArray[np.float64]:
    """Bound the leak of a mic into the tom by what it shows where it is loud, per band; infinite if nothing does."""
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


@njit(nogil=True, cache=True)
def _sum_of(powers: NDArray[np.float32], leaks: NDArray[np.float64]) -> NDArray[np.float32]:  # pragma: no cover
    """Σ leak · power."""
    v = np.zeros(powers.shape[1], np.float32)
    for s in range(len(powers)):
        a, p = np.float32(leaks[s]), powers[s]
        for i in range(len(v)):
            v[i] += a * p[i]
    return v


@njit(nogil=True, cache=True)
def _fit(
    x: NDArray[np.float32],
    powers: NDArray[np.float32],
    weight: NDArray[np.float32],
    ring: NDArray[np.float32],
    leaks: NDArray[np.float64],
    bounds: NDArray[np.float64],
    rounds: int,
    most: np.float32,
) -> None:  # pragma: no cover - compiled
    """Update the leaks in place: a ← min(a·√(Σ w·P·x/V² / Σ w·P/V), bound), V = ring + Σ a·P."""
    n_sources, n = powers.shape
    v = np.empty(n, np.float32)
    g = np.empty(n, np.float32)
    h = np.empty(n, np.float32)
    floor = np.float32(1e-12)
    whole = n // LANES * LANES
    for _ in range(rounds):
        for i in range(n):
            v[i] = ring[i] + floor
        for s in range(n_sources):
            a = np.float32(leaks[s])
            for i in range(n):
                v[i] += a * powers[s, i]
        for i in range(n):
            g[i] = weight[i] / v[i]
            h[i] = g[i] * min(x[i] / v[i], most)
        for s in range(n_sources):
            p = powers[s]
            more = 0.0
            less = 0.0
            # written out by eights: sums in this order fill a vector register
            for i in range(0, whole, LANES):
                u0 = p[i] * h[i] + p[i + 1] * h[i + 1]
                u1 = p[i + 2] * h[i + 2] + p[i + 3] * h[i + 3]
                u2 = p[i + 4] * h[i + 4] + p[i + 5] * h[i + 5]
                u3 = p[i + 6] * h[i + 6] + p[i + 7] * h[i + 7]
                d0 = p[i] * g[i] + p[i + 1] * g[i + 1]
                d1 = p[i + 2] * g[i + 2] + p[i + 3] * g[i + 3]
                d2 = p[i + 4] * g[i + 4] + p[i + 5] * g[i + 5]
                d3 = p[i + 6] * g[i + 6] + p[i + 7] * g[i + 7]
                more += (u0 + u1) + (u2 + u3)
                less += (d0 + d1) + (d2 + d3)
            for i in range(whole, n):
                more += p[i] * h[i]
                less += p[i] * g[i]
            if less > 0.0:
                leaks[s] = min(leaks[s] * np.sqrt(more / less), bounds[s])
