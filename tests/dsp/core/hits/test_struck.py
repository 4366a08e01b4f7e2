from __future__ import annotations

import numpy as np
import pytest

from spillgate.dsp.core.hits.explain import Kit
from spillgate.dsp.core.hits.relearn import second_sources
from spillgate.dsp.core.hits.scene import Scene, listen
from spillgate.dsp.core.hits.struck import was_struck

KIT = Kit(drums=("snare", "tom1"), kinds=("snare", "tom"), own=((0,), (1,)), overhead=(False, False))
SNARE = range(400, 12000, 500)


def energies(own_at: int | None, seed: int = 2) -> list[np.ndarray]:
    """Snare strokes that leak into a tom's mic 14 dB down, give or take 1 dB, and perhaps one stroke on the tom."""
    rng = np.random.default_rng(seed)
    decay = np.exp(-np.arange(200) / 40.0)[:, None]
    mics = [1e-7 * rng.uniform(0.5, 1.5, (12_500, 6)) for _ in range(2)]
    for at in SNARE:
        loud = 10 ** (rng.uniform(-6, 0) / 10)
        for m, down_db in enumerate((0.0, 14.0)):
            varied = 10 ** ((rng.normal(0.0, 1.0 if m else 0.0, 6) - down_db) / 10)
            mics[m][at : at + 200] += loud * decay * varied
    if own_at is not None:
        for m, down_db in enumerate((20.0, 0.0)):
            mics[m][own_at : own_at + 200] += decay * 10 ** (-down_db / 10)
    return [x.astype(np.float32) for x in mics]


def judged(scene: Scene, tom: float, own_at: int | None) -> np.ndarray:
    """Probabilities as they might be: the snare's strokes sure, what the tom's mic hears with them likely."""
    c = scene.candidates
    near = np.array([min(abs(f - s) for s in SNARE) <= 3 for f in c.frame])
    p = np.where(near, np.where(c.drum == 0, 0.99999, tom), 0.001)
    if own_at is not None:
        p[(c.drum == 1) & (np.abs(c.frame - own_at) <= 3)] = 0.94
    return p


@pytest.mark.parametrize("likely", [0.6, 0.9])
def test_what_always_comes_with_the_snare_and_as_loud_is_no_stroke(likely: float) -> None:
    scene = listen(energies(None), KIT, [None, None])
    p = judged(scene, likely, None)
    assert was_struck(scene, second_sources(scene, p), p, 1) is False
    assert was_struck(scene, second_sources(scene, p), p, 0) is None  # the snare is sure


def test_one_stroke_of_its_own_is_enough() -> None:
    scene = listen(energies(6640), KIT, [None, None])
    p = judged(scene, 0.6, 6640)
    assert ((scene.candidates.drum == 1) & (p == 0.94)).any()
    assert was_struck(scene, second_sources(scene, p), p, 1) is True


def test_nothing_is_told_where_nothing_is_likely_or_a_hit_is_sure() -> None:
    scene = listen(energies(None), KIT, [None, None])
    for tom in (0.4, 0.98):
        p = judged(scene, tom, None)
        assert was_struck(scene, second_sources(scene, p), p, 1) is None
