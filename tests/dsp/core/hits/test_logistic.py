import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from spillgate.dsp.core.hits.logistic import fit, log_odds, probability


def test_probability_is_the_logistic_function_of_scipy() -> None:
    rng = np.random.default_rng(0)
    x, w = rng.random((50, 4)), rng.standard_normal(5) * 3
    np.testing.assert_allclose(probability(log_odds(x, w)), expit(x @ w[:4] + w[4]), rtol=1e-12)


def test_fit_finds_the_minimum_that_scipy_finds() -> None:
    rng = np.random.default_rng(1)
    x = rng.random((300, 3))
    y = (rng.random(300) < expit(4 * x[:, 0] - 6 * x[:, 1] + 1)).astype(float)
    heed = rng.uniform(0.5, 2.0, 300)

    def cost(w: np.ndarray) -> float:
        z = x @ w[:3] + w[3]
        return float(np.sum(heed * (np.logaddexp(0, z) - y * z)) + 0.15 * np.sum(w[:3] ** 2))

    expected = minimize(cost, np.zeros(4), method="BFGS", options={"gtol": 1e-8}).x
    np.testing.assert_allclose(fit(x, y, 0.3, heed), expected, atol=1e-4)


def test_weights_keep_their_signs_and_are_best_under_that() -> None:
    rng = np.random.default_rng(2)
    x = rng.random((400, 3))
    y = (rng.random(400) < expit(5 * x[:, 0] - 5 * x[:, 1] + 3 * x[:, 2] - 2)).astype(float)
    signs = np.array([1, 1, 0])
    w = fit(x, y, 0.3, signs=signs)
    assert w[0] > 1
    assert w[1] == 0
    assert w[2] == 0
    # Karush-Kuhn-Tucker: no slope along what is free, only a forbidden way down at a bound
    slope = np.c_[x, np.ones(400)].T @ (probability(log_odds(x, w)) - y) + 0.3 * np.r_[w[:3], 0]
    assert abs(slope[0]) < 1e-2
    assert abs(slope[3]) < 1e-2
    assert slope[1] > 0


def test_fit_of_separable_examples_stays_finite() -> None:
    x = np.linspace(0, 1, 20)[:, None]
    w = fit(x, (x[:, 0] > 0.5).astype(float), 0.3)
    assert np.isfinite(w).all()
    assert ((probability(log_odds(x, w)) > 0.5) == (x[:, 0] > 0.5)).all()
