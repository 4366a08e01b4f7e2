"""Each fault planted, and beside it the near miss that must not be reported."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import chi2

from spillgate.dsp.core.checks import faults, low_end
from spillgate.dsp.core.checks.levels import Levels, level_figures

SR = 48000


def table(x: NDArray[np.float64], sr: int = SR) -> NDArray[np.float32]:
    feature = Levels()
    rows, state = feature.push(x.astype(np.float32), feature.start(sr))
    return np.concatenate([rows, feature.finish(state)])


def drum(
    seconds: float = 6.0,
    hz: float = 90.0,
    peak: float = 0.5,
    every: float = 1.0,
    decay: float = 0.12,
    seed: int = 0,
    sr: int = SR,
    noise: float = 5e-5,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Strokes of a drum with a snap, and their times in seconds."""
    rng = np.random.default_rng(seed)
    x = noise * rng.standard_normal(int(seconds * sr))
    times = np.arange(0.3, seconds - 0.9, every) + rng.uniform(0, 0.05, len(np.arange(0.3, seconds - 0.9, every)))
    t = np.arange(int(0.9 * sr)) / sr
    for start in times:
        tone = np.sin(2 * np.pi * hz * t + 0.3) * np.exp(-t / decay)
        snap = rng.standard_normal(len(t)) * np.exp(-t / 0.004)
        one = (tone + 0.4 * np.convolve(snap, np.hanning(9) / 4, "same")) * (1 - np.exp(-t / 0.0003))
        one[-4000:] *= np.cos(np.linspace(0, np.pi / 2, 4000)) ** 2
        a = int(start * sr)
        x[a : a + len(one)] += peak * rng.uniform(0.7, 1.0) * one / np.abs(one).max()
    return x, times


def to_pcm(x: NDArray[np.float64], bits: int = 24) -> NDArray[np.float64]:
    full = 2.0 ** (bits - 1)
    return np.clip(np.round(x * full), -full, full - 1) / full


# ---- clipping


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("sr", [44100, 48000, 96000])
@pytest.mark.parametrize("over_db", [1.0, 3.0, 6.0])
def test_clipped_at_full_scale(over_db: float, sr: int, bits: int) -> None:
    x, _ = drum(hz=60.0, sr=sr)
    x *= 10 ** (over_db / 20) / np.abs(x).max()
    clip = faults.clipping(table(to_pcm(x, bits), sr), sr)
    assert clip is not None
    assert clip.full_scale
    assert clip.level_db == pytest.approx(0.0, abs=0.01)
    # "at least": never more than what was cut off, and some part of it
    assert 0.2 * over_db <= clip.over_db <= over_db + 0.2


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("hz", [45.0, 60.0, 180.0])
@pytest.mark.parametrize("sr", [48000, 96000])
def test_loud_but_not_clipped(sr: int, hz: float, bits: int) -> None:
    x, _ = drum(hz=hz, sr=sr)
    x *= (1.0 - 2.0**-15) / np.abs(x).max()  # the greatest sample just reaches full scale
    assert faults.clipping(table(to_pcm(x, bits), sr), sr) is None


def test_narrow_tops_touch_full_scale_again_and_again() -> None:
    # 15 kHz: at 48 kHz a clipped top is one sample, never three; full scale is the last step of the format
    t = np.arange(4 * SR) / SR
    bursts = np.sin(2 * np.pi * 15000.0 * t + 0.1) * np.exp(-(t % 1.0) / 0.05)
    clip = faults.clipping(table(to_pcm(1.5 * bursts)), SR)
    assert clip is not None
    assert clip.full_scale
    assert clip.over_db == 0.0  # nothing is known of how far it would have gone
    assert faults.clipping(table(to_pcm(0.99 * bursts)), SR) is None
    assert faults.clipping(table(1.5 * bursts), SR) is None  # floating point goes on above full scale


