"""Kick and snare: every hit as it was, so many dB less in between."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from spillgate.dsp import Hit, Plan, Take, testing
from spillgate.dsp.chain import begin
from spillgate.dsp.plan import DrumState, Span
from spillgate.dsp.processors.ease import Ease
from spillgate.dsp.steps.base import Context
from spillgate.dsp.steps.mask import MaskStep
from spillgate.dsp.synth import KITS, Room, make_take, perform
from spillgate.dsp.take.features import measure

SR = testing.SR
SNARE = (0.3, 1.1, 1.9)


def planned(confidence: float = 1.0) -> tuple[Take, Plan]:
    """The small take's mics with a snare that is struck every 0.8 s and rings into steady bleed 40 dB under it."""
    small = testing.small_take()
    n = round(2.6 * SR)
    rng = np.random.default_rng(5)
    audio = {t.id: rng.normal(0, 1e-4, n).astype(np.float32) for t in small.tracks}
    x = rng.normal(0, 0.003, n)
    for t in SNARE:
        age = np.arange(n - round(t * SR)) / SR
        x[round(t * SR) :] += 0.5 * np.exp(-age / 0.04) * np.sin(2 * np.pi * 190 * age)
    audio["snare.wav"] = x.astype(np.float32)
    take = measure(Take.from_arrays(small.tracks, audio, SR), Ease.features)
    hits = tuple(Hit(track="snare.wav", drum="snare", time_s=t, level_db=0.0, confidence=confidence) for t in SNARE)
    return take, begin(take).with_hits(hits)


def rendered(take: Take, plan: Plan, track: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x = take.read(take.track(track), dtype="float64")
    (spec,) = plan.steps[track]
    before, after = MaskStep().margins(take.sr)
    context = Context(
        start=0, n_out=len(x), sr=take.sr, n_samples=len(x), track=track,
        arrays={k: plan.arrays[v] for k, v in spec.arrays.items()}, read=lambda *a: x,
    )  # fmt: skip
    return x, MaskStep(**spec.params).apply(np.concatenate([np.zeros(before), x, np.zeros(after)]), context)


@pytest.mark.parametrize("down_db", [3.0, 6.0, 12.0])
def test_so_many_db_less_between_hits_and_the_attack_bit_for_bit(down_db: float) -> None:
    take, plan = planned()
    x, y = rendered(take, Ease(down_db=down_db).decide(take, plan), "snare.wav")
    a, b = round(0.9 * SR), round(1.05 * SR)
    # x dB are a factor of 10^(x/20) (definition)
    np.testing.assert_allclose(20 * np.log10(np.std(y[a:b]) / np.std(x[a:b])), -down_db, atol=0.02)
    for t in SNARE:
        a, b = round((t - 0.0004) * SR), round((t + 0.0075) * SR)
        assert np.array_equal(x[a:b], y[a:b])
        a, b = round((t + 0.01) * SR), round((t + 0.08) * SR)
        # no band is turned down while it is open; open for 0.12 s at least
        np.testing.assert_allclose(y[a:b], x[a:b], atol=1e-4)


def test_soft_and_doubtful_hits_open_it_too() -> None:
    take, plan = planned(confidence=0.15)
    x, y = rendered(take, Ease().decide(take, plan), "snare.wav")
    a = round(SNARE[1] * SR)
    assert np.array_equal(x[a : a + 300], y[a : a + 300])


def test_what_is_left_alone() -> None:
    take, plan = planned()
    assert Ease(down_db=0.0).decide(take, plan).steps == {}
    assert Ease(sure=1.0).decide(*planned(0.5)).steps == {}
    unclear = DrumState(drum="snare", tracks=("snare.wav",), best_confidence=1.0, strokes="unclear")
    assert Ease().decide(take, plan.replace(drums=(unclear,))).steps == {}
    assert set(Ease().decide(take, plan).steps) == {"snare.wav"}  # no hits are known of the kick, a tom is the gate's


def test_the_engineer_s_spans_are_obeyed() -> None:
    take, plan = planned()
    spans = (
        Span(track="snare.wav", start_s=0.80, stop_s=1.00, keep=True),
        Span(track="snare.wav", start_s=1.55, stop_s=1.80, keep=False),
    )
    x, y = rendered(take, Ease().decide(take, plan.replace(spans=spans)), "snare.wav")
    a, b = round(0.82 * SR), round(0.98 * SR)
    np.testing.assert_allclose(y[a:b], x[a:b], atol=1e-9)
    assert not y[round(1.65 * SR) : round(1.70 * SR)].any()


def test_a_ring_that_is_wanted_longer_is_kept() -> None:
    take, plan = planned()
    longer = tuple(Hit(**{**h.__dict__, "ring_until_s": 0.9}) if h.time_s == SNARE[0] else h for h in plan.hits)
    x, y = rendered(take, Ease().decide(take, plan.with_hits(longer)), "snare.wav")
    a, b = round(0.7 * SR), round(0.85 * SR)
    np.testing.assert_allclose(y[a:b], x[a:b], atol=1e-9)


def test_every_ghost_note_of_a_made_take_stays_open() -> None:
    kit = KITS["rock"]
    made = make_take(
        kit, Room(size_m=(5.2, 6.1, 2.8), origin_m=(2.5, 1.7), rt60_s=0.3),
        perform("groove", 5.0, 5, drums=kit.drums), SR, 5, spread_cm=0.0,
    )  # fmt: skip
    take = measure(made.take, Ease.features)
    hits = tuple(
        Hit(track=t, drum=drum, time_s=time_s, level_db=level_db, confidence=0.5)
        for t, rows in made.arrivals.items()
        for time_s, drum, level_db, _ in rows
    )
    plan = Ease().decide(take, begin(take).with_hits(hits))
    snares = [t.id for t in take.of_role("snare")]
    assert set(plan.steps) >= set(snares)
    soft = 0
    for track in snares:
        x, y = rendered(take, plan, track)
        for time_s, _, level_db, _ in made.arrivals[track]:
            soft += level_db < -15.0
            a = round(time_s * SR)
            assert np.array_equal(x[a : a + 340], y[a : a + 340])
        loss_db = 10 * np.log10(np.sum(y**2) / np.sum(x**2))
        assert -0.5 < loss_db <= 0.0
    assert soft >= 3
