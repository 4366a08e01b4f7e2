"""From envelopes to hits: three passes of measuring and deciding, with learning between the first two."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.each import Each, serial
from spillgate.dsp.core.hits.explain import Kit
from spillgate.dsp.core.hits.logistic import log_odds, probability
from spillgate.dsp.core.hits.ownership import Earlier, features_of
from spillgate.dsp.core.hits.relearn import second_sources
from spillgate.dsp.core.hits.scene import Scene, Sources
from spillgate.dsp.core.hits.trees import Trees
from spillgate.dsp.core.hits.trees import log_odds as log_odds_of_trees

__all__ = ["Judge", "Weights", "decide", "judge", "weight_names"]

OF_TREES = 0.7
"""Share of the trees' log odds.  Tuned on made takes whose sounds, and on others whose kits, the judges never heard:
at 0.5 they missed more, at 1 they were wrong more often."""


@dataclass(frozen=True)
class Judge:
    """What judges one kind of drum in one pass.

    Attributes
    ----------
    weights : ndarray, shape (n_features + 1,)
        Of a logistic regression.
    trees : Trees or None
        Boosted trees whose log odds are mixed with the regression's: they see what depends on one another (a
        treble that is hidden, a middle that stands out), the regression keeps them sober on kits they never saw.
    """

    weights: NDArray[np.float64]
    trees: Trees | None = None


Weights = Mapping[str, tuple[Judge, ...]]
"""Per kind of drum the judges of the three passes."""


@dataclass(frozen=True)
class Decision:
    """What was decided.

    Attributes
    ----------
    probability : ndarray, shape (n_candidates,)
        That the candidate is a hit of its drum.
    sources : Sources
        As learned from the surest hits.
    """

    probability: NDArray[np.float64]
    sources: Sources


def weight_names(kit: Kit) -> tuple[str, ...]:
    """Name the weights that judge each drum of the kit.

    Parameters
    ----------
    kit : Kit

    Returns
    -------
    names : tuple of str
        Per drum. Toms of a take without kick and snare mics have weights of their own, and a cymbal's mic is
        judged like a hat's.
    """
    own = {"cymbal": "hat", "tom": "tom_alone" if kit.toms_only else "tom"}
    return tuple(own.get(kind, kind) for kind in kit.kinds)


def decide(scene: Scene, weights: Weights, each: Each = serial) -> Decision:
    """Decide every candidate.

    Parameters
    ----------
    scene : Scene
    weights : mapping of str to tuple of Judge
    each : callable, optional
        Like `map`, to a list; may use threads.

    Returns
    -------
    decision : Decision
    """
    first = _judged(scene, scene.sources, None, weights, 0, each)
    sources = second_sources(scene, first)
    second = _judged(scene, sources, Earlier.of(scene, first), weights, 1, each)
    # once more with better neighbours: a roll is made sure by all its strokes together
    return Decision(_judged(scene, sources, Earlier.of(scene, second), weights, 2, each), sources)


def _judged(
    scene: Scene, sources: Sources, earlier: Earlier | None, weights: Weights, which: int, each: Each
) -> NDArray[np.float64]:
    """Probability of every candidate, with the weights of one pass (0 to 2)."""
    names, p = weight_names(scene.kit), np.zeros(len(scene.candidates))

    def of_drum(d: int) -> None:
        for rows, numbers in features_of(scene, sources, d, earlier):
            p[rows] = judge(numbers, weights[names[d]][which])

    each(of_drum, range(len(names)))
    return p


def judge(numbers: NDArray[np.float64], by: Judge) -> NDArray[np.float64]:
    """Probability of candidates from their numbers.

    Parameters
    ----------
    numbers : ndarray, shape (n, n_features)
        From `features`.
    by : Judge

    Returns
    -------
    probability : ndarray, shape (n,)
    """
    z = log_odds(numbers, by.weights)
    if by.trees is not None:
        z = (1.0 - OF_TREES) * z + OF_TREES * log_odds_of_trees(numbers, by.trees)
    return probability(z)
