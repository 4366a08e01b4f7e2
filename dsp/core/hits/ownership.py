"""Whose hit it is: the numbers by which candidates are decided.

For every moment at which a drum's mic hears something begin, they tell what the drum itself must have done there and
what all other drums can have leaked into that mic.

The number that matters most is the *excess*: the fresh energy in the mic against the most that the other drums, as
loud as their own mics say they were, can have put there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.envelopes import N_BANDS
from spillgate.dsp.core.hits.events import N_NUMBERS, OVERHEAD_BANDS
from spillgate.dsp.core.hits.explain import Kit
from spillgate.dsp.core.hits.lows import N_LOWS
from spillgate.dsp.core.hits.relearn import thinned
from spillgate.dsp.core.hits.rolls import support
from spillgate.dsp.core.hits.scene import FAR, Candidates, Scene, Sources

__all__ = ["FEATURES", "Earlier", "features", "features_of", "told_of"]

ROWS_AT_ONCE = 8192
"""Candidates whose numbers are held at a time."""
FRESH_BEFORE, LEAK_BEFORE, LEAST = 0.18, 0.7, 3e-5
"""Shares of the energy before in numerator and denominator of the excess.  Tuned on takes of three kits."""
LEAST_LOW = 1e-5
"""The same for the innovation of the lows."""
PEAK_BEFORE = 0.05
"""Share of the greatest energy of the 30 ms before in the denominator: a ring that beats is no new stroke."""
WINDOW_DB = 10.0
"""A source is judged in its own mic by the bands within so many dB of its strongest."""
KICK_BANDS = 4
"""A kick by the lower four: its mic hears every drum's treble."""
CONTEXT = (35, 220)
"""Frames before and after in which another stroke on the same drum is looked for."""
HEEDED = 0.3
"""Least probability of a hit whose leak is looked for."""

FEATURES: tuple[tuple[str, float, float], ...] = (
    *((f"excess_{b}", -20.0, 20.0) for b in range(N_BANDS)),
    *((f"excess_sorted_{b}", -20.0, 20.0) for b in range(5)),
    ("excess_mean", -20.0, 20.0),
    ("ring_excess_low", -20.0, 20.0),
    ("ring_excess_mid", -20.0, 20.0),
    ("level", -40.0, 6.0),
    ("scatter", 0.0, 15.0),
    ("rise_first", 0.0, 40.0),
    ("rise_second", 0.0, 30.0),
    ("rise_sum", 0.0, 120.0),
    ("ring_rise_low", -10.0, 20.0),
    ("ring_rise_mid", -10.0, 20.0),
    ("worth", 0.0, 60.0),
    ("margin", -10.0, 30.0),
    ("strong_events", 0.0, 5.0),
    ("energy_change", -20.0, 20.0),
    ("fresh_change", -20.0, 30.0),
    ("fresh_after", -20.0, 20.0),
    ("over_toms", -20.0, 20.0),
    ("over_all", -20.0, 20.0),
    ("overhead_distance", 0.0, FAR),
    ("context_before", 0.0, 1.0),
    ("context_after", 0.0, 1.0),
    ("leak_distance", 0.0, FAR),
    ("leak_probability", 0.0, 1.0),
    *((f"low_excess_{k}", -20.0, 20.0) for k in range(N_LOWS)),
    *((f"low_rise_{k}", -5.0, 25.0) for k in range(N_LOWS)),
    *((f"firm_excess_{k}", -20.0, 20.0) for k in range(3)),
    ("firm_excess_mean", -20.0, 20.0),
    *((f"firm_low_excess_{k}", -20.0, 20.0) for k in range(N_LOWS)),
    ("neighbours", -30.0, 0.0),
    ("more_neighbours", -30.0, 0.0),
    ("surest", 0.0, 12.0),
    ("usually", 0.0, 16.0),
    ("hits", 0.0, 5.0),
    *((f"own_shape_{k}", 0.0, 1.0) for k in range(N_LOWS)),
)
"""Name and range of every number; what lies outside the range is clipped."""


def _db(x: NDArray[Any], least: float = 1e-6) -> NDArray[np.float64]:
    return np.asarray(10.0 * np.log10(np.maximum(x, least)), np.float64)


