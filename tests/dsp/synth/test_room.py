"""Room and mics against geometry, closed forms and an independent room simulator."""

from __future__ import annotations

import numpy as np
import pyroomacoustics as pra
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

from spillgate.dsp.synth import KITS, Layout, Room
from spillgate.dsp.synth.mics import place_mics
from spillgate.dsp.synth.room import PRE_SAMPLES, Mic, OverlapAdd, TailNoise, path_response, speed_of_sound_m_s

SR = 48000


def _mic(place: tuple[float, float, float], aim: tuple[float, float, float], omni: float = 0.52) -> Mic:
    return Mic(id="m", role="tom", drum="tom1", position=None, place=place, aim=aim, file="m.wav", omni=omni)


def _delay_by_phase(h: NDArray[np.float32], low: float = 500.0, high: float = 12000.0) -> float:
    """Delay of a short pulse in samples from the slope of its phase."""
    size = 8192
    spectrum = np.fft.rfft(h.astype(float), size)
    k = np.arange(int(low / SR * size), int(high / SR * size))
    phase = np.unwrap(np.angle(spectrum[k]))
    return float(-np.polyfit(2 * np.pi * k / size, phase, 1)[0])


def _direct(room: Room, source: tuple[float, float, float], mic: Mic) -> NDArray[np.float32]:
    """Only the direct sound: the response cut before the first reflection can come."""
    tail = TailNoise(room, SR, 4096, np.random.default_rng(1))
    tail._pieces = [(n * 0, e) for n, e in tail._pieces]
    h = path_response(room, source, mic, SR, tail, np.random.default_rng(2))
    points, _ = room.images(source)
    distance = np.sort(np.linalg.norm(points - np.asarray(mic.place), axis=1)) / room.speed_m_s * SR
    assert distance[1] - distance[0] > 2 * PRE_SAMPLES
    return h[: int(distance[0]) + 2 * PRE_SAMPLES]


def test_speed_of_sound() -> None:
    # ISO 9613-1 form, worked values at 0, 20 and 30 °C.
    for celsius, wanted in ((0.0, 331.286), (20.0, 343.200), (30.0, 349.005)):
        assert speed_of_sound_m_s(celsius) == pytest.approx(wanted, abs=2e-3)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 0.9), st.floats(0.2, 0.9), st.floats(0.2, 0.8))
def test_direct_sound_has_its_exact_delay_and_level(x: float, y: float, z: float) -> None:
    room = Room(size_m=(9.0, 9.0, 5.0), origin_m=(4.5, 4.0), order=1)
    source, mic = (0.0, 0.0, 1.8), _mic((x, y, 1.8 + z), (0.0, 0.0, 1.8))
    distance = float(np.sqrt(x * x + y * y + z * z))
    h = _direct(room, source, mic)
    # Closed form: distance/c, level 1/r (on axis the pattern is 1, plus 0.02 of leakage).
    assert _delay_by_phase(h) - PRE_SAMPLES == pytest.approx(distance / room.speed_m_s * SR, abs=0.005)
    assert float(np.sum(h)) == pytest.approx(1.02 / distance, rel=2e-3)


def test_behind_a_cardioid_is_quiet() -> None:
    room = Room(size_m=(9.0, 9.0, 5.0), origin_m=(4.5, 4.0), order=1)
    front = np.abs(_direct(room, (0.0, 0.0, 1.5), _mic((0.0, 0.5, 1.8), (0.0, 0.0, 1.5)))).sum()
    back = np.abs(_direct(room, (0.0, 0.0, 1.5), _mic((0.0, 0.5, 1.8), (0.0, 1.0, 2.1)))).sum()
    assert 20 * np.log10(front / back) > 15


