import dataclasses
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import mir_eval
import numpy as np
import pytest

from spillgate.dsp.chain import Chain
from spillgate.dsp.plan.model import Plan, Question
from spillgate.dsp.processors.detect import FIRST_QUESTION, Detect, those_that_matter
from spillgate.dsp.synth import KITS, Layout, MadeTake, Stroke, make_take, perform
from spillgate.dsp.synth.training import random_room
from spillgate.dsp.take import AudioFile, Take, Track

SR = 48000


def make(
    style: str,
    seconds: float,
    seed: int,
    kit: str = "rock",
    change: Callable[[tuple[Stroke, ...]], Sequence[Stroke]] = tuple,
    **layout: object,
) -> MadeTake:
    used = KITS[kit]
    room = random_room(np.random.default_rng(seed))
    performance = perform(style, seconds, seed, drums=used.drums)
    return make_take(
        used,
        room,
        dataclasses.replace(performance, strokes=tuple(change(performance.strokes))),
        SR,
        seed,
        layout=Layout(room=False, **layout),  # type: ignore[arg-type]
        bleed_db=6.0,
    )


@pytest.fixture(scope="module")
def groove() -> MadeTake:
    return make("groove", 16.0, 301)


@pytest.fixture(scope="module")
def plan(groove: MadeTake) -> Plan:
    return decide(groove.take)


def decide(take: Take, **settings: object) -> Plan:
    return Chain(processors=(Detect(**settings),)).decide(take)  # type: ignore[arg-type]


def of(take: Take, *roles: str, audio: Mapping[str, np.ndarray]) -> Take:
    tracks = take.of_role(*roles)
    return Take.from_arrays(tracks, {t.id: audio[t.id] for t in tracks}, take.sr, take.name)


def times(plan: Plan, track: str) -> np.ndarray:
    return np.array([h.time_s for h in plan.hits_of(track)])


def audible(made: MadeTake, track: str) -> np.ndarray:
    return np.array(sorted(a[0] for a in made.arrivals[track] if a[3] >= -6.0))


def f_measure(made: MadeTake, found: Mapping[str, np.ndarray], tracks: list[str]) -> float:
    """F within 20 ms over several tracks, by the matching of mir_eval; inaudible strokes count neither way."""
    right, n_ref, n_est = 0, 0, 0
    for t in tracks:
        every = np.array(sorted(a[0] for a in made.arrivals[t]))
        ref, est = audible(made, t), np.sort(found[t])
        hidden = np.setdiff1d(every, ref)
        matched = mir_eval.util.match_events(ref, est, 0.02) if len(ref) and len(est) else []
        rest = np.delete(est, [j for _, j in matched])
        excused = len(mir_eval.util.match_events(hidden, rest, 0.02)) if len(hidden) and len(rest) else 0
        right, n_ref, n_est = right + len(matched), n_ref + len(ref), n_est + len(est) - excused
    return 2 * right / (n_ref + n_est)


def test_finds_the_strokes_of_a_made_groove(groove: MadeTake, plan: Plan) -> None:
    for role, least in (("tom", 0.96), ("kick", 0.99), ("snare", 0.94), ("hat", 0.88)):
        tracks = [t.id for t in groove.take.of_role(role)]
        assert f_measure(groove, {t: times(plan, t) for t in tracks}, tracks) >= least, role


def test_times_are_exact(groove: MadeTake, plan: Plan) -> None:
    errors = []
    for t in groove.take.of_role("tom", "kick"):
        found, true = times(plan, t.id), audible(groove, t.id)
        errors += [found[j] - true[i] for i, j in mir_eval.util.match_events(true, found, 0.02)]
    assert np.median(np.abs(errors)) < 0.1e-3
    assert np.quantile(np.abs(errors), 0.9) < 1e-3


@pytest.mark.slow  # librosa compiles for a minute at its first use
def test_beats_the_single_track_detector_of_librosa(groove: MadeTake, plan: Plan) -> None:
    import librosa

    tracks = [t.id for t in groove.take.of_role("tom")]
    reference = {t: librosa.onset.onset_detect(y=groove.audio[t], sr=SR, units="time", hop_length=256) for t in tracks}
    ours = f_measure(groove, {t: times(plan, t) for t in tracks}, tracks)
    assert ours > f_measure(groove, reference, tracks) + 0.3


def test_sure_hits_are_right(groove: MadeTake, plan: Plan) -> None:
    assert sum(h.confidence >= 0.99 for h in plan.hits) > 50
    for h in plan.hits:
        if h.confidence >= 0.99:
            true = np.array([a[0] for a in groove.arrivals[h.track]])
            assert np.abs(true - h.time_s).min() < 0.02, h


