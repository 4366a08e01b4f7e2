"""How loud every drum is in every mic.

Each hit's energy in a window, in every mic, is explained as a sum over the drums that sound in that window: least
squares with non-negative leaks over all hits, so that overlapping hits share their energy out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

__all__ = ["AFTER_S", "BEFORE_S", "BleedMatrix", "Strokes", "bleed_matrix"]

BEFORE_S, AFTER_S = 0.005, 0.25
"""Window of a hit round its arrival: the bleed is defined on it."""

RING_S = 1.0
"""A hit is followed so long into the windows of later ones."""

TAIL_QUANTILE = 0.25
"""Of the energy curves of hits that stand alone: cymbals and drums without a mic only ever add."""

ROUNDS, STRENGTH_ROUNDS = 60, 3

SHARE = 0.4
"""A leak is known if it makes up this much of the windows…"""

SUPPORT, SUPPORT_PER_HIT = 3, 0.15
"""…of at least so many of the drum's hits, and of this share of them (of all if there are fewer)…"""

APART_S = 0.25
"""A window that another hit rings into from so shortly before is not one hit's own: after as long as a window is, what
the ring is taken to be no longer decides (tuned on made takes: 0.05 s leaves one cell in ten 5.2 dB off, this 4.4)."""

WORTH, WORTH_PER_HIT = 2.0, 0.1
"""…and if leaving it out costs so much, in all and per hit of that drum (tuned on made takes)."""

MOST_WINDOWS = 2000
"""More are thinned out evenly."""

QUANTILE = 0.45
"""Of the ratios of measured and modelled leak: a little under the middle, as what is unknown only adds."""


@dataclass(frozen=True, kw_only=True)
class Strokes:
    """Hits of one drum in its own mic.

    Attributes
    ----------
    track : str
        The mic.
    times : ndarray, shape (n_hits,)
        Arrivals there, seconds, rising.
    level_db : ndarray, shape (n_hits,)
        Strength of each, re any level common to all.
    """

    track: str
    times: NDArray[np.float64]
    level_db: NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class BleedMatrix:
    """Mean energy of a hit of each drum in each mic.

    Attributes
    ----------
    tracks, drums : tuple of str
    energy : ndarray, shape (n_tracks, n_drums)
        Mean energy of a hit over its window; 1.0 = full scale for one second; NaN where it is not known.
    hits : mapping of str to int
        Hits of each drum it was measured at.
    """

    tracks: tuple[str, ...]
    drums: tuple[str, ...]
    energy: NDArray[np.float64]
    hits: Mapping[str, int] = field(default_factory=dict)

    def db(self, track: str, re_drum: str) -> dict[str, float | None]:
        """Levels of all drums in one mic re one of them, dB; None where unknown.

        A leak that was looked for and is under −80 dB reads −80.
        """
        row = self.energy[self.tracks.index(track)]
        if re_drum not in self.drums:
            return dict.fromkeys(self.drums)
        ref = row[self.drums.index(re_drum)]
        if not ref > 0.0:
            return dict.fromkeys(self.drums)
        return {
            d: None if np.isnan(e) else float(10.0 * np.log10(max(e / ref, 1e-8)))
            for d, e in zip(self.drums, row, strict=True)
        }


class _Windows:
    """Energies between any two times of power given in frames."""

    def __init__(self, power: NDArray[np.float64], edges: NDArray[np.float64]) -> None:
        self.total = np.concatenate([[0.0], np.cumsum(np.asarray(power, np.float64)) * (edges[1] - edges[0])])
        self.floor = max(float(np.quantile(power, 0.05)), 1e-20)  # digital silence between the hits
        self.at = edges

    def __call__(self, a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.interp(b, self.at, self.total) - np.interp(a, self.at, self.total), np.float64)


