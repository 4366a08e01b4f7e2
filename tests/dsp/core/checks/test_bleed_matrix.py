"""The bleed matrix against leaks that were put in (closed form: each drum's power decays as one exponential)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from spillgate.dsp.core.checks.bleed_matrix import AFTER_S, BEFORE_S, BleedMatrix, Strokes, bleed_matrix

FRAME_S = 0.01
DECAY_S = {"kick": 0.05, "snare": 0.04, "tom1": 0.12, "floor": 0.15}
LEAK_DB = {
    "Kick": {"kick": 0.0, "snare": -30.0, "tom1": -25.0, "floor": -20.0},
    "Snare": {"kick": -22.0, "snare": 0.0, "tom1": -18.0, "floor": -26.0},
    "Tom": {"kick": -12.0, "snare": -15.0, "tom1": 0.0, "floor": -14.0},
    "Floor": {"kick": -10.0, "snare": -19.0, "tom1": -16.0, "floor": 0.0},
    "OH": {"kick": -9.0, "snare": 0.0, "tom1": -3.0, "floor": -4.0},
}
OWN = {"kick": "Kick", "snare": "Snare", "tom1": "Tom", "floor": "Floor"}


def make(
    hits: dict[str, NDArray[np.float64]],
    levels: dict[str, NDArray[np.float64]],
    seconds: float,
    cymbals: NDArray[np.float64] | None = None,
    noise: float = 1e-9,
    gain: dict[str, float] | None = None,
) -> BleedMatrix:
    """Frame powers: every hit is exp(-2 t / decay) in power; a cymbal without a mic leaks everywhere."""
    n = int(seconds / FRAME_S)
    edges = np.arange(n + 1) * FRAME_S
    power = {}
    for track, leaks in LEAK_DB.items():
        p = np.full(n, noise)
        for drum, times in hits.items():
            tau = DECAY_S[drum] / 2
            for t, level in zip(times, levels[drum], strict=True):
                done = np.where(edges > t, 1 - np.exp(-np.maximum(edges - t, 0) / tau), 0.0)
                p += 10 ** ((leaks[drum] + level) / 10) * np.diff(done) / FRAME_S
        for t in cymbals if cymbals is not None else ():
            done = np.where(edges > t, 1 - np.exp(-np.maximum(edges - t, 0) / 0.4), 0.0)
            p += 0.15 * np.diff(done) / FRAME_S
        power[track] = p * (gain or {}).get(track, 1.0)
    strokes = {d: Strokes(track=OWN[d], times=hits[d], level_db=levels[d]) for d in hits}
    return bleed_matrix(power, FRAME_S, strokes)


def expected_db(track: str, drum: str, own: str, levels: dict[str, NDArray[np.float64]]) -> float:
    share = {d: 1 - np.exp(-AFTER_S / (DECAY_S[d] / 2)) for d in DECAY_S}
    mean = {d: np.mean(10 ** (levels[d] / 10)) for d in levels}
    ratio = 10 ** (LEAK_DB[track][drum] / 10) * share[drum] * mean[drum]
    return float(10 * np.log10(ratio / (10 ** (LEAK_DB[track][own] / 10) * share[own] * mean[own])))


def test_each_drum_in_turn() -> None:
    hits = {d: 0.5 + 4.0 * k + np.arange(4) * 0.9 for k, d in enumerate(DECAY_S)}
    levels = {d: np.array([0.0, -2.0, -1.0, -4.0]) for d in hits}
    matrix = make(hits, levels, 17.0)
    for track in LEAK_DB:
        own = next((d for d, t in OWN.items() if t == track), "snare")
        for drum, got in matrix.db(track, own).items():
            assert got == pytest.approx(expected_db(track, drum, own, levels), abs=0.3)


def groove(seed: int, seconds: float = 40.0) -> tuple[dict[str, NDArray[np.float64]], dict[str, NDArray[np.float64]]]:
    rng = np.random.default_rng(seed)
    slots = np.arange(0.5, seconds - 1, 0.15)
    chance = {"kick": 0.25, "snare": 0.2, "tom1": 0.1, "floor": 0.1}
    hits = {d: slots[rng.random(len(slots)) < p] + rng.normal(0, 0.004) for d, p in chance.items()}
    return hits, {d: rng.uniform(-12, 0, len(t)) for d, t in hits.items()}


@pytest.mark.parametrize("seed", range(4))
def test_overlapping_hits_share_the_energy_out(seed: int) -> None:
    hits, levels = groove(seed)
    matrix = make(hits, levels, 40.0, cymbals=np.arange(2.0, 38.0, 3.1))
    errors = []
    for track in LEAK_DB:
        own = next((d for d, t in OWN.items() if t == track), "snare")
        for drum, got in matrix.db(track, own).items():
            true = expected_db(track, drum, own, levels)
            if got is not None and drum != own and true > -25:
                errors.append(abs(got - true))
    assert len(errors) >= 10
    # cymbals that no mic explains sound in a third of the windows
    assert np.median(errors) < 1.0
    assert np.quantile(errors, 0.9) < 4.0


def test_plain_window_energies_would_not_do() -> None:
    # the check of the check: without sharing out, the same groove is wrong by more than that
    hits, levels = groove(0)
    matrix = make(hits, levels, 40.0)
    n = round((AFTER_S + BEFORE_S) / FRAME_S)
    naive = []
    for drum in ("kick", "snare"):
        ours = matrix.db("Tom", "tom1")[drum]
        assert ours is not None
        own_level = np.mean(10 ** (levels["tom1"] / 10))
        plain = 10 * np.log10(np.mean([_energy_at(t, n, hits, levels) for t in hits[drum]]) / own_level)
        naive.append(abs(plain - expected_db("Tom", drum, "tom1", levels)))
        assert abs(ours - expected_db("Tom", drum, "tom1", levels)) < 1.0
    assert max(naive) > 3.0


def _energy_at(t: float, n: int, hits: dict[str, NDArray[np.float64]], levels: dict[str, NDArray[np.float64]]) -> float:
    total = 0.0
    for d, times in hits.items():
        tau = DECAY_S[d] / 2
        for other, level in zip(times, levels[d], strict=True):
            a = max(t - BEFORE_S, other)
            b = t + AFTER_S
            if b > a:
                total += 10 ** ((LEAK_DB["Tom"][d] + level) / 10) * (
                    np.exp(-(a - other) / tau) - np.exp(-(b - other) / tau)
                )
    return float(total)


def test_what_was_not_played_is_not_known() -> None:
    hits = {"kick": np.arange(1.0, 9.0), "snare": np.zeros(0)}
    levels = {d: np.zeros(len(t)) for d, t in hits.items()}
    matrix = make(hits, levels, 10.0)
    assert matrix.drums == ("kick",)
    assert matrix.db("Snare", "snare") == {"kick": None}
    assert make({}, {}, 5.0).drums == ()


def test_a_drum_that_only_sounds_with_the_mic_s_own_is_not_known() -> None:
    # the mic cannot tell the other drum's leak from a stronger stroke of its own; apart from it, it can
    apart = 1.0 + 2.0 * np.arange(5)
    levels = {"tom1": np.array([0.0, -3.0, -1.0, -5.0, -2.0]), "floor": np.array([-3.0, 0.0, -6.0, -1.0, -2.0])}
    matrix = make({"tom1": apart, "floor": apart + 0.02}, levels, 12.0)
    assert matrix.db("Tom", "tom1")["floor"] is None
    assert matrix.db("Floor", "floor")["tom1"] is None
    matrix = make({"tom1": apart, "floor": apart + 1.0}, levels, 12.0)
    assert matrix.db("Tom", "tom1")["floor"] == pytest.approx(expected_db("Tom", "floor", "tom1", levels), abs=0.3)


def test_leaks_under_the_noise_are_not_known() -> None:
    hits = {d: 0.5 + 4.0 * k + np.arange(4) * 0.9 for k, d in enumerate(DECAY_S)}
    levels = {d: np.zeros(4) for d in hits}
    matrix = make(hits, levels, 17.0, noise=0.1)  # 0.1 x 0.255 s = -16 dB re a hit
    row = matrix.db("Kick", "kick")
    assert row["kick"] == 0.0
    assert row["snare"] is None


@settings(max_examples=10, deadline=None)
@given(gain_db=st.floats(-40, 40), seed=st.integers(0, 50))
def test_the_gain_of_a_mic_changes_nothing(gain_db: float, seed: int) -> None:
    hits, levels = groove(seed, 12.0)
    plain = make(hits, levels, 12.0)
    loud = make(hits, levels, 12.0, gain={"Tom": 10 ** (gain_db / 10)})
    for drum, value in plain.db("Tom", "tom1").items():
        other = loud.db("Tom", "tom1")[drum]
        assert (value is None) == (other is None)
        if value is not None:
            assert other == pytest.approx(value, abs=1e-3)
