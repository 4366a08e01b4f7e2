"""Learning leaks, lags and cymbals again from hits that are nearly certain."""

from __future__ import annotations

import bisect
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.envelopes import N_BANDS
from spillgate.dsp.core.hits.events import N_NUMBERS
from spillgate.dsp.core.hits.explain import Kit
from spillgate.dsp.core.hits.lows import N_LOWS, greatest_near
from spillgate.dsp.core.hits.novelty import REACH, gather, rises_at
from spillgate.dsp.core.hits.scene import USUAL_SPREAD, Candidates, Scene, Sources
from spillgate.dsp.core.hits.shapes import UNKNOWN, own_shape

__all__ = ["second_sources", "thinned"]

SURE, ALONE = 0.8, (25, 14)
"""Hits of at least that probability teach, if no other drum has one within that many frames before and after."""
FEW_ALONE = 3
QUANTILE, FEW_QUANTILE, OWN_QUANTILE = 0.40, 0.15, 0.5
"""Of the level differences: the leak; lower where fewer than 3 hits were alone; the drum in its own mics."""
MOST_QUANTILE = 0.85
"""And what it leaks at most."""
LOUD_PERCENTILE = 85.0
CYMBAL_CLEAR, CYMBAL_FAINTEST_DB = 18, -26.0
"""Cymbals are learned from events so many frames from any drum's hit and not fainter in the treble."""
POSSIBLE = 0.2
"""What may be a hit of a drum teaches no cymbal: it would explain the drum away."""
CYMBAL_LOW_DB = -12.0
"""Most that a cymbal, re its treble in the overheads, leaves in a close mic below 600 Hz."""
CYMBAL_QUANTILE, CYMBAL_MOST_LOW = 0.5, 10**-0.5
"""Of the innovations beside cymbals: what they leave in a close mic, and the most of it."""
CYMBAL_LEAST_EVENTS, CYMBAL_MOST_EVENTS = 4, 4096
"""Of more than the second an even choice is looked at: a long take has hundreds of thousands."""
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
    drums, lags, lows = old.leaks[:n_drums].copy(), np.zeros((n_drums, kit.n_mics)), old.lows[:n_drums].copy()
    most, most_lows = old.most[:n_drums].copy(), old.most_lows[:n_drums].copy()
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
        tells = [
            _surer(c, probability, teach, hits[c.drum[hits] == o]) if few and o != d else np.ones(len(teach), bool)
            for o in range(n_drums)
        ]
        for m in range(kit.n_mics):
            where, _ = rises_at(scene.mics[m], frames - REACH, frames + REACH)
            lags[d, m] = float(np.median(where - frames))
            at = np.logical_and.reduce([tells[o] for o in range(n_drums) if m in kit.own[o]] or [tells[d]])
            if not at.any():
                continue
            heard = np.concatenate(
                [c.ceiling[teach[at], m], np.maximum(_ring_fresh(scene, m, frames[at]), 0.0)], axis=1
            ).astype(np.float64)
            if m == own[0]:
                heard[:, :N_BANDS] = c.fresh[teach]
            share = OWN_QUANTILE if m in own else FEW_QUANTILE if few else QUANTILE
            drums[d, m], most[d, m] = _usual_and_most(heard, level[at], share, few) * loud
        for o in range(n_drums):
            if not tells[o].any():
                continue
            new = c.innovation[teach] if o == d else _innovations_near(scene, o, frames[tells[o]])
            share = OWN_QUANTILE if o == d else FEW_QUANTILE if few else QUANTILE
            lows[d, o], most_lows[d, o] = _usual_and_most(new, level[tells[o]], share, few) * loud
        lags[d] -= lags[d, own[0]]
        for o in range(n_drums):
            new = c.innovation[teach] if o == d else _innovations_near(scene, o, frames)
            share = OWN_QUANTILE if o == d else FEW_QUANTILE if few else QUANTILE
            lows[d, o], most_lows[d, o] = _usual_and_most(new, level, share, few) * loud
    possible = thinned(c.drum, c.frame, probability, POSSIBLE)
    cymbals = _cymbals(scene, possible)

    def both(of_drums: NDArray[np.float64], of_cymbals: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.clip(np.concatenate([of_drums, of_cymbals]), 1e-6, 1e3))

    own_shape = np.full((len(c), N_LOWS), UNKNOWN, np.float32)
    for d, kind in enumerate(kit.kinds):
        if kind == "tom":
            mine = np.flatnonzero(c.drum == d)
            own_shape[mine] = _of_own_shape(scene, d, probability, mine, hits, possible)
    return Sources(
        own_shape=own_shape,
        leaks=both(drums, cymbals.leaks),
        most=both(most, cymbals.most),
        lags=lags,
        lows=both(lows, cymbals.lows),
        most_lows=both(most_lows, cymbals.most_lows),
    )


