from pathlib import Path

import numpy as np
import pytest

from spillgate.dsp.core.hits.novelty import ceilings, gather, novelty, surroundings
from spillgate.dsp.core.hits.windows import STRETCH, let_go, means


def envelope(n: int = 1000, quiet: float = 1e-8, hits: tuple[tuple[int, float], ...] = ()) -> np.ndarray:
    """Strokes that decay by 1 dB a frame, alike in all bands."""
    e = np.full((n, 6), quiet)
    for at, level in hits:
        e[at:] += level * 10 ** (-0.1 * np.arange(n - at))[:, None]
    return e.astype(np.float32)


def test_means_before_and_after_are_those_of_numpy() -> None:
    e = np.random.default_rng(0).random((60, 6)).astype(np.float32)
    after, before = means(e, np.zeros(6), 0, 60, 5, 11, 2)
    for k in (11, 30, 55):
        np.testing.assert_allclose(after[k], e[k : k + 5].mean(0), rtol=1e-6)
        np.testing.assert_allclose(before[k], e[k - 11 : k - 1].mean(0), rtol=1e-6)


def test_reference_is_the_third_strongest_of_many_and_the_strongest_of_few() -> None:
    many = envelope(2000, hits=tuple((100 + 150 * k, level) for k, level in enumerate([1, 4, 2, 3, 5, 1, 1, 1, 1, 1])))
    few = envelope(2000, hits=((100, 4.0), (900, 1.0)))
    share = np.mean(10 ** (-0.1 * np.arange(5)))  # the first five frames of a stroke
    assert novelty(many).reference[0] == pytest.approx(3 * share, rel=1e-3)
    assert novelty(few).reference[0] == pytest.approx(4 * share, rel=1e-3)


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


def test_long_takes_are_worked_on_in_stretches_and_nothing_shows() -> None:
    rng = np.random.default_rng(3)
    n = 2 * STRETCH + 700
    at = np.r_[np.sort(rng.choice(n - 100, 300, replace=False)), STRETCH - 1, STRETCH, STRETCH + 1]
    e = envelope(n, hits=tuple((int(k), float(10 ** rng.uniform(-3, 0))) for k in at))
    e *= rng.uniform(0.5, 2.0, e.shape).astype(np.float32)
    known = novelty(e)
    frames = rng.permutation(np.r_[known.candidates, 0, n - 1])
    # by definition, with numpy alone
    padded = np.concatenate([np.tile(known.quiet, (50, 1)), e, np.zeros((50, 6))])
    at_frame = np.arange(-30, n + 30) + 50
    after = np.mean([padded[at_frame + k] for k in range(5)], axis=0)
    before = np.mean([padded[at_frame - k] for k in range(2, 12)], axis=0)
    lowest = np.maximum(0.5 * known.quiet, 1e-9 * known.reference)
    ratio = np.maximum((after / (before + lowest))[30 : n + 30], 1.0)
    np.testing.assert_allclose(known.rise, 10 * np.log10(ratio.max(1)), atol=2e-5)
    np.testing.assert_allclose(known.total, 10 * np.log10(ratio).sum(1), atol=1e-4)
    fresh = np.maximum(after - before, 0.0)[30 : n + 30] / known.reference
    level = after[30 : n + 30] / known.reference

    def greatest(x: np.ndarray, first: int, last: int) -> np.ndarray:
        return np.array([x[max(k + first, 0) : max(k + last + 1, 0)].max(0, initial=0.0) for k in frames])

    np.testing.assert_allclose(ceilings(e, known, frames), greatest(fresh, -7, 7), rtol=1e-5, atol=1e-7)
    found = surroundings(e, known, frames)
    for got, want in zip(
        found, (greatest(level, -30, -7), greatest(fresh, -30, -8), greatest(fresh, 4, 15)), strict=True
    ):
        np.testing.assert_allclose(got, want, rtol=1e-5, atol=1e-7)


def test_arrays_in_files_give_the_same_and_keep_their_values(tmp_path: Path) -> None:
    e = envelope(1500, hits=((200, 1.0), (500, 0.01), (530, 0.5), (1000, 1.0)))
    held = np.memmap(tmp_path / "e.f32", np.float32, "w+", shape=e.shape)
    held[:] = e
    made: list[np.ndarray] = []

    def room(shape: tuple[int, ...]) -> np.ndarray:
        made.append(np.memmap(tmp_path / f"{len(made)}.f32", np.float32, "w+", shape=shape))
        return made[-1]

    there, here = novelty(held, room=room), novelty(e)
    assert len(made) == 2
    np.testing.assert_array_equal(there.candidates, here.candidates)
    np.testing.assert_array_equal(there.total, here.total)
    let_go(held, e)
    np.testing.assert_array_equal(held, e)
