"""Whose hit it is: the numbers by which candidates are decided.

For every moment at which a drum's mic hears something begin, they tell what the drum itself must have done there and
what all other drums can have leaked into that mic.

The number that matters most is the *excess*: the fresh energy in the mic against the most that the other drums, as
loud as their own mics say they were, can have put there.
"""

from __future__ import annotations

from collections.abc import Mapping
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

__all__ = ["FEATURES", "Standing", "features", "standing"]

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
class Standing:
    """What does not depend on how other candidates were decided.

    Attributes
    ----------
    numbers : ndarray, shape (n_candidates, n_features)
        Those of `FEATURES`; the ones that depend on it are 0.
    levels : ndarray, shape (n_candidates, n_sources)
        Most that each source can have sounded.
    """

    numbers: NDArray[np.float64]
    levels: NDArray[np.float64]


def features(
    scene: Scene, sources: Sources, probability: NDArray[np.float64] | None = None, known: Standing | None = None
) -> NDArray[np.float64]:
    """Numbers by which candidates are decided.

    Parameters
    ----------
    scene : Scene
    sources : Sources
        What is known of the leaks.
    probability : ndarray, shape (n_candidates,), optional
        Of every candidate, from an earlier pass; without it the numbers that need it are 0 (far away: at the end of
        their range).
    known : Standing, optional
        From `standing` with the same scene and sources.

    Returns
    -------
    numbers : ndarray, shape (n_candidates, n_features)
        Each clipped to its range in `FEATURES` and scaled to 0…1.
    """
    known = standing(scene, sources) if known is None else known
    columns = _context(scene, sources, probability, known.levels) | _company(scene, probability)
    numbers = known.numbers.copy()
    _put(numbers, columns)
    return numbers


def _put(numbers: NDArray[np.float64], columns: Mapping[str, NDArray[Any]]) -> None:
    for i, (name, bottom, top) in enumerate(FEATURES):
        if name in columns:
            numbers[:, i] = (np.clip(columns[name], bottom, top) - bottom) / (top - bottom)


def standing(scene: Scene, sources: Sources) -> Standing:
    """Numbers that do not depend on how other candidates were decided.

    Parameters
    ----------
    scene : Scene
    sources : Sources

    Returns
    -------
    known : Standing
    """
    c, kit, leaks = scene.candidates, scene.kit, sources.leaks
    n = len(c)
    levels = _levels(c, kit, leaks)
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
    columns.update(_lows(scene, sources, levels))
    numbers = np.zeros((n, len(FEATURES)))
    _put(numbers, columns)
    return Standing(numbers, levels)


def _lows(scene: Scene, sources: Sources, levels: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Innovation of the lows against what is foretold badly anyway and what the other sources leave there."""
    c, n_drums = scene.candidates, len(scene.kit.drums)
    rise = _db((c.innovation + 1e-9) / (c.foretold + 1e-9))
    out = {f"low_rise_{k}": rise[:, k] for k in range(N_LOWS)}
    for name, lows in (("low_excess", sources.lows), ("firm_low_excess", sources.most_lows)):
        leak = np.max([levels[:, s, None] * lows[s][c.drum] for s in range(n_drums, len(lows))], axis=0, initial=0.0)
        for d in range(n_drums):
            leak = leak + np.where(c.drum == d, 0.0, levels[:, d])[:, None] * lows[d][c.drum]
        excess = _db((c.innovation + 0.1 * LEAST_LOW) / (leak + c.foretold + LEAST_LOW))
        out |= {f"{name}_{k}": excess[:, k] for k in range(N_LOWS)}
    return out


def _company(scene: Scene, probability: NDArray[np.float64] | None) -> dict[str, NDArray[np.float64]]:
    """What the other candidates of the drum say: evenly spaced neighbours, and how sure its hits are altogether."""
    c = scene.candidates
    support_of, odds, hits = np.zeros((len(c), 2)), np.zeros((len(c), 2)), np.zeros(len(c))
    if probability is not None:
        level = _db(c.fresh[:, : N_BANDS - 1], 1e-5).mean(1)
        z = np.log(np.maximum(probability, 1e-12) / np.maximum(1.0 - probability, 1e-12))
        chosen = thinned(c.drum, c.frame, probability, 0.5)
        for d in range(len(scene.kit.drums)):
            mine = np.flatnonzero(c.drum == d)
            support_of[mine] = support(c.frame[mine], probability[mine], level[mine])
            of_hits = z[chosen[c.drum[chosen] == d]]
            odds[mine] = (z[mine].max(initial=0.0), np.median(of_hits) if len(of_hits) else 0.0)
            hits[mine] = np.log1p(len(of_hits))
    near = {"neighbours": _db(support_of[:, 0], 1e-3), "more_neighbours": _db(support_of[:, 1], 1e-3)}
    return near | {"surest": odds[:, 0], "usually": odds[:, 1], "hits": hits}


def _context(
    scene: Scene, sources: Sources, probability: NDArray[np.float64] | None, levels: NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    c, kit = scene.candidates, scene.kit
    n = len(c)
    out = {"context_before": np.zeros(n), "context_after": np.zeros(n)}
    out["leak_distance"], out["leak_probability"] = np.full(n, FAR), np.zeros(n)
    if probability is None:
        return out
    main = [own[0] for own in kit.own]
    for d in range(len(kit.drums)):
        mine = np.flatnonzero(c.drum == d)
        frames, p = c.frame[mine], probability[mine]
        out["context_before"][mine] = _greatest_in(frames, p, frames - CONTEXT[1], frames - CONTEXT[0])
        out["context_after"][mine] = _greatest_in(frames, p, frames + CONTEXT[0], frames + CONTEXT[1])
        strongest = np.full(len(mine), 1e-6)
        for o in range(len(kit.drums)):
            theirs = np.flatnonzero((c.drum == o) & (probability > HEEDED))
            if o == d or len(theirs) == 0:
                continue
            arrives = c.frame[theirs] + sources.lags[o, main[d]]
            at = np.searchsorted(arrives, frames)
            left, right = np.maximum(at - 1, 0), np.minimum(at, len(arrives) - 1)
            near = np.where(np.abs(arrives[left] - frames) <= np.abs(arrives[right] - frames), left, right)
            distance = np.abs(arrives[near] - frames)
            weight = np.minimum(levels[mine, o], 4.0) * sources.leaks[o, main[d], :N_BANDS].max()
            better = (distance < FAR) & (weight > strongest)
            out["leak_distance"][mine[better]] = distance[better]
            out["leak_probability"][mine[better]] = probability[theirs[near[better]]]
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
