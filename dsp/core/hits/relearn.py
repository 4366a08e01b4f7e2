"""Learning leaks, lags and cymbals again from hits that are nearly certain."""

from __future__ import annotations

import bisect

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.envelopes import N_BANDS
from spillgate.dsp.core.hits.events import N_NUMBERS
from spillgate.dsp.core.hits.novelty import REACH, gather, rises_at
from spillgate.dsp.core.hits.scene import Scene, Sources

__all__ = ["second_sources", "thinned"]

SURE, ALONE = 0.8, (25, 14)
"""Hits of at least that probability teach, if no other drum has one within that many frames before and after."""
FEW_ALONE = 3
QUANTILE, FEW_QUANTILE = 0.40, 0.15
"""Of the level differences: the leak; lower where fewer than 3 hits were alone."""
LOUD_PERCENTILE = 85.0
CYMBAL_CLEAR, CYMBAL_FAINTEST_DB = 18, -26.0
"""Cymbals are learned from events so many frames from any drum's hit and not fainter in the treble."""
POSSIBLE = 0.2
"""What may be a hit of a drum teaches no cymbal: it would explain the drum away."""
CYMBAL_LOW_DB = -12.0
"""Most that a cymbal, re its treble in the overheads, leaves in a close mic below 600 Hz."""
CYMBAL_CLUSTERS, CYMBAL_CLUSTERS_TOMS = 4, 6
SPACING = 15
"""Frames within which a drum has one hit only."""


def second_sources(scene: Scene, probability: NDArray[np.float64]) -> Sources:
    """Learn leaks, lags and cymbals again from hits that are nearly certain.

    Parameters
    ----------
    scene : Scene
    probability : ndarray, shape (n_candidates,)

    Returns
    -------
    sources : Sources
    """
    c, kit, old = scene.candidates, scene.kit, scene.sources
    n_drums = len(kit.drums)
    hits = thinned(c.drum, c.frame, probability, SURE)
    drums, lags = old.leaks[:n_drums].copy(), np.zeros((n_drums, kit.n_mics))
    for d, own in enumerate(kit.own):
        mine = hits[c.drum[hits] == d]
        if len(mine) == 0:
            continue
        others = np.sort(c.frame[hits[c.drum[hits] != d]])
        alone = mine[_far(c.frame[mine], others, *ALONE)]
        few = len(alone) < FEW_ALONE
        teach = mine if few else alone
        frames = c.frame[teach]
        loudness = c.fresh[teach][:, : N_BANDS - 1] / old.leaks[d, own[0], : N_BANDS - 1]
        level = np.exp(np.log(np.maximum(loudness, 1e-5)).mean(1))
        loud = max(float(np.percentile(level, LOUD_PERCENTILE)), 1e-4)
        for m in range(kit.n_mics):
            heard = np.concatenate(
                [c.ceiling[teach, m], np.maximum(_ring_fresh(scene, m, frames), 0.0)], axis=1
            ).astype(np.float64)
            if m == own[0]:
                heard[:, :N_BANDS] = c.fresh[teach]
            share = 0.5 if m in own else FEW_QUANTILE if few else QUANTILE
            drums[d, m] = np.quantile(np.maximum(heard, 1e-6) / level[:, None], share, axis=0) * loud
            where, _ = rises_at(scene.mics[m], frames - REACH, frames + REACH)
            lags[d, m] = float(np.median(where - frames))
        lags[d] -= lags[d, own[0]]
    cymbals = _cymbals(scene, thinned(c.drum, c.frame, probability, POSSIBLE))
    if cymbals is None:
        cymbals = old.leaks[n_drums:]
    return Sources(np.clip(np.concatenate([drums, cymbals]), 1e-6, 1e3), lags)


def _ring_fresh(scene: Scene, m: int, frames: NDArray[np.int64]) -> NDArray[np.float32]:
    _, _, after, before = gather(scene.energies[m], scene.mics[m], frames)
    return np.asarray(after - before)


