"""Membranes, cymbals and one-shots against physics."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.synth import KITS, Cymbal, Drum
from spillgate.dsp.synth.cymbals import CymbalVoice
from spillgate.dsp.synth.membranes import DrumVoice, membrane_modes
from spillgate.dsp.synth.sources import SampleVoice

SR = 48000


def _rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_ratios_of_the_ideal_membrane() -> None:
    # Table of an ideal membrane's modes, Fletcher & Rossing, The Physics of Musical Instruments, ch. 3: (0,1) (1,1)
    # (2,1) (0,2) (3,1) (1,2) (4,1) (2,2) (0,3) (5,1).
    order, zero, ratio = membrane_modes(10)
    np.testing.assert_allclose(
        ratio, [1, 1.5933, 2.1355, 2.2954, 2.6531, 2.9173, 3.1555, 3.5001, 3.5985, 3.6475], atol=6e-5
    )
    assert order.tolist() == [0, 1, 2, 0, 3, 1, 4, 2, 0, 5]
    assert zero[0] == pytest.approx(2.404826, abs=1e-6)


def _spectral_peak(x: NDArray[np.float32], low: float, high: float) -> float:
    spectrum = np.abs(np.fft.rfft(x * np.hanning(len(x)), 8 * len(x)))
    f = np.fft.rfftfreq(8 * len(x), 1 / SR)
    inside = (f > low) & (f < high)
    return float(f[inside][np.argmax(spectrum[inside])])


def _one_mode(**changes: float) -> Drum:
    fields = {
        "f0_hz": 100.0,
        "t60_s": 2.0,
        "t60_01_s": 1.0,
        "glide": 0.0,
        "stretch": 1.0,
        "click": 0.0,
        "body": 0.0,
        "push": 0.0,
    }
    return Drum(**(fields | {"strike_r": 0.0, "strike_spread": 0.0} | changes))  # type: ignore[arg-type]


def test_struck_in_the_middle_modes_with_a_diameter_are_silent() -> None:
    # J_1(0) = 0, while J_1(3.8317 r) is near its maximum at r = 0.48: (1,1) at 1.5933 f against (0,1).
    ratio_db = []
    for r in (0.0, 0.48):
        voice = DrumVoice(_one_mode(contact_ms=0.1, strike_r=r), SR, _rng())
        x = voice.strike(0.0, "", _rng())["near"][: SR // 2]
        spectrum = np.abs(np.fft.rfft(x * np.hanning(len(x))))  # bins of 2 Hz
        ratio_db.append(20 * np.log10(np.max(spectrum[78:84]) / np.max(spectrum[48:53])))
    assert _spectral_peak(x, 80, 130) == pytest.approx(100.0, abs=1.0)
    assert ratio_db[1] - ratio_db[0] > 15


def test_mode_decays_as_asked() -> None:
    # e^(−ln 1000 t/T60): −60 dB at T60, so −30 dB over half a second for T60 = 1 s.
    voice = DrumVoice(_one_mode(contact_ms=3.0, t60_s=0.3), SR, _rng())
    x = voice.strike(0.0, "", _rng())["near"].astype(float)
    at = [np.sqrt(np.mean(x[int(t * SR) : int((t + 0.05) * SR)] ** 2)) for t in (0.2, 0.7)]
    assert 20 * np.log10(at[0] / at[1]) == pytest.approx(30.0, abs=1.5)


def test_pitch_rises_with_strength() -> None:
    voice = DrumVoice(_one_mode(glide=0.1, glide_s=0.2), SR, _rng())
    hard, soft = (voice.strike(v, "", _rng())["near"][: SR // 8] for v in (0.0, -24.0))
    assert _spectral_peak(hard, 60, 140) > _spectral_peak(soft, 60, 140) + 4.0


@pytest.mark.parametrize("kit", sorted(KITS))
def test_toms_ring_like_toms(kit: str) -> None:
    # Measured on four sampled kits: −20 dB after 0.3 to 1.1 s, −40 dB after 0.5 to 2.8 s; a little room is left.
    for drum in KITS[kit].toms:
        piece = KITS[kit].pieces[drum].sound
        assert isinstance(piece, Drum)
        voice = DrumVoice(piece, SR, _rng())
        x = voice.strike(0.0, "", _rng())["near"].astype(float)
        frames = x[: len(x) // 960 * 960].reshape(-1, 960)
        level = 10 * np.log10(np.mean(frames**2, axis=1) / np.max(np.mean(frames**2, axis=1)))
        last = [float(np.flatnonzero(level > -d)[-1]) * 0.02 for d in (20, 40)]
        assert 0.2 < last[0] < 1.3
        assert 0.45 < last[1] < 3.0


def test_no_two_strikes_are_alike_but_seeds_repeat() -> None:
    for piece in (KITS["rock"].pieces["tom1"].sound, KITS["rock"].pieces["ride"].sound):
        voice = DrumVoice(piece, SR, _rng()) if isinstance(piece, Drum) else CymbalVoice(piece, SR, _rng())
        a, b, c = (voice.strike(-3.0, "", _rng(s))["near"] for s in (1, 2, 1))
        assert not np.array_equal(a, b)
        np.testing.assert_array_equal(a, c)


def test_softer_strokes_are_softer_and_darker() -> None:
    voice = DrumVoice(KITS["rock"].pieces["tom1"].sound, SR, _rng())  # type: ignore[arg-type]

    def energy(level_db: float, low: float, high: float) -> float:
        spectra = [np.abs(np.fft.rfft(voice.strike(level_db, "", _rng(s))["near"][:960], SR)) ** 2 for s in range(20)]
        return float(10 * np.log10(np.mean([s[int(low) : int(high)].sum() for s in spectra])))

    whole = energy(0.0, 40, 20000) - energy(-20.0, 40, 20000)
    top = energy(0.0, 3000, 12000) - energy(-20.0, 3000, 12000)
    assert whole == pytest.approx(20.0, abs=3.0)
    assert top > whole + 2.0


def test_cymbal_decays_by_frequency_as_asked() -> None:
    cymbal = Cymbal(low_hz=400, t60_low_s=4.0, t60_high_s=1.0, bloom_ms=1.0, ping=0.0)
    voice = CymbalVoice(cymbal, SR, _rng())
    assert voice.t60_s(400) == pytest.approx(4.0)
    assert voice.t60_s(12000) == pytest.approx(1.0)
    strikes = [voice.strike(0.0, "", _rng(s))["near"] for s in range(12)]
    for low, high in ((1200, 2400), (4800, 9600)):
        spectra = []
        for start in (0.2, 0.8):
            a = int(start * SR)
            pieces = [x[a : a + SR // 5] * np.hanning(SR // 5) for x in strikes]
            power = sum(np.abs(np.fft.rfft(p, SR)) ** 2 for p in pieces)
            spectra.append(float(np.sum(power[low:high])))
        drop_db = 10 * np.log10(spectra[0] / spectra[1])
        # Closed form: 60 dB × 0.6 s / T60 at the band's centre.
        assert drop_db == pytest.approx(36.0 / voice.t60_s(np.sqrt(low * high)), rel=0.12)


def test_crash_blooms() -> None:
    voice = CymbalVoice(KITS["ballad"].pieces["crash_l"].sound, SR, _rng())  # type: ignore[arg-type]
    x = voice.strike(0.0, "", _rng())["near"].astype(float)
    early, later = (np.mean(x[int(a * SR) : int(b * SR)] ** 2) for a, b in ((0.004, 0.012), (0.06, 0.1)))
    assert later > early


def test_one_shots_are_levelled_trimmed_and_varied() -> None:
    tone = np.sin(2 * np.pi * 200 * np.arange(SR) / SR) * np.exp(-np.arange(SR) / SR / 0.2)
    padded = np.concatenate([np.zeros(777), tone]).astype(np.float32)
    voice = SampleVoice([(0.0, padded), (-12.0, 0.1 * padded)], SR)
    a, b = (voice.strike(-6.0, "", _rng(s))["near"] for s in (1, 2))
    assert not np.array_equal(a, b)
    assert np.argmax(np.abs(a) > 0.03 * np.max(np.abs(a))) < 4
    loud = voice.strike(0.0, "", _rng(1))["near"].astype(float)
    assert np.sum(loud[: SR // 4] ** 2) / SR == pytest.approx(1.0, rel=0.35)


def test_silent_one_shots_are_refused() -> None:
    with pytest.raises(ParameterError, match="silent"):
        SampleVoice([(0.0, np.zeros(100, np.float32))], SR)
