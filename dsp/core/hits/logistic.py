"""Plain logistic regression: how likely a candidate is a hit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["fit", "log_odds", "probability"]

STEPS = 2000
"""Most iterations of a fit."""


def log_odds(numbers: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give w·x + b.

    Parameters
    ----------
    numbers : ndarray, shape (n, n_features)
    weights : ndarray, shape (n_features + 1,)
        The last one is b.

    Returns
    -------
    z : ndarray, shape (n,)
        ln(p / (1 − p)).
    """
    # products summed along the rows, not a matrix product: the same bits on every machine
    return np.asarray((numbers * weights[:-1]).sum(1) + weights[-1])


def probability(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn log odds into probabilities, 1/(1 + exp(−z)).

    Parameters
    ----------
    z : ndarray, any shape

    Returns
    -------
    p : ndarray, same shape
    """
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(z, -50.0, 50.0))))


def fit(
    numbers: NDArray[np.float64],
    labels: NDArray[np.float64],
    ridge: float,
    importance: NDArray[np.float64] | None = None,
    signs: NDArray[np.int64] | None = None,
) -> NDArray[np.float64]:
    """Fit the weights to examples.

    Parameters
    ----------
    numbers : ndarray, shape (n, n_features)
    labels : ndarray, shape (n,)
        0 or 1.
    ridge : float
        The cost is the negative log likelihood plus ½·ridge·|w|²; b is free.
    importance : ndarray, shape (n,), optional
        Weight of each example.
    signs : ndarray of int, shape (n_features,), optional
        1 or −1: that weight may not have the other sign; 0: it must be zero.  Without it all are free.

    Returns
    -------
    weights : ndarray, shape (n_features + 1,)

    Notes
    -----
    What is known of the sign keeps a fit to made takes from using their chance correlations.

    References
    ----------
    T. Hastie, R. Tibshirani, J. Friedman, "The Elements of Statistical Learning", 2nd ed. 2009, section 4.4.
    """
    from scipy.optimize import minimize  # needed for training only

    n = numbers.shape[1]
    heed = np.ones(len(numbers)) if importance is None else importance
    bounds: list[tuple[float | None, float | None]] = [(None, None)] * (n + 1)
    if signs is not None:
        by_sign = {1: (0.0, None), -1: (None, 0.0), 0: (0.0, 0.0)}
        bounds = [*(by_sign[int(s)] for s in signs), (None, None)]

    def cost(w: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        z = numbers @ w[:n] + w[n]
        wrong = heed * (1.0 / (1.0 + np.exp(-np.clip(z, -50.0, 50.0))) - labels)
        value = np.sum(heed * (np.logaddexp(0.0, z) - labels * z)) + 0.5 * ridge * np.sum(w[:n] ** 2)
        return float(value), np.r_[numbers.T @ wrong + ridge * w[:n], wrong.sum()]

    options = {"maxiter": STEPS, "maxfun": 2 * STEPS, "ftol": 1e-11, "gtol": 1e-6}
    found = minimize(cost, np.zeros(n + 1), jac=True, method="L-BFGS-B", bounds=bounds, options=options)
    return np.asarray(found.x)
