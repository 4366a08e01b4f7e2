"""From envelopes to hits: three passes of measuring and deciding, with learning between the first two."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.each import Each, serial
from spillgate.dsp.core.hits.explain import Kit
from spillgate.dsp.core.hits.logistic import log_odds, probability
from spillgate.dsp.core.hits.ownership import features, standing
from spillgate.dsp.core.hits.relearn import second_sources
from spillgate.dsp.core.hits.scene import Scene, Sources
from spillgate.dsp.core.hits.trees import Trees
from spillgate.dsp.core.hits.trees import log_odds as log_odds_of_trees

__all__ = ["Judge", "Weights", "decide", "weight_names"]


@dataclass(frozen=True)
class Judge:
    """What judges one kind of drum in one pass.

    Attributes
    ----------
    weights : ndarray, shape (n_features + 1,)
        Of a logistic regression.
    trees : Trees or None
        Boosted trees whose log odds are averaged with the regression's: they see what depends on one another (a
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
    first = judge(scene, features(scene, scene.sources), weights, 0, each)
    sources = second_sources(scene, first)
    known = standing(scene, sources)
    second = judge(scene, features(scene, sources, first, known), weights, 1, each)
    # once more with better neighbours: a roll is made sure by all its strokes together
    return Decision(judge(scene, features(scene, sources, second, known), weights, 2, each), sources)


def judge(
    scene: Scene, numbers: NDArray[np.float64], weights: Weights, which: int, each: Each = serial
) -> NDArray[np.float64]:
    """Probability of every candidate from its numbers, with the weights of one pass (0 to 2)."""
    names, p = weight_names(scene.kit), np.zeros(len(numbers))

    def of_drum(d: int) -> None:
        mine = np.flatnonzero(scene.candidates.drum == d)
        by = weights[names[d]][which]
        z = log_odds(numbers[mine], by.weights)
        if by.trees is not None:
            z = 0.5 * (z + log_odds_of_trees(numbers[mine], by.trees))
        p[mine] = probability(z)

    each(of_drum, range(len(names)))
    return p