def test_toms_that_are_never_struck_have_no_sure_hits() -> None:
    made = make("no_toms", 14.0, 302)
    found = decide(made.take)
    toms = [d for d in found.drums if d.drum.startswith(("tom", "floor"))]
    assert len(toms) == 3
    assert all(d.played != "yes" for d in toms)
    assert all(h.confidence < 0.97 for h in found.hits if h.drum.startswith(("tom", "floor")))
    assert {d.played for d in found.drums if d.drum in ("kick", "snare")} == {"yes"}


def test_a_snare_and_a_hat_that_are_never_struck_have_no_hits() -> None:
    made = make("groove", 12.0, 305, change=lambda s: [x for x in s if x.drum not in ("snare", "hat")])
    found = decide(made.take)
    assert {d.played for d in found.drums if d.drum in ("snare", "hat")} == {"no"}
    assert not [h for h in found.hits if h.drum in ("snare", "hat")]
    assert {d.played for d in found.drums if d.drum not in ("snare", "hat")} == {"yes"}


@pytest.mark.parametrize("seed", [306, 307])
def test_a_tom_struck_once_and_softly_is_heard(seed: int) -> None:
    def once(strokes: tuple[Stroke, ...]) -> list[Stroke]:
        rest = [s for s in strokes if s.drum != "floor"]
        clear = [
            s for s in strokes if s.drum == "floor" and all(abs(s.time_s - r.time_s) > 0.05 for r in rest)
        ]  # a stroke under another drum's is another matter
        soft = dataclasses.replace(clear[len(clear) // 2], level_db=-16.0)
        return sorted([*rest, soft], key=lambda s: s.time_s)

    made = make("groove", 12.0, seed, change=once)
    found = decide(made.take)
    (track,) = (t.id for t in made.take.of_drum("floor"))
    assert next(d for d in found.drums if d.drum == "floor").played == "yes"
    assert times(found, track) == pytest.approx([made.arrivals[track][0][0]], abs=2e-3)


@pytest.mark.parametrize("before_ms", [1, 10, 25])
def test_a_stroke_at_the_very_start_of_a_take_is_heard(groove: MadeTake, plan: Plan, before_ms: int) -> None:
    (floor,) = (t.id for t in groove.take.of_drum("floor"))
    strokes = [h for h in plan.hits if h.track == floor and h.confidence > 0.999]
    first = max(strokes, key=lambda h: h.level_db).time_s - before_ms / 1000
    cut = {t: x[round(first * SR) :] for t, x in groove.audio.items()}
    assert times(decide(Take.from_arrays(groove.take.tracks, cut, SR)), floor)[0] == pytest.approx(
        before_ms / 1000, abs=2e-3
    )


def test_a_tom_whose_mic_is_the_only_one_is_never_taken_for_silent(groove: MadeTake) -> None:
    (track, *_) = groove.take.of_role("tom")
    noise = 0.3 * np.random.default_rng(4).standard_normal(groove.take.n_samples)  # nothing is sure under that
    alone = Take.from_arrays([track], {track.id: np.float32(groove.audio[track.id] + noise)}, SR)
    (state,) = decide(alone).drums
    assert (state.played, state.strokes) == ("yes", "unclear")


def test_gain_polarity_and_order_of_tracks_change_nothing(groove: MadeTake, plan: Plan) -> None:
    tracks = tuple(reversed(groove.take.tracks))
    gains = {t.id: g for t, g in zip(tracks, np.tile([2.0, -1.0, -0.5, 1.0], 4), strict=False)}
    audio = {t: np.float32(gains[t]) * x for t, x in groove.audio.items()}
    other = decide(Take.from_arrays(tracks, audio, SR))
    assert {(h.track, h.time_s) for h in other.hits} == {(h.track, h.time_s) for h in plan.hits}


def test_a_later_take_has_later_hits(groove: MadeTake, plan: Plan) -> None:
    k = 12345  # no whole number of frames: candidates may differ by one, times come from the waveform
    audio = {t: np.r_[np.full(k, x[0]), x].astype(np.float32) for t, x in groove.audio.items()}
    later = decide(Take.from_arrays(groove.take.tracks, audio, SR))
    sure = [h for h in plan.hits if h.confidence > 0.99]
    moved = {t.id: times(later, t.id) for t in groove.take.tracks}
    off = np.array([np.abs(moved[h.track] - h.time_s - k / SR).min() for h in sure])
    assert np.mean(off < 0.5 / SR) > 0.95
    assert off.max() < 0.5e-3


def test_as_many_workers_as_you_like(groove: MadeTake, plan: Plan) -> None:
    assert decide(groove.take.replace(workers=3)).hits == plan.hits


@pytest.mark.parametrize(
    ("roles", "least"),
    [
        (("kick", "snare", "tom", "overhead"), 0.93),
        (("kick", "snare", "hat", "tom"), 0.93),
        (("tom", "overhead"), 0.9),
        (("tom",), 0.85),
    ],
)
def test_missing_mics(groove: MadeTake, roles: tuple[str, ...], least: float) -> None:
    take = of(groove.take, *roles, audio=groove.audio)
    found = decide(take)
    tracks = [t.id for t in take.of_role("tom")]
    assert f_measure(groove, {t: times(found, t) for t in tracks}, tracks) >= least


def test_both_mics_of_a_drum_get_a_row_with_their_own_time() -> None:
    made = make("groove", 8.0, 303, kick=("in", "out"))
    found = decide(made.take)
    inside, outside = (t.id for t in made.take.of_drum("kick"))
    assert len(times(found, inside)) == len(times(found, outside)) > 0
    late = np.median(times(found, outside) - times(found, inside))
    true = np.median(audible(made, outside)) - np.median(audible(made, inside))
    assert late == pytest.approx(true, abs=0.3e-3)


def test_softest_leaves_out_softer_strokes(groove: MadeTake, plan: Plan) -> None:
    found = decide(groove.take, softest_db=-12.0)
    assert 0 < len(found.hits) < len(plan.hits)
    one = decide(groove.take, tracks={"floor": {"softest_db": -3.0}})
    floor = next(t.id for t in groove.take.of_drum("floor"))
    assert len(one.hits_of(floor)) < len(plan.hits_of(floor))
    assert [h for h in one.hits if h.track != floor] == [h for h in plan.hits if h.track != floor]


def blank(n: int, **audio: np.ndarray) -> Take:
    file = {"n_channels": 1, "n_samples": n, "format": "WAV", "subtype": "PCM_24", "sr": SR}
    tracks = [
        Track(id=f"{d}.wav", files=(AudioFile(path=Path(f"{d}.wav"), name=f"{d}.wav", **file),), role=role, drum=d)  # type: ignore[arg-type]
        for d, role in (("kick", "kick"), ("tom1", "tom"), ("floor", "tom"))
    ]
    return Take.from_arrays(tracks, {t.id: audio.get(t.drum or "", np.zeros(n, np.float32)) for t in tracks}, SR)


def test_silence_has_no_hits_and_nothing_was_played() -> None:
    found = decide(blank(SR))
    assert found.hits == ()
    assert [d.played for d in found.drums] == ["no", "no", "no"]


def test_a_take_of_no_length_or_without_drums() -> None:
    assert decide(blank(0)).hits == ()
    assert decide(Take(name="none", sr=SR, n_samples=SR, tracks=())).hits == ()


def test_plan_names_weights_and_leaks(groove: MadeTake, plan: Plan) -> None:
    figures = plan.figures["detect"]
    assert figures["weights"]
    toms = [t.id for t in groove.take.of_role("tom")]
    assert set(toms) <= set(figures["leaks_db"])
    assert all(figures["leaks_db"][t][groove.take.track(t).drum] == 0.0 for t in toms)
    assert Plan.hits_of(plan, toms[0]) == tuple(h for h in plan.hits if h.track == toms[0])


def test_of_many_doubts_those_are_asked_about_that_change_most() -> None:
    rng = np.random.default_rng(8)
    weights = rng.permutation(np.linspace(0.05, 0.9, 60))
    strokes = [
        Question(code="detect.hit", text=f"{k}", track="t", time_s=float(k), weight=float(w))
        for k, w in enumerate(weights)
    ]
    drum = Question(code="detect.drum", text="?", track="t", weight=FIRST_QUESTION)
    kept = those_that_matter([*strokes[:9], drum, *strokes[9:]], 120.0)
    assert drum in kept
    heard = [q for q in kept if q is not drum]
    assert [q.time_s for q in heard] == sorted(q.time_s for q in heard)
    assert sorted(q.weight for q in heard) == sorted(weights)[-30:]
    assert len(those_that_matter(strokes, 4.0)) == 3
    assert those_that_matter(strokes[:2], 0.0) == tuple(strokes[:2])