def thinned(
    drum: NDArray[np.int64],
    frame: NDArray[np.int64],
    probability: NDArray[np.float64],
    least: float,
    spacing: float = SPACING,
) -> NDArray[np.int64]:
    """Pick candidates, the most probable first, none within `spacing` frames of a better one of its drum.

    Parameters
    ----------
    drum, frame : ndarray of int64, shape (n,)
    probability : ndarray, shape (n,)
    least : float
        Lowest probability that counts.
    spacing : float
        Frames.

    Returns
    -------
    indices : ndarray of int64
        Increasing.
    """
    order = np.flatnonzero(probability >= least)
    order = order[np.argsort(-probability[order], kind="stable")]
    taken: dict[int, list[int]] = {}
    kept = []
    for i in order:
        near = taken.setdefault(int(drum[i]), [])
        at = bisect.bisect(near, int(frame[i]))
        if all(abs(int(frame[i]) - f) >= spacing for f in near[max(at - 1, 0) : at + 1]):
            near.insert(at, int(frame[i]))
            kept.append(i)
    return np.sort(np.array(kept, np.int64))


def _far(frames: NDArray[np.int64], others: NDArray[np.int64], back: int, ahead: int) -> NDArray[np.bool_]:
    """Tell where none of the sorted `others` lies from `back` before to `ahead` after."""
    a = np.searchsorted(others, frames - back)
    b = np.searchsorted(others, frames + ahead, side="right")
    return np.asarray(a == b)


def _cymbals(scene: Scene, hits: NDArray[np.int64]) -> NDArray[np.float64] | None:
    """Vectors of the cymbals: medians of clusters of events far from any drum's hit."""
    kit, events = scene.kit, scene.events
    if len(events) == 0:
        return None
    clear = _far(events.frames, np.sort(scene.candidates.frame[hits]), CYMBAL_CLEAR, CYMBAL_CLEAR)
    fresh = np.maximum(events.after - events.before, 1e-5).astype(np.float64)
    judged = list(kit.cymbal_mics)
    bands = slice(N_BANDS - 2, N_BANDS) if kit.overheads else slice(0, N_BANDS)
    loudness = fresh[:, judged, bands].max((1, 2))
    clear &= loudness > 10 ** (CYMBAL_FAINTEST_DB / 10)
    if not clear.any():
        return None
    vectors = 10.0 * np.log10(np.maximum(fresh[clear] / loudness[clear][:, None, None], 1e-6))
    n_clusters = CYMBAL_CLUSTERS if kit.overheads else CYMBAL_CLUSTERS_TOMS
    centres = _cluster(np.clip(vectors.reshape(len(vectors), -1), -40.0, 10.0), n_clusters)
    centres = centres.reshape(-1, kit.n_mics, N_NUMBERS)
    if kit.overheads:
        low = np.r_[0:3, N_BANDS, N_BANDS + 1]
        close = ~np.array(kit.overhead)
        centres[:, close] = np.where(
            np.isin(np.arange(N_NUMBERS), low), np.minimum(centres[:, close], CYMBAL_LOW_DB), centres[:, close]
        )
    return np.asarray(10.0 ** (centres / 10.0))


def _cluster(x: NDArray[np.float64], n_clusters: int) -> NDArray[np.float64]:
    """K-medians; starts at the median, then always at the vector farthest from all centres."""
    centres = [np.median(x, axis=0)]
    distance = np.abs(x - centres[0]).sum(1)
    centres = [x[int(np.argmax(distance))]]
    distance = np.abs(x - centres[0]).sum(1)
    while len(centres) < min(n_clusters, len(x)):
        centres.append(x[int(np.argmax(distance))])
        distance = np.minimum(distance, np.abs(x - centres[-1]).sum(1))
    found = np.array(centres)
    for _ in range(10):
        owner = np.argmin(np.abs(x[:, None] - found[None]).sum(2), axis=1)
        found = np.array(
            [np.median(x[owner == k], axis=0) if (owner == k).any() else found[k] for k in range(len(found))]
        )
    return found