def test_arrivals_agree_with_an_independent_image_source_model() -> None:
    # pyroomacoustics' image sources: same distances for direct sound and the six first reflections.
    room = Room(size_m=(5.0, 6.0, 3.0), origin_m=(2.4, 1.6), order=1)
    source, mic = (0.3, 0.4, 0.9), (-0.6, 0.3, 2.0)
    theirs = pra.ShoeBox(list(room.size_m), fs=SR, max_order=1)
    theirs.add_source([source[0] + 2.4, source[1] + 1.6, source[2]])
    theirs.add_microphone([mic[0] + 2.4, mic[1] + 1.6, mic[2]])
    theirs.image_source_model()
    their_distances = np.sort(np.linalg.norm(theirs.sources[0].images - theirs.mic_array.R, axis=0))
    points, bounces = room.images(source)
    ours = np.sort(np.linalg.norm(points - np.asarray(mic), axis=1))
    np.testing.assert_allclose(ours, their_distances, atol=1e-6)
    assert bounces.tolist() == [0, 1, 1, 1, 1, 1, 1]


@pytest.mark.parametrize("rt60", [0.25, 0.5])
def test_tail_decays_in_the_time_asked(rt60: float) -> None:
    # Schroeder's backward integration (J. Acoust. Soc. Am. 37, 1965), 1 kHz octave, 20 dB of the
    # diffuse part: from 50 ms after the direct sound, where the last mirrored reflection has come.
    room = Room(rt60_s=rt60)
    n = int(1.1 * rt60 * SR)
    tail = TailNoise(room, SR, n, np.random.default_rng(1))
    sos = butter(4, [707, 1414], "band", fs=SR, output="sos")
    curves = []
    for k in range(8):
        mic = _mic((-1.1 + 0.2 * k, 3.0, 1.5), (0.0, 0.0, 0.7), 0.75)
        h = path_response(room, (0.2, 0.5, 0.9), mic, SR, tail, np.random.default_rng(k))
        start = PRE_SAMPLES + int((3.0 / room.speed_m_s + 0.05) * SR)
        curves.append(np.cumsum(sosfilt(sos, h.astype(float))[:start:-1] ** 2)[::-1])
    curve = np.mean(curves, axis=0)
    level = 10 * np.log10(curve / curve[0])
    inside = (level < -1) & (level > -21)
    slope = np.polyfit(np.flatnonzero(inside) / SR, level[inside], 1)[0]
    assert -60 / slope == pytest.approx(rt60, rel=0.12)


def test_overlap_add_is_convolution() -> None:
    rng = np.random.default_rng(1)
    x = np.zeros(60000, np.float32)
    x[1000:9000] = rng.standard_normal(8000)
    x[50000:50010] = 1
    h = rng.standard_normal(3000).astype(np.float32)
    engine = OverlapAdd(len(x), len(h))
    engine.add("a", engine.spectra(x), engine.response(h))
    wanted = fftconvolve(x.astype(float), h.astype(float))[PRE_SAMPLES : PRE_SAMPLES + len(x)]
    np.testing.assert_allclose(engine.result("a"), wanted[: len(x)], atol=2e-3)


def test_unused_output_is_silent() -> None:
    assert not np.any(OverlapAdd(1000, 100).result("nobody"))


@pytest.mark.parametrize("kit", sorted(KITS))
@pytest.mark.parametrize("mismatch_cm", [-20.0, 0.0, 7.0])
def test_overheads_differ_as_asked(kit: str, mismatch_cm: float) -> None:
    mics = place_mics(KITS[kit], Layout(mismatch_cm=mismatch_cm), np.random.default_rng(1))
    snare = np.array(KITS[kit].pieces["snare"].place)
    away = {m.position: np.linalg.norm(np.array(m.place) - snare) for m in mics if m.role == "overhead"}
    assert 100 * (away["right"] - away["left"]) == pytest.approx(mismatch_cm, abs=1e-9)
    own = [m for m in mics if m.role == "tom"]
    assert [m.drum for m in own] == list(KITS[kit].toms)
    for mic in own:
        # Each tom mic is nearest to its own drum.
        away_from = {
            d: np.linalg.norm(np.array(mic.place) - np.array(KITS[kit].pieces[d].place)) for d in KITS[kit].drums
        }
        assert min(away_from, key=lambda d: away_from[d]) == mic.drum
