"""Arrivals and lags against correlation, a simulated room and the Cramér–Rao bound."""

from __future__ import annotations

import numpy as np
import pyroomacoustics as pra
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, correlate, sosfilt

from spillgate.dsp.core.timing.arrival import arrival_votes, bounded_vote, log_likelihood
from spillgate.dsp.core.timing.drum_timing import answers, between, listen
from spillgate.dsp.core.timing.overhead_pair import pair_votes
from spillgate.dsp.core.timing.subsample import phase_lag

RATE = 48_000.0
BEFORE = 2400
LENGTH = 4320


def stroke(rng: np.random.Generator, tone_hz: float = 180.0) -> np.ndarray:
    """Attack noise and a decaying tone: 40 ms of a drum."""
    t = np.arange(1920) / RATE
    noise = rng.standard_normal(len(t)) * np.exp(-t / 0.003)
    return noise + 0.7 * np.sin(2 * np.pi * tone_hz * t) * np.exp(-t / 0.05)


def shifted(x: np.ndarray, delay: float) -> np.ndarray:
    """Delay by a fraction, by the phase of a transform twice as long."""
    n = 2 * len(x)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(n) * delay)
    return np.fft.irfft(np.fft.rfft(x, n) * turn, n)[: len(x)]


def pieces(
    seed: int, lag: float, sign: int = 1, n_hits: int = 6, noise: float = 0.003, gain: float = 0.3
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Close and far microphone round some hits, and the onsets."""
    rng = np.random.default_rng(seed)
    x, y = np.zeros((n_hits, LENGTH)), np.zeros((n_hits, LENGTH))
    for k in range(n_hits):
        dry = np.zeros(LENGTH)
        dry[BEFORE : BEFORE + 1920] = stroke(rng)
        x[k] = dry + 0.001 * rng.standard_normal(LENGTH)
        y[k] = sign * gain * shifted(dry, lag) + noise * rng.standard_normal(LENGTH)
    return x, y, np.full(n_hits, BEFORE)


def test_clean_pair_agrees_with_plain_correlation() -> None:
    # scipy.signal.correlate as the independent implementation: on a clean pair both must say the same
    for seed, lag, sign in ((1, 150, 1), (2, 61, -1), (3, 399, 1)):
        x, y, onset = pieces(seed, lag, sign)
        both = sum(correlate(b, a, "full") for a, b in zip(x, y, strict=True))
        k = int(np.abs(both).argmax())
        expected = (k - (LENGTH - 1), int(np.sign(both[k])))
        found, found_sign, margin = arrival_votes(x, y, onset, RATE, 29, 432).best()
        assert (found, found_sign) == expected == (lag, sign)
        assert margin > 10


@settings(max_examples=8, deadline=None)
@given(st.integers(60, 250), st.sampled_from([1, -1]), st.integers(1, 80), st.sampled_from([0.25, 2.0, 8.0]))
def test_polarity_gain_and_delay_do_what_they_must(lag: int, sign: int, more: int, gain: float) -> None:
    x, y, onset = pieces(7, lag, sign, n_hits=3)
    plain = arrival_votes(x, y, onset, RATE, 29, 432)
    turned = arrival_votes(x, -y, onset, RATE, 29, 432)
    # only the order in which both signs are summed changes: a few units in the last place
    np.testing.assert_allclose(plain.plus, turned.minus, rtol=0, atol=1e-12)
    np.testing.assert_allclose(plain.minus, turned.plus, rtol=0, atol=1e-12)
    louder = arrival_votes(x, gain * y, onset, RATE, 29, 432)
    # powers of two change no bit but those of the logarithms
    np.testing.assert_allclose(plain.plus, louder.plus, atol=1e-6)
    later = arrival_votes(x, np.roll(y, more, axis=1), onset, RATE, 29, 432)
    assert later.best()[0] == plain.best()[0] + more == lag + more
    assert later.best()[1] == plain.best()[1] == sign


def test_votes_are_bounded() -> None:
    # closed form: a hit that is certain gives log(½ D + ½) to one cell and −log 2 to all others
    fit = np.full((2, 500), -1e6)
    fit[0, 123] = 0.0
    votes = bounded_vote(fit, 6.0, 0.0)
    assert votes[0, 123] == pytest.approx(np.log(0.5 * 1000 + 0.5))
    rest = np.delete(votes.ravel(), 123)
    np.testing.assert_allclose(rest, -np.log(2))
    np.testing.assert_allclose(bounded_vote(np.zeros((2, 500)), 6.0, 0.0), 0.0, atol=1e-12)


def test_likelihood_kernel_agrees_with_the_plain_sum() -> None:
    # the formula written out sample by sample: Student t before, in and after the copy
    x, y, onset = pieces(5, 100, n_hits=1)
    x, y, o = x[0], y[0], int(onset[0])
    length, lead, after, local, noise, g0 = 48, 5, 48, 14, 1e-4, 0.3
    fit = log_likelihood(x, y, o, RATE, 90, 110, (0.001,), noise, np.array([g0]))

    def t4(e: np.ndarray, v: np.ndarray | float) -> float:
        return float(np.sum(-0.5 * np.log(v) - 2.5 * np.log1p(e**2 / (4 * v)) + 0 * e))

    start, stop = o - lead + 90, o + 110 + length + after
    template = x[o - lead : o - lead + length]
    half = min(after, length) // 2 + 1
    tail = np.mean(template[-half:] ** 2)
    for d in (0, 10, 20):
        for s, sign in ((0, 1.0), (1, -1.0)):
            piece = y[start + d : start + d + length]
            g = min(sign * (piece @ template) / (template @ template), 3.2 * g0)
            total = t4(y[start : start + d], noise)
            end = min(stop - start, 20 + length + after)
            for k in range(d + length + after, end):
                power = np.mean(y[start + k - local : start + k + local + 1] ** 2)
                total += t4(y[start + k : start + k + 1], max(power, noise))
            if g < 0.12 * g0:  # weaker than any arrival: no copy
                total += t4(y[start + d : start + d + length + after], noise)
                total -= 3.0 * (np.log(0.15) / 0.7) ** 2
                assert fit[0, 0, s, d] == pytest.approx(total, rel=1e-6)
                continue
            total += t4(piece - sign * g * template, noise + 0.25 * g * g * np.mean(template**2))
            v3 = noise + g * g * tail
            e3 = y[start + d + length : start + d + length + after]
            total += float(np.sum(-0.5 * np.log(v3) - 1.5 * np.log1p(e3**2 / (2 * v3))))
            total -= 3.0 * (np.log(g / (0.8 * g0)) / 0.7) ** 2
            assert fit[0, 0, s, d] == pytest.approx(total, rel=1e-6)


def band_noise(rng: np.random.Generator, n_hits: int, n: int) -> np.ndarray:
    sos = butter(8, (300.0, 9000.0), "bandpass", fs=RATE, output="sos")
    return sosfilt(sos, rng.standard_normal((n_hits, n)), axis=1)


def test_phase_lag_reaches_the_cramer_rao_bound() -> None:
    # σ² ≥ 3/(8π²T) · (1 + 2s)/s² · 1/(f₂³ − f₁³): Quazi 1981 (formula from memory, confirmed there by simulation)
    n_hits, snr, lag = 16, 100.0, 30.37
    errors = []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        dry = band_noise(rng, n_hits, 2048)
        far = np.stack([shifted(v, lag) for v in dry])
        x = dry + band_noise(rng, n_hits, 2048) / np.sqrt(snr)
        y = -0.4 * (far + band_noise(rng, n_hits, 2048) / np.sqrt(snr))
        onset = np.full(n_hits, 900)
        fine = phase_lag(x, y, onset, onset, 30.0, -1, RATE)
        assert fine.coherence > 0.9
        errors.append(fine.lag - lag)
    seconds = n_hits * (0.00035 + 0.002 - 0.00025)
    bound = np.sqrt(3 / (8 * np.pi**2 * seconds) * (1 + 2 * snr) / snr**2 / (9000.0**3 - 300.0**3)) * RATE
    rms = float(np.sqrt(np.mean(np.square(errors))))
    assert 0.7 * bound < rms < 2.0 * bound


def test_room_geometry() -> None:
    # pyroomacoustics: image sources in a small room; arrivals must differ by distance / c
    room = pra.ShoeBox([5.0, 4.2, 2.8], fs=int(RATE), materials=pra.Material(0.5), max_order=3)
    source = np.array([2.3, 1.9, 0.7])
    mics = np.array([[2.3, 1.9, 0.78], [1.6, 1.5, 1.75], [3.1, 2.2, 1.7]])
    room.add_source(source)
    room.add_microphone_array(mics.T)
    room.compute_rir()
    distance = np.linalg.norm(mics - source, axis=1)
    true = (distance[1:] - distance[0]) / room.c * RATE
    rng = np.random.default_rng(3)
    data = np.zeros((3, 8, LENGTH))
    for k in range(8):
        hit = stroke(rng, 150.0 + 10 * k)
        for m in range(3):
            wet = np.convolve(hit, room.rir[m][0])[: LENGTH - BEFORE]
            data[m, k, BEFORE : BEFORE + len(wet)] += wet
            data[m, k] += 1e-4 * rng.standard_normal(LENGTH)
    # the simulator's own filter delay (40 samples) and the way to the close microphone
    first = round(BEFORE + 40 + distance[0] / room.c * RATE)
    onset = np.full(8, first)
    evidence = listen([data[0]], [data[1], data[2]], [onset], RATE, (29, 432))
    timing = answers(evidence)
    for k in range(2):
        plus, minus = timing.answers[0][k]
        assert plus.lag == pytest.approx(true[k], abs=0.1)
        assert plus.score > minus.score + 5
        assert plus.lead > 5
    lag, sign, margin = pair_votes(data[0], data[1], data[2], onset, RATE, 29, 432).best()
    assert lag == pytest.approx(true[1] - true[0], abs=1.5)
    assert sign == 1
    assert margin > 3


def test_bottom_microphone_is_carried_by_the_top_one() -> None:
    x, y, onset = pieces(11, 140.0)
    _, y2, _ = pieces(11, 171.0)
    bottom = -0.5 * np.roll(x, 9, axis=1)
    pair = between(x, bottom, onset, onset + 9, RATE)
    assert (pair.lag, pair.sign, pair.sure) == (9.0, -1, True)
    timing = answers(listen([x, bottom], [y, y2], [onset, onset + 9], RATE, (29, 432)))
    for k, lag in enumerate((140.0, 171.0)):
        assert timing.answers[0][k][0].lag == pytest.approx(lag, abs=0.05)
        assert timing.answers[1][k][0].lag == pytest.approx(lag - 9, abs=0.05)
    # a reversed overhead: the second one's answers change sides, the lags stay
    turned = answers(listen([x, bottom], [y, -y2], [onset, onset + 9], RATE, (29, 432)), overhead_sign=-1)
    assert turned.answers[0][1][1].lag == pytest.approx(171.0, abs=0.05)
    assert turned.answers[0][1][1].score > turned.answers[0][1][0].score


def test_nothing_to_hear_says_nothing() -> None:
    empty = arrival_votes(np.zeros((0, LENGTH)), np.zeros((0, LENGTH)), np.zeros(0, int), RATE, 29, 432)
    assert empty.n_hits == 0
    assert not empty.plus.any()
    x, _, onset = pieces(1, 100)
    silent = answers(listen([x], [np.zeros_like(x)], [onset], RATE, (29, 432)))
    assert silent.answers[0][0][0].score < 1.0


def test_beyond_the_ends_of_the_pieces_is_silence() -> None:
    x, y, onset = pieces(5, 100, n_hits=1)
    x, y, o = x[0], y[0], int(onset[0])
    rest = (RATE, 90, 110, (0.001, 0.01), 1e-4, np.array([0.3]))
    last = o - round(0.0001 * RATE) + round(0.01 * RATE)

    def zero(v: np.ndarray, a: int, b: int) -> np.ndarray:
        quiet = v.copy()
        quiet[a:b] = 0.0
        return quiet

    late = log_likelihood(x[o - 2 :], y[o - 2 :], 2, *rest)
    np.testing.assert_allclose(late, log_likelihood(zero(x, 0, o - 2), zero(y, 0, o - 2), o, *rest), rtol=1e-9)
    short = log_likelihood(x[: o + 100], y, o, *rest)
    np.testing.assert_allclose(short, log_likelihood(zero(x, o + 100, len(x)), y, o, *rest), rtol=1e-9)
    cut = log_likelihood(x, y[: o + 130], o, *rest)
    np.testing.assert_array_equal(cut, log_likelihood(x, zero(y, o + 130, len(y))[: last + 110], o, *rest))
    assert np.isfinite(cut).all()
