import numpy as np
import pytest

from spillgate.dsp.core.hits.novelty import ceilings, gather, novelty, references, smooth


def envelope(n: int = 1000, quiet: float = 1e-8, hits: tuple[tuple[int, float], ...] = ()) -> np.ndarray:
    """Strokes that decay by 1 dB a frame, alike in all bands."""
    e = np.full((n, 6), quiet)
    for at, level in hits:
        e[at:] += level * 10 ** (-0.1 * np.arange(n - at))[:, None]
    return e.astype(np.float32)


def test_means_before_and_after_are_those_of_numpy() -> None:
    e = np.random.default_rng(0).random((60, 6)).astype(np.float32)
    after, before = smooth(e, np.zeros(6))
    for k in (11, 30, 55):
        np.testing.assert_allclose(after[k], e[k : k + 5].mean(0), rtol=1e-6)
        np.testing.assert_allclose(before[k], e[k - 11 : k - 1].mean(0), rtol=1e-6)


def test_reference_is_the_third_strongest_of_many_and_the_strongest_of_few() -> None:
    many = envelope(2000, hits=tuple((100 + 150 * k, level) for k, level in enumerate([1, 4, 2, 3, 5, 1, 1, 1, 1, 1])))
    few = envelope(2000, hits=((100, 4.0), (900, 1.0)))
    share = np.mean(10 ** (-0.1 * np.arange(5)))  # the first five frames of a stroke
    assert references(*smooth(many, np.zeros(6)))[0] == pytest.approx(3 * share, rel=1e-3)
    assert references(*smooth(few, np.zeros(6)))[0] == pytest.approx(4 * share, rel=1e-3)


def test_strokes_become_candidates_whatever_the_gain() -> None:
    e = envelope(1500, hits=((200, 1.0), (500, 0.01), (530, 0.5), (1000, 1.0)))
    found = novelty(e).candidates
    assert all(np.abs(found - k).min() <= 1 for k in (200, 500, 530, 1000))
    np.testing.assert_array_equal(novelty(4 * e).candidates, found)


def test_two_strokes_five_frames_apart_are_both_there() -> None:
    e = envelope(1500, hits=((700, 0.05), (705, 1.0), (1000, 1.0)))
    found = novelty(e).candidates
    assert np.abs(found - 700).min() <= 1
    assert np.abs(found - 705).min() <= 1


def test_silence_and_nothing_give_no_candidates() -> None:
    assert len(novelty(np.zeros((500, 6), np.float32)).candidates) == 0
    assert len(novelty(np.zeros((0, 6), np.float32)).candidates) == 0


def test_a_stroke_at_the_very_start_counts() -> None:
    assert novelty(envelope(800, hits=((0, 1.0), (400, 1.0)))).candidates[0] <= 1


def test_levels_are_in_units_of_loud_strokes() -> None:
    e = envelope(1500, hits=((300, 1.0), (900, 0.25)))
    known = novelty(e)
    after, before, ring_after, _ = gather(e, known, np.array([300, 900]))
    np.testing.assert_allclose((after - before)[:, 0], [1.0, 0.25], rtol=1e-4)
    # +12…+36 frames of a stroke whose first five frames on average are 1, summed over the two low bands
    expected = 2 * np.mean(10 ** (-0.1 * np.arange(12, 37))) / np.mean(10 ** (-0.1 * np.arange(5)))
    assert ring_after[0, 0] == pytest.approx(expected, rel=1e-3)
    np.testing.assert_allclose(ceilings(e, known, np.array([296, 905]))[:, 0], [1.0, 0.25], rtol=1e-3)