def test_flat_tops_below_full_scale() -> None:
    x, times = drum(peak=1.0, every=0.5)
    limited = np.clip(x, -0.6, 0.6)
    clip = faults.clipping(table(to_pcm(limited)), SR)
    assert clip is not None
    assert not clip.full_scale
    assert clip.level_db == pytest.approx(20 * np.log10(0.6), abs=0.01)
    assert len(clip.moments) >= len(times) // 2
    one = x.copy()
    a = int(times[2] * SR)
    one[a : a + SR // 4] = np.clip(one[a : a + SR // 4], -0.6, 0.6)
    assert faults.clipping(table(to_pcm(one)), SR) is None  # a single flat top below others is chance
    two = 0.5 * x
    for t in times[2:4]:
        a = int(t * SR)
        two[a : a + SR // 4] = np.clip(x[a : a + SR // 4], -0.6, 0.6)
    few = faults.clipping(
        table(to_pcm(two)), SR
    )  # two strokes of a soft take in the limiter, and nothing comes so high
    assert few is not None
    assert not few.full_scale


@settings(max_examples=20, deadline=None)
@given(hz=st.floats(35, 400), gain=st.floats(0.2, 0.99), bits=st.sampled_from([16, 24]))
def test_round_tops_are_never_flat(hz: float, gain: float, bits: int) -> None:
    t = np.arange(2 * SR) / SR
    assert faults.clipping(table(to_pcm(gain * np.sin(2 * np.pi * hz * t), bits)), SR) is None


# ---- hum


def mains(hz: float, rms_db: float, n: int, sr: int = SR) -> NDArray[np.float64]:
    t = np.arange(n) / sr
    x = sum(a * np.sin(2 * np.pi * hz * h * t + h) for h, a in ((1, 1.0), (2, 0.3), (3, 0.5)))
    y = np.asarray(x, np.float64)
    return y * 10 ** (rms_db / 20) / np.sqrt(np.mean(y**2))


@pytest.mark.parametrize("sr", [44100, 48000, 96000])
@pytest.mark.parametrize("hz", [50.0, 60.0, 49.9, 60.1])
def test_hum_and_its_level(hz: float, sr: int) -> None:
    x, _ = drum(8.0, hz=205.0, sr=sr, decay=0.06)
    found = low_end.hum(table(x + mains(hz, -60.0, len(x), sr), sr), sr)
    assert found is not None
    assert found.mains_hz == round(hz, -1)
    assert found.level_db == pytest.approx(-60.0, abs=0.5)
    # 1 : 0.3 : 0.5 in amplitude
    assert found.lines_db[2] - found.lines_db[1] == pytest.approx(20 * np.log10(0.3), abs=1.0)
    assert found.lines_db[3] - found.lines_db[1] == pytest.approx(20 * np.log10(0.5), abs=1.0)


@pytest.mark.parametrize("hz", [48.0, 49.5, 50.0, 51.0, 58.5, 60.0, 61.0])
@pytest.mark.parametrize("decay", [0.15, 0.5])
def test_a_low_drum_next_to_the_mains_is_no_hum(hz: float, decay: float) -> None:
    for seed in range(3):
        x, _ = drum(12.0, hz=hz, decay=decay, every=0.55, seed=seed)
        assert low_end.hum(table(x), SR) is None


def test_strokes_on_a_grid_are_no_hum() -> None:
    # the same stroke every half second has lines at all multiples of 2 Hz, 50 and 60 Hz among them
    one, _ = drum(0.5, hz=55.0, every=9.0, noise=0.0)
    t = np.arange(SR // 2) / SR
    one = 0.5 * np.sin(2 * np.pi * 55 * t) * np.exp(-t / 0.1)
    x = np.tile(one, 20) + 5e-5 * np.random.default_rng(1).standard_normal(20 * len(one))
    assert low_end.hum(table(x), SR) is None


def test_short_or_silent_takes_have_no_hum() -> None:
    assert low_end.hum(table(np.zeros(5 * SR)), SR) is None
    assert low_end.hum(table(mains(50.0, -40.0, SR)), SR) is None


# ---- dropouts


@pytest.mark.parametrize("length_ms", [0.8, 5.0, 40.0])
@pytest.mark.parametrize("held", [False, True])
def test_dropouts(length_ms: float, held: bool) -> None:
    x, times = drum(hz=150.0, decay=0.4)
    a = int((times[1] + 0.06) * SR)
    n = int(length_ms * SR / 1000)
    x = to_pcm(x)
    x[a : a + n] = x[a] if held else 0.0
    (hole,) = faults.dropouts(table(x), SR)
    assert hole.length_ms == pytest.approx(length_ms, abs=0.05)
    assert hole.time_s == pytest.approx((a + n) / SR, abs=0.011)


def test_pauses_are_no_dropouts() -> None:
    x, times = drum(hz=150.0, noise=0.0, decay=0.05)
    t = np.arange(len(x)) / SR
    for start in times[1:]:
        gap = (t > start - 0.3) & (t < start)
        x[gap] = 0.0  # an edited track: silence until the next stroke, which begins at once
    assert faults.dropouts(table(to_pcm(x, 16)), SR) == ()
    assert faults.dropouts(table(np.zeros(SR)), SR) == ()


def test_slow_waves_of_coarse_steps_are_no_dropouts() -> None:
    x, _ = drum(hz=40.0, peak=0.02, sr=96000)
    assert faults.dropouts(table(to_pcm(x, 16), 96000), 96000) == ()


def test_long_clipped_tops_are_no_dropouts() -> None:
    x, _ = drum(hz=50.0)
    assert faults.dropouts(table(to_pcm(8 * x)), SR) == ()


# ---- clicks


def test_crackle() -> None:
    x, times = drum()
    rng = np.random.default_rng(2)
    at = np.sort(rng.uniform(0.5, 0.8, 5)) + times[:5]
    for t in at:
        a = int(t * SR)
        x[a : a + 3] += 0.1 * rng.choice([-1, 1]) * np.array([1.0, -0.4, 0.1])
    got = faults.clicks(table(x), SR, times)
    assert len(got) == 5
    assert np.abs(got + 0.005 - at).max() < 0.012


@pytest.mark.parametrize("decay", [0.002, 0.02, 0.2])
def test_strokes_do_not_crackle(decay: float) -> None:
    for seed in range(4):
        x, _ = drum(hz=400.0, decay=decay, seed=seed)
        assert len(faults.clicks(table(x), SR, np.zeros(0))) == 0


def test_edges_of_the_recording_and_of_holes_do_not_crackle() -> None:
    x, times = drum(hz=150.0, decay=0.4)
    x[0] = 0.3
    x[-1] = 0.3
    a = int((times[1] + 0.06) * SR)
    x[a : a + 600] = 0.0
    rows = table(x)
    assert len(faults.clicks(rows, SR, times, faults.dropouts(rows, SR))) == 0


# ---- the end, dead channels, low cut


def test_cut_before_the_ring_died() -> None:
    x, times = drum(hz=100.0, decay=0.3)
    whole, short = x, x[: int((times[-1] + 0.25) * SR)]
    for y, cut in ((whole, False), (short, True)):
        rows = table(y)
        figures = level_figures(rows)
        found = faults.cut_at_end(rows, SR, figures.noise_db, figures.loud_db)
        assert (found is not None) == cut


def test_dead_channel_against_a_quiet_one() -> None:
    rng = np.random.default_rng(0)
    dead = level_figures(table(1e-4 * rng.standard_normal(4 * SR)))
    live = level_figures(table(drum(peak=0.003)[0]))
    assert faults.is_dead(dead.loud_db, dead.noise_db, 50.0)
    assert not faults.is_dead(live.loud_db, live.noise_db, 50.0)
    assert not faults.is_dead(dead.loud_db, dead.noise_db, 5.0)  # nobody played
    lifted = level_figures(table(1e-4 * rng.standard_normal(4 * SR) + 0.003))  # an offset makes no sound
    assert faults.is_dead(lifted.loud_db, lifted.noise_db, 50.0)


@pytest.mark.parametrize("hz", [62.0, 90.0, 140.0])
def test_lowest_partial(hz: float) -> None:
    x, times = drum(hz=hz)
    assert low_end.lowest_partial(table(x), SR, times, 40.0, 250.0) == pytest.approx(hz, abs=1.0)
    assert low_end.lowest_partial(table(x), SR, np.zeros(0), 40.0, 250.0) == 0.0


def test_what_a_low_cut_would_take() -> None:
    x, _ = drum(10.0, hz=70.0)
    t = np.arange(len(x)) / SR
    clean, steady, share, _ = low_end.low_cut_gain(table(x), SR, 45.0)
    assert clean < -60.0  # a low drum comes and goes
    assert share < -20.0
    level, steady, share, follows = low_end.low_cut_gain(table(x + 0.02 * np.sin(2 * np.pi * 25 * t)), SR, 45.0)
    assert level == pytest.approx(20 * np.log10(0.02 / np.sqrt(2)), abs=0.5)  # r.m.s. of that sine
    assert -1.0 < steady <= 0.0
    assert -6.0 < share <= 0.0
    assert abs(follows) < 0.05
    assert low_end.low_cut_gain(table(x[:3000]), SR, 45.0) == (-200.0, -200.0, -200.0, 0.0)


def test_what_rises_with_the_playing_is_told_from_rumble() -> None:
    # a wave whose part under 45 Hz keeps a fixed share of it: by definition one dB for each dB
    t = np.arange(12 * SR) / SR
    swell = 10 ** (-(6.0 + 6.0 * np.cos(2 * np.pi * t / 5.0)) / 20)
    both = swell * (0.01 * np.sin(2 * np.pi * 25 * t) + 0.1 * np.sin(2 * np.pi * 90 * t))
    assert low_end.low_cut_gain(table(both), SR, 45.0)[3] == pytest.approx(1.0, abs=0.05)


@pytest.mark.slow
def test_noise_is_as_steady_as_chi_squared_says() -> None:
    # power of noise of bandwidth B in a Hann window of T: chi squared with 2 B T / 1.5 degrees of freedom (Blackman and
    # Tukey, 1958; the 1.5 is the window's equivalent noise bandwidth in bins)
    rng = np.random.default_rng(5)
    n = 400 * SR
    spectrum = np.fft.rfft(rng.standard_normal(n))
    hz = np.fft.rfftfreq(n, 1.0 / SR)
    x = np.fft.irfft(np.where((hz > 5.0) & (hz < 30.0), spectrum, 0.0), n)
    _, steady, _, _ = low_end.low_cut_gain(table(0.01 * x / np.std(x)), SR, 30.0)
    dof = 2.0 * 25.0 * 0.512 / 1.5
    expected = 10.0 * np.log10(chi2.ppf(0.1, dof) / chi2.ppf(0.4, dof))
    assert steady == pytest.approx(expected, abs=0.6)
