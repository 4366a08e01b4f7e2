from __future__ import annotations

import numpy as np

from spillgate.dsp.core.hits.explain import Kit
from spillgate.dsp.core.hits.relearn import second_sources
from spillgate.dsp.core.hits.scene import Scene, listen

KIT = Kit(drums=("snare", "tom1"), kinds=("snare", "tom"), own=((0,), (1,)), overhead=(False, False))
SNARE = range(400, 12000, 500)


def scene_of_snare() -> Scene:
    """Snare strokes that leak into a tom's mic 14 dB down; the tom is never struck."""
    rng = np.random.default_rng(2)
    decay = np.exp(-np.arange(200) / 40.0)[:, None]
    mics = [1e-7 * rng.uniform(0.5, 1.5, (12_500, 6)) for _ in range(2)]
    for at in SNARE:
        for m, down_db in enumerate((0.0, 14.0)):
            mics[m][at : at + 200] += decay * 10 ** ((rng.uniform(-6, 0) - down_db) / 10)
    return listen([x.astype(np.float32) for x in mics], KIT, [None, None])


def told(scene: Scene, snare: float, tom: float) -> np.ndarray:
    """Probabilities where two of the snare's strokes are thought to be strokes on the tom as well."""
    c = scene.candidates
    p = np.where(
        np.array([min(abs(f - s) for s in SNARE) <= 3 for f in c.frame]), np.where(c.drum == 0, 0.99, 0.01), 0.001
    )
    for at in (SNARE[3], SNARE[9]):
        near = np.abs(c.frame - at) <= 3
        p[near & (c.drum == 0)] = snare
        p[near & (c.drum == 1)] = tom
    return p


def test_a_drum_that_is_less_sure_than_the_one_it_sounds_with_leaks_nothing_into_that_ones_mic() -> None:
    scene = scene_of_snare()
    first = scene.sources.most[1, 0]
    np.testing.assert_array_equal(second_sources(scene, told(scene, 0.99, 0.85)).most[1, 0], first)
    # the surer one does: to its mic the other is the leak
    assert (second_sources(scene, told(scene, 0.85, 0.99)).most[1, 0] > 10 * first).all()
    # and what the snare leaks is learned in either case, from its strokes alone: 14 dB, in units of the tom's mic 0 dB
    for p in (told(scene, 0.99, 0.85), told(scene, 0.85, 0.99)):
        into_tom = second_sources(scene, p).leaks[0, 1, :6]
        assert np.abs(10 * np.log10(into_tom)).max() < 4.0
