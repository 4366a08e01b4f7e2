from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier

from spillgate.dsp.core.hits.logistic import probability
from spillgate.dsp.core.hits.trees import Trees, log_odds
from spillgate.dsp.processors.detect import load_weights

sys.path.insert(0, str(Path(__file__).parents[3] / "training"))


def test_a_tree_by_hand() -> None:
    # number 1 up to 0.5: −2, else number 0 up to 0.25: 1, else 3; base 0.5
    tree = Trees(
        base=0.5,
        roots=np.array([0], np.int32),
        feature=np.array([1, -1, 0, -1, -1], np.int16),
        threshold=np.array([0.5, 0, 0.25, 0, 0], np.float32),
        left=np.array([1, 0, 3, 0, 0], np.int32),
        right=np.array([2, 0, 4, 0, 0], np.int32),
        value=np.array([0, -2, 0, 1, 3], np.float32),
    )
    x = np.array([[0.9, 0.5], [0.25, 0.6], [0.26, 0.6]])
    assert log_odds(x, tree).tolist() == [-1.5, 1.5, 3.5]


def test_exported_trees_say_what_scikit_learns_say() -> None:
    import train_detect

    rng = np.random.default_rng(3)
    n_features = len(train_detect.FEATURES)
    x = rng.random((3000, n_features)).astype(np.float32)
    y = (x[:, 0] + x[:, 1] * x[:, 2] + rng.normal(0, 0.1, 3000) > 0.9).astype(float)
    signs = np.ones(n_features, np.int64)
    signs[5:] = 0  # trees may not look at these
    trees = train_detect.grow(x, y, np.ones(3000), signs)
    model = HistGradientBoostingClassifier(monotonic_cst=signs[:5], **train_detect.GROWTH).fit(x[:, :5], y)
    # thresholds are kept in 32 bits, the numbers too: the same side of every node
    np.testing.assert_allclose(probability(log_odds(x, trees)), model.predict_proba(x[:, :5])[:, 1], atol=1e-6)


def test_more_of_what_speaks_for_a_hit_never_speaks_against_it() -> None:
    weights, _ = load_weights()
    trees = weights["tom"][1].trees
    assert trees is not None
    rng = np.random.default_rng(4)
    x = rng.random((500, int(trees.feature.max()) + 1))
    more = x.copy()
    more[:, :6] = np.minimum(x[:, :6] + rng.random((500, 6)) * 0.3, 1.0)  # the excess of every band
    assert np.all(log_odds(more, trees) >= log_odds(x, trees) - 1e-6)