def _surer(
    c: Candidates, probability: NDArray[np.float64], mine: NDArray[np.int64], theirs: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell which hits of a drum are surer than any of another drum near them: its mic tells of leaks only there.

    Of two drums that sound together one may be the other's leak, and that is the one that is less sure.
    """
    told = np.ones(len(mine), bool)
    for k, i in enumerate(mine):
        first, stop = np.searchsorted(c.frame[theirs], (c.frame[i] - ALONE[0], c.frame[i] + ALONE[1] + 1))
        told[k] = probability[i] > probability[theirs[first:stop]].max(initial=0.0)
    return told


def _of_own_shape(
    scene: Scene,
    d: int,
    probability: NDArray[np.float64],
    mine: NDArray[np.int64],
    hits: NDArray[np.int64],
    possible: NDArray[np.int64],
) -> NDArray[np.float32]:
    """Share of the drum's own shape in each of its candidates; shapes are learned from sure hits that are alone."""
    c = scene.candidates
    own = c.frame[:0]
    others, struck = [], []
    for o in range(len(scene.kit.drums)):
        theirs = hits[c.drum[hits] == o]
        alone = theirs[_far(c.frame[theirs], np.sort(c.frame[hits[c.drum[hits] != o]]), *ALONE)]
        few = len(alone) < FEW_ALONE
        if o == d:
            own = c.frame[theirs if few else alone]
        else:
            others.append(c.frame[alone[:0] if few else alone])
            struck.append(c.frame[possible[c.drum[possible] == o]])
    return own_shape(scene.lows[scene.kit.own[d][0]], c.frame[mine], probability[mine], own, others, struck)


def _usual_and_most(
    heard: NDArray[np.floating], level: NDArray[np.float64], share: float, few: bool
) -> NDArray[np.float64]:
    """Leak that a share of the hits does not exceed, and what hardly any exceeds, shape (2, n)."""
    re_level = np.maximum(heard, 1e-6) / level[:, None]
    usual = np.quantile(re_level, share, axis=0)
    # with few hits alone, what else sounded with them would be taken for leak
    most = usual * USUAL_SPREAD if few else np.quantile(re_level, MOST_QUANTILE, axis=0)
    return np.stack([usual, np.maximum(most, usual)])


def _innovations_near(scene: Scene, d: int, frames: NDArray[np.int64]) -> NDArray[np.float32]:
    """Greatest innovation of a drum's own mic near some frames."""
    c = scene.candidates
    mine = np.flatnonzero(c.drum == d)
    return greatest_near(c.frame[mine], c.innovation[mine], frames, REACH)


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


@dataclass(frozen=True)
class _Cymbals:
    leaks: NDArray[np.float64]
    most: NDArray[np.float64]
    lows: NDArray[np.float64]
    most_lows: NDArray[np.float64]


def _cymbals(scene: Scene, hits: NDArray[np.int64]) -> _Cymbals:
    """Vectors of the cymbals: medians of clusters of events far from any drum's hit; and their innovations."""
    kit, events, old = scene.kit, scene.events, scene.sources
    n = len(kit.drums)
    unknown = _Cymbals(old.leaks[n:], old.most[n:], old.lows[n:], old.most_lows[n:])
    if len(events) == 0:
        return unknown
    clear = _far(events.frames, np.sort(scene.candidates.frame[hits]), CYMBAL_CLEAR, CYMBAL_CLEAR)
    bands = slice(N_BANDS - 2, N_BANDS) if kit.overheads else slice(0, N_BANDS)
    loudness = np.zeros(len(events))
    for m in kit.cymbal_mics:
        loudness = np.maximum(loudness, np.maximum(events.after[:, m, bands] - events.before[:, m, bands], 1e-5).max(1))
    clear &= loudness > 10 ** (CYMBAL_FAINTEST_DB / 10)
    heard = np.flatnonzero(clear)
    if len(heard) == 0:
        return unknown
    heard = heard[np.arange(min(len(heard), CYMBAL_MOST_EVENTS)) * len(heard) // min(len(heard), CYMBAL_MOST_EVENTS)]
    loudness = loudness[heard][:, None, None]
    fresh = np.maximum(events.after[heard] - events.before[heard], 1e-5).astype(np.float64)
    vectors = 10.0 * np.log10(np.maximum(fresh / loudness, 1e-6))
    n_clusters = CYMBAL_CLUSTERS if kit.overheads else CYMBAL_CLUSTERS_TOMS
    usual, most = _cluster(np.clip(vectors.reshape(len(vectors), -1), -40.0, 10.0), n_clusters)
    lows = np.stack([unknown.lows[0], unknown.most_lows[0]])
    if len(heard) >= CYMBAL_LEAST_EVENTS:
        near = np.stack([_innovations_near(scene, d, events.frames[heard]) for d in range(n)], 1)
        of_each = np.maximum(near, 1e-6) / loudness
        lows = np.minimum(np.quantile(of_each, (CYMBAL_QUANTILE, MOST_QUANTILE), axis=0), CYMBAL_MOST_LOW)
    return _Cymbals(
        _bounded(usual, kit),
        _bounded(most, kit),
        np.repeat(lows[:1], len(usual), 0),
        np.repeat(lows[1:], len(usual), 0),
    )


def _bounded(centres_db: NDArray[np.float64], kit: Kit) -> NDArray[np.float64]:
    """Powers of the cymbals' vectors, held down where cymbals have little."""
    centres = centres_db.reshape(-1, kit.n_mics, N_NUMBERS)
    if kit.overheads:
        low = np.isin(np.arange(N_NUMBERS), (0, 1, 2, N_BANDS, N_BANDS + 1))
        close = ~np.array(kit.overhead)
        centres = np.where(close[:, None] & low, np.minimum(centres, CYMBAL_LOW_DB), centres)
    return np.asarray(10.0 ** (centres / 10.0))


def _cluster(x: NDArray[np.float64], n_clusters: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Medians of clusters and what hardly any of their members exceeds.

    K-medians; starts at the vector farthest from the median, then always at the one farthest from all centres.
    """
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
    owner = np.argmin(np.abs(x[:, None] - found[None]).sum(2), axis=1)
    most = [
        np.quantile(x[owner == k], MOST_QUANTILE, axis=0) if (owner == k).any() else found[k] for k in range(len(found))
    ]
    return found, np.array(most)
