"""Copies against two mics of one drum: coherence of known signals (Carter 1987, closed form)."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from spillgate.dsp.core.checks.likeness import alike, same_signal, suspects, unlike

SR = 48000


def drums(seed: int = 0, n: int = 3 * SR) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    x = np.zeros(n)
    t = np.arange(SR // 2) / SR
    for a in range(2000, n - SR // 2, SR // 3):
        hz = rng.uniform(80, 400)
        one = (np.sin(2 * np.pi * hz * t) + rng.standard_normal(len(t))) * np.exp(-t / rng.uniform(0.02, 0.15))
        x[a : a + len(t)] += rng.uniform(0.2, 0.5) * one
    return x


def frames(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.mean(x[: len(x) // 480 * 480].reshape(-1, 480) ** 2, axis=1))


@pytest.mark.parametrize("gain", [1.0, -0.3, 0.01])
@pytest.mark.parametrize("lag", [0, 37, 1500])
def test_a_copy_whatever_its_gain_sign_and_delay(gain: float, lag: int) -> None:
    x = drums()
    rng = np.random.default_rng(1)
    y = gain * (np.roll(x, lag) + 1e-4 * rng.standard_normal(len(x)))
    same, share = same_signal(x, y)
    assert same
    assert share > 0.9
    assert alike(frames(x), frames(y)) < 1.0
    assert suspects({"a": frames(x), "b": frames(y)}) == [("a", "b")]


def test_a_filtered_copy() -> None:
    x = drums()
    sos = signal.butter(1, 300, "highpass", fs=SR, output="sos")
    assert same_signal(x, signal.sosfilt(sos, x))[0]


def test_two_mics_in_a_dead_room_are_as_coherent_but_coloured() -> None:
    # a peaking filter of ±12 dB over half the spectrum: coherence of a filtered signal is 1, its colour is not flat
    x = drums()
    away = signal.firwin2(255, [0, 0.25, 0.5, 0.75, 1], [1, 4, 1, 0.25, 1])
    y = signal.lfilter(away, 1.0, x)
    same, share = same_signal(x, y)
    assert share > 0.9
    assert not same


def test_two_mics_with_noise_between_them_follow_the_formula() -> None:
    # coherence of s + n1 and s + n2 at equal power ratio r is (r / (1 + r))^2: 20 dB gives 0.980, 30 dB 0.998
    rng = np.random.default_rng(2)
    s = rng.standard_normal(6 * SR)
    for snr_db, same in ((20.0, False), (30.0, True)):
        n1, n2 = (10 ** (-snr_db / 20) * rng.standard_normal(len(s)) for _ in range(2))
        assert same_signal(s + n1, s + n2)[0] == same


def test_different_mics_of_one_kit_are_no_copies() -> None:
    x = drums()
    rng = np.random.default_rng(3)
    room = rng.standard_normal(2400) * np.exp(-np.arange(2400) / 500)
    y = signal.fftconvolve(x, room)[: len(x)]  # a reverberant path longer than the analysis resolves
    z = 0.5 * drums(7) + 0.3 * x
    assert not same_signal(x, z)[0]
    assert alike(frames(x), frames(z)) > 1.0
    assert not same_signal(y + 0.3 * drums(8), x)[0]


def test_silence_and_short_pieces_say_nothing() -> None:
    assert same_signal(np.zeros(SR), np.zeros(SR)) == (False, 0.0)
    assert same_signal(drums()[:4000], drums()[:4000]) == (False, 0.0)
    assert alike(np.zeros(100), np.zeros(100)) == float("inf")


def test_several_pieces_of_a_copy_with_jumps_between_them() -> None:
    # a low drum copied 36 samples late: where pieces are joined, the two would differ
    x = sum(np.roll(drums(k, 2 * SR), 100) for k in range(2))
    y = np.roll(x, 36) + 1e-5 * np.random.default_rng(4).standard_normal(len(x))
    at = np.arange(0, len(x) - 16000, 16000)
    pieces = [np.stack([v[a : a + 16000] for a in at]) for v in (x, y)]
    same, share = same_signal(*pieces)
    assert same
    assert share > 0.97


def test_a_pair_and_two_mics() -> None:
    x, other = drums(), drums(9)
    left, right = 0.6 * x + 0.3 * other, 0.3 * x + 0.6 * other  # levels differ by 6 dB at most: +6 and −6
    flat = np.ones(6)
    assert not unlike(frames(left), frames(right), flat, flat)
    close = 0.6 * x + 0.01 * other
    tilted = np.geomspace(10.0, 0.1, 6)
    assert unlike(frames(close), frames(right), tilted, flat)
    assert not unlike(frames(close), frames(right), flat, flat)  # of one colour
    assert not unlike(frames(x), np.zeros(len(frames(x))), tilted, flat)