def _quantile(x: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """Quantile of each column, over what is known in it."""
    ordered = np.sort(x, axis=0)  # NaN to the end
    n = np.isfinite(x).sum(axis=0)
    place = share * (n - 1)
    low = place.astype(int)
    high = np.minimum(low + 1, n - 1)
    columns = np.arange(x.shape[1])
    a, b = ordered[low, columns], ordered[high, columns]
    return np.asarray(a + (place - low) * (b - a), np.float64)


def _curve(energy: _Windows, strokes: Strokes, others: NDArray[np.float64]) -> NDArray[np.float64]:
    """Energy of a hit up to each 10 ms after its arrival, re that up to the window's end; shape (n,)."""
    grid = np.arange(0.0, RING_S + 0.005, 0.01)
    alone = [t for t in strokes.times if not np.any((others > t - 0.05) & (others < t + AFTER_S) & (others != t))]
    rows = []
    for t in alone:
        following = others[others > t + 0.001]
        end = min(following.min() - t if len(following) else RING_S, RING_S)
        e = energy(np.full(len(grid), t - BEFORE_S), t - BEFORE_S + np.minimum(grid, end))
        whole = energy(np.array([t - BEFORE_S]), np.array([t + AFTER_S]))[0]
        if whole > 0.0:
            rows.append(np.where(grid <= end, e / whole, np.nan))
    n = round((AFTER_S + BEFORE_S) / 0.01)
    usual = 1.0 - np.exp(-grid / 0.06)  # a ring of 0.4 s to −60 dB, where nothing better is known
    curve = usual / usual[n]
    if rows:
        stacked = np.array(rows)
        known = np.isfinite(stacked).any(axis=0)
        measured = _quantile(stacked[:, known], TAIL_QUANTILE)
        curve = np.concatenate([measured, np.full(len(grid) - len(measured), measured[-1])])
    steps = np.maximum(np.diff(curve), 0.0)
    steps[5:] = np.minimum.accumulate(steps[5:])  # a drum's power only falls; what rises again is something else
    return np.concatenate([curve[:1], curve[0] + np.cumsum(steps)])


def bleed_matrix(
    power: Mapping[str, NDArray[np.float64]], frame_s: float, strokes: Mapping[str, Strokes]
) -> BleedMatrix:
    """Measure how loud every drum is in every mic.

    Parameters
    ----------
    power : mapping of str to ndarray, shape (n_frames,)
        Mean square of each frame of every track, without offset; all of one length, asked for one at a time.
    frame_s : float
        Length of a frame.
    strokes : mapping of str to Strokes
        Per drum; drums without hits are left out.

    Returns
    -------
    matrix : BleedMatrix
        Mean over all hits of a drum; in a mic where it cannot be told from the rest: NaN.

    Notes
    -----
    A hit's strength is its energy in the drum's own mic.  Window i of a mic holds
    ``y_i = background + Σ_d leak_d Σ_h strength_h (share of hit h that falls into the window)``; the shares follow
    from the mean energy curve of hits that stand alone.  Leaks are found by non-negative least squares with each
    window's error taken relative to what it holds; windows that hold much more than the model says (cymbals without
    a mic) lose their weight.
    """
    drums = tuple(d for d, s in strokes.items() if len(s.times) and s.track in power)
    tracks = tuple(power)
    result = np.full((len(tracks), len(drums)), np.nan)
    if not drums:
        return BleedMatrix(tracks=tracks, drums=drums, energy=result)
    own = {strokes[d].track: k for k, d in enumerate(drums)}
    edges: NDArray[np.float64] = np.arange(len(power[tracks[0]]) + 1, dtype=np.float64) * frame_s
    windows = {t: _Windows(power[t], edges) for t in own}
    every = np.sort(np.concatenate([strokes[d].times for d in drums]))
    owner = np.concatenate([np.full(len(strokes[d].times), k) for k, d in enumerate(drums)])
    at = np.concatenate([strokes[d].times for d in drums])

    curves = [_curve(windows[strokes[d].track], strokes[d], every) for d in drums]
    strength = np.concatenate([10.0 ** (strokes[d].level_db / 10.0) for d in drums])
    shares = _shares(at, strokes, drums, curves)
    strength = _strengths(strength, shares, owner, [windows[strokes[d].track] for d in drums], at)
    design = _design(strength, shares, owner)
    mean = np.array([strength[owner == k].mean() for k in range(len(drums))])

    struck = np.stack([_struck(at, strokes[d].times) for d in drums], axis=1)
    struck[np.arange(len(at)), owner] = False
    alone: NDArray[np.bool_] = np.asarray(~np.any(struck, axis=1), bool)
    for j, track in enumerate(tracks):
        e = windows[track] if track in own else _Windows(power[track], edges)
        floor = e.floor * (AFTER_S + BEFORE_S)
        y = e(at - BEFORE_S, at + AFTER_S)
        free = ~struck[:, own[track]] if track in own else np.ones(len(at), bool)
        leak, known = _leaks(y, design, floor, owner, free, alone)
        result[j] = np.where(known, leak * mean, np.nan)
    return BleedMatrix(tracks=tracks, drums=drums, energy=result, hits={d: len(strokes[d].times) for d in drums})


def _shares(
    at: NDArray[np.float64],
    strokes: Mapping[str, Strokes],
    drums: tuple[str, ...],
    curves: list[NDArray[np.float64]],
) -> sparse.csr_matrix:
    """Share of every hit (column) that falls into every window (row)."""
    grid = np.arange(len(curves[0])) * 0.01
    rows, columns, values = [], [], []
    first = 0
    for drum, curve in zip(drums, curves, strict=True):
        times = strokes[drum].times
        low = np.searchsorted(times, at - RING_S)
        high = np.searchsorted(times, at + AFTER_S + BEFORE_S)
        row = np.repeat(np.arange(len(at)), high - low)
        begin = np.repeat(np.cumsum(high - low) - (high - low), high - low)
        hit = np.arange(len(row)) - begin + np.repeat(low, high - low)
        since = at[row] - times[hit]  # the hit's own window began so long before this one
        share = np.interp(since + AFTER_S + BEFORE_S, grid, curve, left=0.0) - np.interp(since, grid, curve, left=0.0)
        rows.append(row)
        columns.append(hit + first)
        values.append(share)
        first += len(times)
    shape = (len(at), first)
    return sparse.csr_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape)


