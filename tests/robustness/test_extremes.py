"""Sound at its extremes through the whole chain and the render, and what must not change a decision."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from spillgate.dsp.chain import Chain
from spillgate.dsp.errors import DspError
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.render import render
from spillgate.dsp.take.model import Take
from spillgate.dsp.take.opening import open_take
from spillgate.dsp.testing import small_take

SR = 48_000
CHAIN = Chain.from_names()
NAMES = {"kick.wav": "Kick", "snare.wav": "Snare", "tom.wav": "Rack Tom", "overhead left.wav": "OH L",
         "overhead right.wav": "OH R"}  # fmt: skip

Audio = Mapping[str, NDArray[np.float64]]


def groove(seconds: float = 1.5) -> dict[str, NDArray[np.float64]]:
    take = small_take(seconds)
    return {NAMES[t.id]: np.round(take.read(t).astype(np.float64) * 2**22) / 2**22 for t in take.tracks}


def written(folder: Path, audio: Audio, sr: int = SR, subtype: str = "DOUBLE") -> Path:
    folder.mkdir(parents=True)
    for name, x in audio.items():
        soundfile.write(folder / f"{name}.wav", x, sr, subtype=subtype)
    return folder


def job(folder: Path, audio: Audio, sr: int = SR, subtype: str = "DOUBLE", workers: int = 1) -> tuple[Take, Plan, Path]:
    """Decide and render; stems as long as their recordings and finite, whatever came in."""
    written(folder / "take", audio, sr, subtype)
    take = open_take(folder / "take", workers=workers)
    plan = CHAIN.decide(take)
    render(take, plan, folder / "out")
    for name, x in audio.items():
        y, rate = soundfile.read(folder / "out" / "stems" / f"{name}.wav")
        assert rate == sr
        assert len(y) == len(x)
        assert np.isfinite(y).all()
    for hit in plan.hits:
        assert 0 <= hit.time_s <= max(map(len, audio.values())) / sr
        assert 0 <= hit.confidence <= 1
        assert np.isfinite(hit.level_db)
    return take, plan, folder / "out"


def stem(out: Path, name: str) -> NDArray[np.float64]:
    x: NDArray[np.float64] = soundfile.read(out / "stems" / f"{name}.wav")[0]
    return x


def like(make: Callable[[int, int], NDArray[np.float64]], seconds: float = 1.0) -> dict[str, NDArray[np.float64]]:
    n = round(seconds * SR)
    return {name: make(k, n) for k, name in enumerate(NAMES.values())}


T = np.arange(SR) / SR
EXTREMES: dict[str, Audio] = {
    "silence": like(lambda k, n: np.zeros(n)),
    "one sample": like(lambda k, n: np.full(1, 0.5)),
    "two samples": like(lambda k, n: np.array([0.5, -0.5])),
    "a hundred samples": like(lambda k, n: np.sin(np.arange(100.0))),
    "one click": like(lambda k, n: np.eye(1, n, n // 2)[0]),
    "one click at the start": like(lambda k, n: np.eye(1, n)[0]),
    "one click at the end": like(lambda k, n: np.eye(1, n, n - 1)[0]),
    "full-scale square": like(lambda k, n: np.sign(np.sin(2 * np.pi * 100 * T[:n]) + 1e-9)),
    "direct current": like(lambda k, n: np.full(n, 1.0)),
    "denormals": like(lambda k, n: np.full(n, 5e-324) * (-1.0) ** np.arange(n)),
    "single-precision denormals": like(lambda k, n: np.full(n, 1e-42) * (-1.0) ** np.arange(n)),
    "far beyond full scale": like(lambda k, n: 1e6 * np.sin(2 * np.pi * 80 * T[:n]) * np.exp(-5 * T[:n])),
    "clipped everything": {n: np.clip(60 * x, -1, 1) for n, x in groove(1.0).items()},
    "noise": like(lambda k, n: np.random.default_rng(k).uniform(-1, 1, n)),
    "the same in all": like(lambda k, n: np.random.default_rng(7).standard_normal(n) * 0.1),
    "Nyquist": like(lambda k, n: 0.9 * (-1.0) ** np.arange(n)),
    "only toms": {n: x for n, x in groove(1.0).items() if n == "Rack Tom"},
    "no toms": {n: x for n, x in groove(1.0).items() if n != "Rack Tom"},
    "overheads only": {n: x for n, x in groove(1.0).items() if n.startswith("OH")},
    "one track is silent": {n: 0 * x if n == "Rack Tom" else x for n, x in groove(1.0).items()},
    "one overhead is silent": {n: 0 * x if n == "OH L" else x for n, x in groove(1.0).items()},
}


@pytest.mark.parametrize("name", EXTREMES)
def test_extremes_give_a_result(tmp_path: Path, name: str) -> None:
    audio = EXTREMES[name]
    _, plan, out = job(tmp_path, audio)
    for track in audio:
        peak = np.max(np.abs(audio[track]))
        # interpolation may overshoot between samples, a mask may not amplify
        assert np.max(np.abs(stem(out, track))) <= 2 * peak + 1e-300
    if name == "silence":
        assert plan.hits == ()
        assert not any(stem(out, track).any() for track in audio)


@pytest.mark.parametrize("name", ["full-scale square", "clipped everything", "denormals", "one sample"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_extremes_in_every_format(tmp_path: Path, name: str, subtype: str) -> None:
    job(tmp_path, EXTREMES[name], subtype=subtype)


@pytest.mark.parametrize("sr", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_rates_of_recordings(tmp_path: Path, sr: int) -> None:
    job(tmp_path, {n: x[: SR // 2] for n, x in groove(0.5).items()}, sr)


@pytest.mark.parametrize("sr", [1, 8_000, 32_000, 44_099, 192_001, 384_000, 768_000])
def test_rates_that_no_take_has(tmp_path: Path, sr: int) -> None:
    folder = written(tmp_path / "take", {n: x[:2000] for n, x in groove(0.5).items()}, sr)
    with pytest.raises(DspError, match=f"sample rate {sr} Hz; a take has 44100 to 192000 Hz"):
        open_take(folder)


@pytest.mark.parametrize("count", [1, 2, 64])
def test_from_one_track_to_many(tmp_path: Path, count: int) -> None:
    base = groove(0.4)
    rng = np.random.default_rng(count)
    names = ["Rack Tom", "Kick", "Snare", "OH L", "OH R"] + [f"Tom {k}" for k in range(2, 8)]
    names += [f"Spot {k}" for k in range(64)]
    audio = {
        n: base.get(n, base["Rack Tom"]) + 1e-4 * rng.standard_normal(len(base["Kick"])) for n in names[:count]
    }  # fmt: skip
    take, _, _ = job(tmp_path, audio)
    assert len(take.tracks) == count


@pytest.mark.slow
def test_ten_thousand_hits(tmp_path: Path) -> None:
    one = {n: x[SR // 20 : SR // 20 + SR // 25] for n, x in groove(1.5).items()}  # strokes 40 ms apart
    job(tmp_path, {n: np.tile(x * np.linspace(1, 0, len(x)), 10_000) for n, x in one.items()}, subtype="PCM_16")


# ---- what must not change a decision

GROOVE = groove(1.2)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, Path]:
    _, plan, out = job(tmp_path_factory.mktemp("plain"), GROOVE)
    assert len(plan.hits) >= 3, "there is something to decide"
    return plan, out


def heard(plan: Plan) -> list[tuple[str, str]]:
    return [(h.track, h.drum) for h in plan.hits]


KEEP = settings(
    max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


@KEEP
@given(gain=st.sampled_from([2.0, 0.5, 0.25, 2.0**-8]))
@example(gain=2.0)
def test_gain_by_powers_of_two(plain, tmp_path_factory, gain: float) -> None:
    # powers of two change no bit of a float's fraction
    _, plan, out = job(tmp_path_factory.mktemp("gain"), {n: gain * x for n, x in GROOVE.items()})
    assert heard(plan) == heard(plain[0])
    np.testing.assert_allclose([h.time_s for h in plan.hits], [h.time_s for h in plain[0].hits], atol=1e-6)
    assert [a.delay_samples for a in plan.alignments] == [a.delay_samples for a in plain[0].alignments]
    for name in GROOVE:
        np.testing.assert_allclose(stem(out, name), gain * stem(plain[1], name), atol=gain * 1e-3)


def test_polarity_of_everything(plain, tmp_path) -> None:
    _, plan, out = job(tmp_path, {n: -x for n, x in GROOVE.items()})
    assert heard(plan) == heard(plain[0])
    assert [(a.delay_samples, a.polarity) for a in plan.alignments] == [
        (a.delay_samples, a.polarity) for a in plain[0].alignments
    ]
    for name in GROOVE:
        np.testing.assert_allclose(stem(out, name), -stem(plain[1], name), atol=1e-4)


def test_polarity_of_one_track_is_turned_back(plain, tmp_path) -> None:
    _, plan, _ = job(tmp_path, {n: -x if n == "Snare" else x for n, x in GROOVE.items()})
    assert heard(plan) == heard(plain[0])
    there = {a.track: a.measured_polarity for a in plain[0].alignments}
    for a in plan.alignments:
        if there.get(a.track) and a.confidence == "sure":
            assert a.measured_polarity == (-1 if a.track == "Snare.wav" else 1) * there[a.track]


@KEEP
@given(order=st.permutations(range(5)))
def test_order_of_the_tracks(plain, tmp_path_factory, order: list[int]) -> None:
    folder = written(tmp_path_factory.mktemp("order") / "take", GROOVE)
    take = open_take(folder)
    shuffled = dataclasses.replace(take, tracks=tuple(take.tracks[k] for k in order))
    plan = CHAIN.decide(shuffled)
    assert sorted(plan.hits, key=str) == sorted(plain[0].hits, key=str)
    assert {a.track: a.delay_samples for a in plan.alignments} == {
        a.track: a.delay_samples for a in plain[0].alignments
    }


@KEEP
@given(shift=st.sampled_from([1, 7, 480, 512, 4800, 12_345, 48_000]))
@example(shift=1)
def test_a_take_that_starts_earlier(plain, tmp_path_factory, shift: int) -> None:
    # noise as in the take itself: digital silence would be another room
    rng = np.random.default_rng(shift)
    audio = {n: np.concatenate([1e-4 * rng.standard_normal(shift), x]) for n, x in GROOVE.items()}
    _, plan, _ = job(tmp_path_factory.mktemp("shift"), audio)
    sure = [h for h in plain[0].hits if h.confidence >= 0.99]
    for h in sure:
        near = [g for g in plan.hits if g.track == h.track and abs(g.time_s - h.time_s - shift / SR) < 5e-4]
        assert len(near) == 1, (h, shift)


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(block=st.integers(700, 60_000))
@example(block=1024)
@example(block=57_600)
@example(block=57_599)
def test_blocks_change_no_bit(plain, tmp_path_factory, block: int) -> None:
    out = tmp_path_factory.mktemp("block")
    render(open_take(plain[1].parent / "take"), plain[0], out, block=block)
    for name in GROOVE:
        path = f"stems/{name}.wav"
        assert (out / path).read_bytes() == (plain[1] / path).read_bytes()