def _levels(candidates: Candidates, kit: Kit, leaks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Most that each source can have sounded at each candidate, shape (n, n_sources): its own mics bound it."""
    levels = np.empty((len(candidates), len(leaks)))
    for s in range(len(leaks)):
        drum = s < len(kit.drums)
        own = kit.own[s] if drum else kit.cymbal_mics
        bound = np.full(len(candidates), np.inf)
        for m in own:
            first = OVERHEAD_BANDS[0] if kit.overhead[m] else 0
            stop = KICK_BANDS if drum and kit.kinds[s] == "kick" else N_BANDS
            strongest = leaks[s, m, first:stop].max()
            for b in range(first, stop):
                if leaks[s, m, b] >= strongest * 10 ** (-WINDOW_DB / 10):
                    bound = np.minimum(bound, candidates.ceiling[:, m, b] / leaks[s, m, b])
        levels[:, s] = np.where(np.isfinite(bound), bound, 0.0)
    return levels


@dataclass(frozen=True)
class Earlier:
    """How the candidates were decided by an earlier pass.

    Attributes
    ----------
    probability : ndarray, shape (n_candidates,)
    hits : ndarray of int64
        The likely ones, none of them too near to a better one of its drum.
    """

    probability: NDArray[np.float64]
    hits: NDArray[np.int64]

    @classmethod
    def of(cls, scene: Scene, probability: NDArray[np.float64]) -> Earlier:
        """Take the likely ones together."""
        c = scene.candidates
        return cls(probability, thinned(c.drum, c.frame, probability, 0.5))


def features(scene: Scene, sources: Sources, earlier: Earlier | None = None) -> NDArray[np.float64]:
    """Numbers by which all candidates are decided, together.

    Parameters
    ----------
    scene : Scene
    sources : Sources
        What is known of the leaks.
    earlier : Earlier, optional
        Without it the numbers that need it are 0 (far away: at the end of their range).

    Returns
    -------
    numbers : ndarray, shape (n_candidates, n_features)
        Each clipped to its range in `FEATURES` and scaled to 0…1.
    """
    numbers = np.empty((len(scene.candidates), len(FEATURES)))
    for d in range(len(scene.kit.drums)):
        for rows, of_some in features_of(scene, sources, d, earlier):
            numbers[rows] = of_some
    return numbers


def features_of(
    scene: Scene, sources: Sources, d: int, earlier: Earlier | None = None
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.float64]]]:
    """Give the same numbers for the candidates of one drum, some at a time: a long take has millions.

    Parameters
    ----------
    scene : Scene
    sources : Sources
    d : int
        Index of the drum.
    earlier : Earlier, optional

    Yields
    ------
    rows : ndarray of int64
        Indices of some candidates, increasing.
    numbers : ndarray, shape (n, n_features)
    """
    mine = np.flatnonzero(scene.candidates.drum == d)
    told = _told(scene, sources, d, mine, earlier)
    for a in range(0, len(mine), ROWS_AT_ONCE):
        rows = mine[a : a + ROWS_AT_ONCE]
        columns = _columns(scene, sources, d, rows, told, slice(a, a + ROWS_AT_ONCE))
        numbers = np.empty((len(rows), len(FEATURES)))
        for i, (name, bottom, top) in enumerate(FEATURES):
            numbers[:, i] = (np.clip(columns[name], bottom, top) - bottom) / (top - bottom)
        yield rows, numbers


def told_of(
    scene: Scene, sources: Sources, d: int, some: NDArray[np.int64], earlier: Earlier
) -> dict[str, NDArray[np.float64]]:
    """Give the numbers of some candidates of a drum by name, as they are.

    Parameters
    ----------
    scene : Scene
    sources : Sources
    d : int
        Index of the drum.
    some : ndarray of int64, shape (n,)
        Indices of candidates, increasing.
    earlier : Earlier

    Returns
    -------
    numbers : dict of str to ndarray, shape (n,)
        Names as in `FEATURES`; neither clipped nor scaled.
    """
    mine = np.flatnonzero(scene.candidates.drum == d)
    told = _told(scene, sources, d, mine, earlier)
    return _columns(scene, sources, d, some, told, np.searchsorted(mine, some))


def _columns(
    scene: Scene, sources: Sources, d: int, rows: NDArray[np.int64], told: _Told, some: slice | NDArray[np.int64]
) -> dict[str, NDArray[np.float64]]:
    c = scene.candidates.chosen(rows)
    levels = _levels(c, scene.kit, sources.leaks)
    columns = _standing(scene, c, sources, levels)
    columns |= _company(told, some)
    columns |= {f"own_shape_{k}": sources.own_shape[rows, k] for k in range(N_LOWS)}
    return columns | _context(scene, c, sources, d, told, levels)


def _standing(scene: Scene, c: Candidates, sources: Sources, levels: NDArray[np.float64]) -> dict[str, NDArray[Any]]:
    """Numbers that do not depend on how other candidates were decided."""
    kit, leaks = scene.kit, sources.leaks
    n = len(c)
    columns: dict[str, NDArray[Any]] = {}
    own_vector = np.array([leaks[d, own[0]] for d, own in enumerate(kit.own)])[c.drum]
    main = np.array([own[0] for own in kit.own])[c.drum]
    leak, most = np.zeros((n, N_NUMBERS)), np.zeros((n, N_NUMBERS))
    for s in range(len(leaks)):
        level = np.where(c.drum == s, 0.0, levels[:, s])[:, None]
        leak += level * leaks[s][main]
        most += level * sources.most[s][main]
    masking = LEAK_BEFORE * c.before + PEAK_BEFORE * c.around[0]
    excess = _db((c.fresh + FRESH_BEFORE * c.before) / (leak[:, :N_BANDS] + masking + LEAST))
    firm = _db((c.fresh + FRESH_BEFORE * c.before) / (most[:, :N_BANDS] + masking + LEAST))
    columns["firm_excess_mean"] = firm.mean(1)
    firm.sort(axis=1)
    for k in range(3):
        columns[f"firm_excess_{k}"] = firm[:, N_BANDS - 1 - k]
    for b in range(N_BANDS):
        columns[f"excess_{b}"] = excess[:, b]
    ordered = np.sort(excess, axis=1)[:, ::-1]
    for b in range(5):
        columns[f"excess_sorted_{b}"] = ordered[:, b]
    columns["excess_mean"] = excess.mean(1)
    ring_fresh = np.maximum(c.ring_after - c.ring_before, 0.0)
    ring = _db((ring_fresh + FRESH_BEFORE * c.ring_before) / (leak[:, N_BANDS:] + LEAK_BEFORE * c.ring_before + LEAST))
    columns["ring_excess_low"], columns["ring_excess_mid"] = ring[:, 0], ring[:, 1]
    ratio = _db(c.fresh, 1e-5)[:, : N_BANDS - 1] - _db(own_vector, 1e-5)[:, : N_BANDS - 1]
    columns["level"], columns["scatter"] = ratio.mean(1), ratio.std(1)
    rises = np.sort(c.rise, axis=1)[:, ::-1]
    columns["rise_first"], columns["rise_second"], columns["rise_sum"] = rises[:, 0], rises[:, 1], rises.sum(1)
    ring_rise = _db(c.ring_after + 1e-6) - _db(c.ring_before + 1e-6)
    columns["ring_rise_low"], columns["ring_rise_mid"] = ring_rise[:, 0], ring_rise[:, 1]
    there = c.event >= 0
    event = np.maximum(c.event, 0)
    for name, table in (("worth", scene.explanation.worth), ("margin", scene.explanation.margin)):
        columns[name] = np.where(there, table[event, c.drum], 0.0) if len(table) else np.zeros(n)
    strong = (scene.explanation.level_db > -12.0).sum(0) if len(scene.events) else np.zeros(len(leaks))
    columns["strong_events"] = np.log1p(strong)[c.drum]
    low = slice(0, N_BANDS - 1)
    e_before, f_before, f_after = c.around
    columns["energy_change"] = (_db(c.after[:, low]) - _db(e_before[:, low])).mean(1)
    columns["fresh_change"] = (_db(c.fresh[:, low], 1e-4) - _db(f_before[:, low], 1e-4)).mean(1)
    columns["fresh_after"] = (_db(c.fresh[:, low], 1e-4) - _db(f_after[:, low], 1e-4)).mean(1)
    mine = _db(c.fresh[:, low], 1e-4).mean(1)
    heard = _db(c.ceiling[:, :, low], 1e-4).mean(2)
    for name, kinds in (("over_toms", ("tom",)), ("over_all", ("kick", "snare", "hat", "tom", "cymbal"))):
        other = np.full(n, -40.0)
        for d, own in enumerate(kit.own):
            if kit.kinds[d] in kinds:
                other = np.where(c.drum == d, other, np.maximum(other, heard[:, own[0]]))
        columns[name] = mine - other
    columns["overhead_distance"] = c.overhead_distance
    return columns | _lows(c, len(kit.drums), sources, levels)


def _lows(c: Candidates, n_drums: int, sources: Sources, levels: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Innovation of the lows against what is foretold badly anyway and what the other sources leave there."""
    rise = _db((c.innovation + 1e-9) / (c.foretold + 1e-9))
    out = {f"low_rise_{k}": rise[:, k] for k in range(N_LOWS)}
    for name, lows in (("low_excess", sources.lows), ("firm_low_excess", sources.most_lows)):
        leak = np.max([levels[:, s, None] * lows[s][c.drum] for s in range(n_drums, len(lows))], axis=0, initial=0.0)
        for d in range(n_drums):
            leak = leak + np.where(c.drum == d, 0.0, levels[:, d])[:, None] * lows[d][c.drum]
        excess = _db((c.innovation + 0.1 * LEAST_LOW) / (leak + c.foretold + LEAST_LOW))
        out |= {f"{name}_{k}": excess[:, k] for k in range(N_LOWS)}
    return out


@dataclass(frozen=True)
class _Told:
    """What an earlier pass says to the candidates of one drum; empty if there was none."""

    frames: NDArray[np.int64]
    """Of all of the drum's candidates."""
    probability: NDArray[np.float64] | None
    support: NDArray[np.float64]
    odds: tuple[float, float]
    """Log odds of the surest, and the median of its hits."""
    hits: float
    others: tuple[tuple[int, NDArray[np.float64], NDArray[np.float64]], ...]
    """Of every other drum that may have sounded: which, when its strokes arrive in this one's mic, how probable."""


def _told(scene: Scene, sources: Sources, d: int, mine: NDArray[np.int64], earlier: Earlier | None) -> _Told:
    c, kit = scene.candidates, scene.kit
    frames = c.frame[mine]
    if earlier is None:
        return _Told(frames, None, np.zeros((len(mine), 2)), (0.0, 0.0), 0.0, ())
    p = earlier.probability[mine]
    level = _db(c.fresh[mine][:, : N_BANDS - 1], 1e-5).mean(1)
    z = _logit(p)
    of_hits = _logit(earlier.probability[earlier.hits[c.drum[earlier.hits] == d]])
    others = []
    for o in range(len(kit.drums)):
        theirs = np.flatnonzero((c.drum == o) & (earlier.probability > HEEDED))
        if o != d and len(theirs):
            arrives = c.frame[theirs] + sources.lags[o, kit.own[d][0]]
            others.append((o, arrives, earlier.probability[theirs]))
    return _Told(
        frames,
        p,
        support(frames, p, level),
        (float(z.max(initial=0.0)), float(np.median(of_hits)) if len(of_hits) else 0.0),
        float(np.log1p(len(of_hits))),
        tuple(others),
    )


def _logit(p: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.log(np.maximum(p, 1e-12) / np.maximum(1.0 - p, 1e-12)))


def _company(told: _Told, some: slice | NDArray[np.int64]) -> dict[str, NDArray[np.float64]]:
    """What the other candidates of the drum say: evenly spaced neighbours, and how sure its hits are altogether."""
    near, more = _db(told.support[some, 0], 1e-3), _db(told.support[some, 1], 1e-3)
    same = np.ones(len(near))
    return {
        "neighbours": near,
        "more_neighbours": more,
        "surest": told.odds[0] * same,
        "usually": told.odds[1] * same,
        "hits": told.hits * same,
    }


def _context(
    scene: Scene, c: Candidates, sources: Sources, d: int, told: _Told, levels: NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    n, main = len(c), scene.kit.own[d][0]
    out = {"context_before": np.zeros(n), "context_after": np.zeros(n)}
    out["leak_distance"], out["leak_probability"] = np.full(n, FAR), np.zeros(n)
    if told.probability is None:
        return out
    frames = c.frame
    out["context_before"] = _greatest_in(told.frames, told.probability, frames - CONTEXT[1], frames - CONTEXT[0])
    out["context_after"] = _greatest_in(told.frames, told.probability, frames + CONTEXT[0], frames + CONTEXT[1])
    strongest = np.full(n, 1e-6)
    for o, arrives, probability in told.others:
        at = np.searchsorted(arrives, frames)
        left, right = np.maximum(at - 1, 0), np.minimum(at, len(arrives) - 1)
        near = np.where(np.abs(arrives[left] - frames) <= np.abs(arrives[right] - frames), left, right)
        distance = np.abs(arrives[near] - frames)
        weight = np.minimum(levels[:, o], 4.0) * sources.leaks[o, main, :N_BANDS].max()
        better = (distance < FAR) & (weight > strongest)
        out["leak_distance"][better] = distance[better]
        out["leak_probability"][better] = probability[near[better]]
        strongest = np.where(better, weight, strongest)
    return out


def _greatest_in(
    frames: NDArray[np.int64], values: NDArray[np.float64], first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Greatest of `values` among the sorted `frames` within each first…last; 0 where there are none."""
    if len(frames) == 0:
        return np.zeros(0)
    a, b = np.searchsorted(frames, first), np.searchsorted(frames, last, side="right")
    padded = np.r_[values, 0.0]
    pairs = np.stack([a, np.maximum(a, b)], axis=1).ravel()
    top = np.maximum.reduceat(padded, np.minimum(pairs, len(values)))[::2]
    return np.asarray(np.where(b > a, top, 0.0))