def _struck(at: NDArray[np.float64], times: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which windows a drum is struck in, or not long before."""
    first, behind = (np.searchsorted(times, at + d) for d in (-APART_S, AFTER_S))
    return np.asarray(behind > first, bool)


def _design(strength: NDArray[np.float64], shares: sparse.csr_matrix, owner: NDArray[np.int64]) -> NDArray[np.float64]:
    """What every window would hold of every drum if each leaked as into its own mic; shape (n_hits, n_drums)."""
    parts = [shares[:, owner == k] @ strength[owner == k] for k in range(int(owner.max()) + 1)]
    return np.stack(parts, axis=1)


def _strengths(
    strength: NDArray[np.float64],
    shares: sparse.csr_matrix,
    owner: NDArray[np.int64],
    own_mics: list[_Windows],
    at: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Energy of every hit in its own mic, without what leaks into it.

    Where the own mic's window holds mostly this hit, what the others' leaks leave of it; else the given strength,
    scaled.
    """
    y = np.stack([e(at - BEFORE_S, at + AFTER_S) for e in own_mics])
    floor = np.array([e.floor * (AFTER_S + BEFORE_S) for e in own_mics])
    alone = shares.diagonal()
    for _ in range(STRENGTH_ROUNDS):
        design = _design(strength, shares, owner)
        new = strength.copy()
        for k in range(len(own_mics)):
            leak = _fit(y[k], design, float(floor[k]))
            mine = np.flatnonzero(owner == k)
            own = alone[mine] * strength[mine] * leak[k]
            others = design[mine] @ leak - own
            left = y[k, mine] - floor[k] - others
            sure = left > 0.5 * y[k, mine]
            new[mine] = np.where(sure, left, strength[mine] * leak[k])
        strength = np.maximum(new, 1e-20)
    return strength


def _fit(y: NDArray[np.float64], a: NDArray[np.float64], floor: float) -> NDArray[np.float64]:
    """Leaks that minimise Σ m/y − ln m over the windows, m = a·leak + floor.

    Convex, and gentle to windows that hold more than the model because something unknown sounds, but not to those that
    hold less.  The multiplicative steps are those of expectation and maximisation, so each lowers the sum.
    """
    if len(y) > MOST_WINDOWS:
        some = np.linspace(0, len(y) - 1, MOST_WINDOWS).astype(int)
        y, a = y[some], a[some]
    y = np.maximum(y, max(floor, 1e-20))
    pull = np.maximum((a / y[:, None]).sum(axis=0), 1e-30)
    leak = 1.0 / pull
    for _ in range(ROUNDS):
        leak = leak * (a / (a @ leak + floor)[:, None]).sum(axis=0) / pull
    return np.asarray(leak, np.float64)


def _leaks(
    y: NDArray[np.float64],
    design: NDArray[np.float64],
    floor: float,
    owner: NDArray[np.int64],
    free: NDArray[np.bool_],
    alone: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Leak of every drum into one mic, and whether it can be told.

    Windows that are not `free` hold a hit of the mic's own drum, whose strength this mic has measured: they cannot tell
    what another drum adds.  Drums with few hits are only told by windows in which they are `alone`.
    """
    scale = np.maximum(design.max(axis=0), 1e-30)
    a = design / scale
    y = np.maximum(y, max(floor, 1e-20))
    leak = _fit(y, a, floor)

    def cost(model: NDArray[np.float64]) -> float:
        return float(np.sum(model / y - np.log(model)))

    parts = a * leak
    model = parts.sum(axis=1) + max(floor, 1e-20)
    share = parts / np.maximum(model, y)[:, None]
    counts = np.bincount(owner, minlength=design.shape[1])
    few = counts < SUPPORT
    telling = free[:, None] & (alone[:, None] | ~few)
    tells = (owner[:, None] == np.arange(design.shape[1])) & telling & (share >= SHARE)
    support = tells.sum(axis=0)
    known = support >= np.minimum(counts, np.maximum(SUPPORT, SUPPORT_PER_HIT * counts))
    best = cost(model)
    for d in np.flatnonzero(known):
        rest = np.delete(a, d, axis=1)
        without = rest @ _fit(y, rest, floor) + max(floor, 1e-20)
        known[d] = cost(without) - best >= max(WORTH, WORTH_PER_HIT * counts[d])
        use = free & (share[:, d] >= min(SHARE, 0.8 * float(share[free, d].max())))
        ratio = (y - model + parts[:, d])[use] / parts[use, d]
        leak[d] *= max(float(np.quantile(ratio, QUANTILE)), 0.1)
    return leak / scale, np.asarray(known, bool)
