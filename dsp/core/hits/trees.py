"""Boosted decision trees: the probability that a candidate is a hit.

The trees are grown by the trainer in ``tests/training``; here they are only read and asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["Trees", "log_odds"]


@dataclass(frozen=True)
class Trees:
    """An ensemble of binary trees whose leaves add up to log odds.

    Attributes
    ----------
    base : float
        Log odds before the first tree.
    roots : ndarray of int32, shape (n_trees,)
        First node of each tree.
    feature : ndarray of int16, shape (n_nodes,)
        Number that a node looks at; −1 in a leaf.
    threshold : ndarray of float32, shape (n_nodes,)
        Numbers up to and including it go left.
    left, right : ndarray of int32, shape (n_nodes,)
    value : ndarray of float32, shape (n_nodes,)
        What a leaf adds.
    """

    base: float
    roots: NDArray[np.int32]
    feature: NDArray[np.int16]
    threshold: NDArray[np.float32]
    left: NDArray[np.int32]
    right: NDArray[np.int32]
    value: NDArray[np.float32]


@njit(nogil=True, cache=True)
def _log_odds(numbers, base, roots, feature, threshold, left, right, value, out):  # type: ignore[no-untyped-def]
    for i in range(len(numbers)):
        total = base
        for root in roots:
            node = root
            while feature[node] >= 0:
                node = left[node] if numbers[i, feature[node]] <= threshold[node] else right[node]
            total += value[node]
        out[i] = total


def log_odds(numbers: NDArray[np.float64], trees: Trees) -> NDArray[np.float64]:
    """Add up what the leaves say.

    Parameters
    ----------
    numbers : ndarray, shape (n, n_features)
    trees : Trees

    Returns
    -------
    z : ndarray, shape (n,), float64
        ln(p / (1 − p)).

    References
    ----------
    T. Hastie, R. Tibshirani, J. Friedman, "The Elements of Statistical Learning", 2nd ed. 2009, chapter 10.
    """
    z = np.empty(len(numbers))
    t = trees
    x = np.ascontiguousarray(numbers, np.float64)
    _log_odds(x, t.base, t.roots, t.feature, t.threshold, t.left, t.right, t.value, z)
    return z
