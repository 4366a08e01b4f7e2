"""Playing that is no rock groove is what it says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.synth import KITS, PLAYING, Layout, MadeTake, Room, further_sounds, make_take, play

SR = 44100


def made(name: str, seconds: float, seed: int = 3, **layout: object) -> MadeTake:
    kit = further_sounds(KITS["rock"], second_snare=name == "two_snares")
    played = play(name, seconds, seed, kit=kit)
    return make_take(kit, Room(), played, SR, seed, layout=Layout(room=False, **layout), bleed_db=6.0)  # type: ignore[arg-type]


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(sorted(PLAYING)), st.integers(0, 10**6))
def test_strokes_are_in_order_and_inside(name: str, seed: int) -> None:
    kit = further_sounds(KITS["tight"], second_kick=True, second_snare=True)
    played = play(name, 16.0, seed, kit=kit)
    times = [s.time_s for s in played.strokes]
    assert times == sorted(times)
    assert times[0] > 0
    assert times[-1] < 16.0
    assert all(s.level_db <= 0 and s.drum in kit.drums for s in played.strokes)
    assert played == play(name, 16.0, seed, kit=kit)


def test_unknown_playing_is_named() -> None:
    with pytest.raises(ParameterError, match="nothing is called 'mallet'"):
        play("mallet", 10.0, 1, kit=KITS["rock"])


def test_further_sounds_are_no_further_drums() -> None:
    kit = further_sounds(KITS["rock"], second_kick=True)
    assert set(kit.drums) == {*KITS["rock"].drums, "kick2"}
    assert kit.toms == KITS["rock"].toms


def test_a_single_stroke_is_one() -> None:
    played = play("single", 60.0, 4, kit=KITS["rock"])
    assert sum(s.drum.startswith(("tom", "floor")) for s in played.strokes) == 1


def test_double_kick_is_as_fast_as_it_says() -> None:
    # sixteenths at 180 a minute: 60 / 180 / 4 s
    played = play("double_kick", 12.0, 4, kit=KITS["rock"])
    kicks = [s.time_s for s in played.strokes if s.drum == "kick"]
    assert np.median(np.diff(kicks)) == pytest.approx(60 / 180 / 4, rel=0.05)


def test_a_hand_ends_the_cymbals() -> None:
    take = made("choked", 10.0)
    hand = next(s.time_s for s in take.strokes if s.sound == "choke")
    left = np.asarray(take.audio["Overhead L.wav"], np.float64)

    def treble(a: float, b: float) -> float:
        x = np.diff(left[round(a * SR) : round(b * SR)], n=2)
        return float(np.mean(x**2))

    assert 10 * np.log10(treble(hand - 0.2, hand) / treble(hand + 0.5, hand + 0.7)) > 20.0


def treble_share_db(x: np.ndarray, at: list[float]) -> float:
    """Median share of the energy above 2 kHz in the first 20 ms from some moments on."""
    from scipy.signal import butter, sosfilt

    y, n = sosfilt(butter(4, 2000, "highpass", fs=SR, output="sos"), x), round(0.02 * SR)
    starts = [round(t * SR) for t in at]
    return float(10 * np.log10(np.median([np.sum(y[i : i + n] ** 2) / np.sum(x[i : i + n] ** 2) for i in starts])))


@pytest.mark.slow
def test_mallets_are_dull_and_brushes_never_stop() -> None:
    # Felt touches a head for several milliseconds, so nothing above some hundred Hz is shaken (the force of a contact
    # of time T has its first zero near 1.5/T; Fletcher & Rossing, chapter 18).
    sticks, mallets, brushes = made("floor_groove", 14.0), made("mallets", 10.0), made("brushes", 8.0)
    share = []
    for take in (sticks, mallets):
        strokes = [a[0] for a in take.arrivals["Floor Tom.wav"]][4:-4]
        share.append(treble_share_db(take.wanted["Floor Tom.wav"].astype(np.float64), strokes))
    assert share[1] < share[0] - 15.0
    level = brushes.wanted["Tom 1.wav"][SR : 7 * SR].reshape(-1, SR // 5).astype(np.float64).std(axis=1)
    assert 20 * np.log10(level.max() / level.min()) < 10.0


def test_a_trigger_has_a_pulse_for_every_stroke_and_is_no_mic() -> None:
    take = made("cross_stick", 8.0, triggers=("kick",))
    track = take.take.track("Kick Trig.wav")
    assert (track.role, track.drum) == ("trigger", "kick")
    x = np.abs(take.audio[track.id])
    n = sum(s.drum == "kick" for s in take.strokes)
    begins = np.flatnonzero((x[1:] > 0.02) & (np.convolve(x, np.ones(800), "full")[: len(x) - 1] < 0.1))
    assert 1 + int(np.sum(np.diff(begins) > 0.02 * SR)) == n


def test_two_snares_have_a_mic_each() -> None:
    take = made("two_snares", 8.0)
    second = take.take.of_drum("snare2")
    assert len(second) == 1
    assert len(take.arrivals[second[0].id]) == sum(s.drum == "snare2" for s in take.strokes)
