import dataclasses
import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from spillgate.dsp.chain import Chain
from spillgate.dsp.core.cleaning.softmask import gain_jump_db
from spillgate.dsp.plan.model import Span
from spillgate.dsp.processors.gate import Gate
from spillgate.dsp.processors.spill import Spill
from spillgate.dsp.registry import get_processor
from spillgate.dsp.take.features import measure
from spillgate.dsp.take.model import Take, Track
from spillgate.dsp.testing import check_processor

SR = 44_100


def _neighbour():
    """The made take of the gate's tests, from the file beside this one."""
    path = Path(__file__).with_name("test_gate.py")
    spec = importlib.util.spec_from_file_location("gate_take", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["gate_take"] = module
    spec.loader.exec_module(module)
    return module


gate_take = _neighbour()


@pytest.fixture(scope="module")
def made():
    take, own = gate_take.make(gate_take.STROKES, raised_db=10.0)
    take = measure(take, Spill.features)
    plan = gate_take.plan_of(take, gate_take.STROKES)
    return take, own, plan


@pytest.fixture(scope="module")
def gated(made):
    take, _, plan = made
    return Gate().decide(take, plan)


@pytest.fixture(scope="module")
def lowered(made, gated):
    return Spill().decide(made[0], gated)


def quality(made, plan, name):
    take, own, _ = made
    return gate_take.si_sdr(gate_take.rendered(take, plan, name), own[name])


@pytest.mark.parametrize("name", ["tom1.wav", "floor.wav"])
def test_better_than_the_gate_and_than_any_hand_edit(made, gated, lowered, name):
    take, own, _ = made
    edited = gate_take.hand_edit(take.read(take.track(name), dtype="float64"), own[name], gate_take.STROKES[name[:-4]])
    assert quality(made, lowered, name) > quality(made, gated, name)
    assert quality(made, lowered, name) > gate_take.si_sdr(edited, own[name]) + 2.5


def test_replaces_the_gates_mask(lowered):
    for name in ("tom1.wav", "floor.wav"):
        (step,) = lowered.steps[name]
        assert step.by == "spill"
        assert set(step.arrays) == {"gains", "cuts", "cancel"}
    assert not [k for k in lowered.arrays if k.startswith("gate/")]


def test_attacks_pass_bit_for_bit_and_nothing_sounds_before_them(made, lowered):
    take, _, _ = made
    for name in ("tom1.wav", "floor.wav"):
        x, y = take.read(take.track(name), dtype="float64"), gate_take.rendered(take, lowered, name)
        for time in gate_take.STROKES[name[:-4]]:
            at = round(time * SR)
            assert np.array_equal(y[at - 20 : at + 330], x[at - 20 : at + 330])
            before = slice(at - 882, at - 66)
            assert np.sum(y[before] ** 2) <= np.sum(x[before] ** 2) * 1.02 + 1e-9


def test_figures_say_how_much_and_how_calm(made, lowered):
    take, _, _ = made
    for name in ("tom1.wav", "floor.wav"):
        f = lowered.figures["spill"][name]
        assert f["mask"] == "spill"
        assert f["under_ring_db"] > 3
        assert f["cancelled_db"] > 1
        assert 0 < f["gain_jump_db"] < 6
        mask = lowered.arrays[f"spill/{name}/gains"] / 65535
        x = take.features["band_powers"][name].T
        assert gain_jump_db(mask, x) < 6


def test_the_limit_holds(made, gated):
    take, _, _ = made
    removed = []
    for limit in (6.0, 12.0, None):
        f = Spill(limit_db=limit).decide(take, gated).figures["spill"]["tom1.wav"]
        removed.append(f["under_ring_db"])
    assert removed[0] < removed[1] < removed[2]
    assert removed[0] <= 6.5


def test_without_cancelling(made, gated):
    after = Spill(cancel=False).decide(made[0], gated)
    assert set(after.steps["tom1.wav"][0].arrays) == {"gains", "cuts"}
    assert quality(made, after, "tom1.wav") > quality(made, gated, "tom1.wav")


def test_tracks_it_cannot_trust_keep_the_gates_mask(made, gated):
    take, _, plan = made
    few = tuple(h for h in plan.hits if h.drum != "tom1" or h.time_s < 2.3)
    before = Gate().decide(take, plan.with_hits(few))
    after = Spill().decide(take, before)
    assert after.steps["tom1.wav"] == before.steps["tom1.wav"]
    assert after.steps["floor.wav"][0].by == "spill"
    f = after.figures["spill"]["tom1.wav"]
    assert (f["mask"], f["kept"]) == ("gate", "only 2 hits, 4 are needed to know its ring")
    # hits in doubt do not count
    doubted = tuple(
        dataclasses.replace(h, confidence=0.5) if h.drum == "tom1" and h.time_s > 2.3 else h for h in plan.hits
    )
    f = Spill().decide(take, plan.with_hits(doubted)).figures["spill"]["tom1.wav"]
    assert (f["mask"], f["kept"]) == ("gate", "only 2 clear hits, 4 are needed to know its ring")
    # asked for without the gate, it makes that mask itself
    alone = Spill().decide(take, plan.with_hits(few))
    assert np.array_equal(alone.arrays["spill/tom1.wav/gains"], before.arrays["gate/tom1.wav/gains"])


def test_bleed_that_no_other_mic_hears_is_said(made):
    take, _, plan = made
    rng = np.random.default_rng(5)
    audio = {t.id: take.read(t).copy() for t in take.tracks}
    stabs = np.zeros(take.n_samples, np.float32)
    for at in rng.uniform(0, 13, 12):
        a = round(at * SR)
        stabs[a : a + 6000] += 0.2 * np.sin(2 * np.pi * 330 * np.arange(6000) / SR)
    audio["tom1.wav"] += stabs  # a guitar on the stage
    spoilt = measure(type(take).from_arrays(take.tracks, audio, SR), Spill.features)
    after = Spill().decide(spoilt, plan)
    (finding,) = [f for f in after.findings if f.track == "tom1.wav"]
    assert finding.code == "spill.unexplained"
    assert finding.value > 45
    assert after.figures["spill"]["tom1.wav"]["mask"] == "gate"
    assert not [f for f in after.findings if f.track == "floor.wav"]


def test_never_played_doubtful_and_unclear_are_treated_as_by_the_gate(made):
    take, _, plan = made
    hits = tuple(h for h in plan.hits if h.drum != "tom1")
    quiet = gate_take.state(plan.with_hits(hits), "tom1", played="no", best_confidence=0.2)
    quiet = gate_take.state(quiet, "floor", strokes="unclear")
    both = Spill().decide(take, Gate().decide(take, quiet))
    assert both.steps["tom1.wav"][0].by == "gate"
    assert "floor.wav" not in both.steps
    assert [q.code for q in both.questions] == ["gate.unclear"]
    assert not gate_take.rendered(take, Spill().decide(take, quiet), "tom1.wav").any()


def test_the_engineers_corrections_are_obeyed(made, gated):
    take, _, plan = made
    last = max(h.time_s for h in plan.hits if h.drum == "tom1")
    kept = [
        dataclasses.replace(h, ring_until_s=10.3) if h.time_s == last and h.drum == "tom1" else h for h in plan.hits
    ]
    after = Spill().decide(take, gated.with_hits(tuple(kept)))
    closes = [b for a, b in after.figures["spill"]["tom1.wav"]["spans"] if a > 10]
    assert closes[0] == pytest.approx(10.36, abs=0.04)


def test_a_gain_of_two_changes_no_decision(made, lowered):
    take, _, plan = made
    louder = type(take).from_arrays(take.tracks, {t.id: 2 * take.read(t) for t in take.tracks}, SR)
    again = Spill().decide(measure(louder, Spill.features), plan)
    assert again.figures["spill"]["tom1.wav"]["spans"] == lowered.figures["spill"]["tom1.wav"]["spans"]
    a, b = again.arrays["spill/tom1.wav/gains"], lowered.arrays["spill/tom1.wav/gains"]
    assert np.abs(a.astype(int) - b.astype(int)).max() < 200  # the fit is done in single precision


def test_is_registered_and_stands_in_a_chain():
    assert get_processor("spill") is Spill
    Chain.from_names(("detect", "gate", "spill"))


def test_keeps_the_contract():
    check_processor(Spill)


@pytest.mark.parametrize(("start_s", "stop_s"), [(2.5, 2.9), (0.0, 2.3), (13.0, 14.0)])
def test_a_span_that_is_kept_passes_bit_for_bit(made, gated, start_s, stop_s):
    take, _, _ = made
    spans = (Span(track="tom1.wav", start_s=start_s, stop_s=stop_s, keep=True),)
    after = Spill().decide(take, gated.replace(spans=spans))
    before = Spill().decide(take, gated)
    x, y = take.read(take.track("tom1.wav"), dtype="float64"), gate_take.rendered(take, after, "tom1.wav")
    kept = slice(round(start_s * SR), round(stop_s * SR))
    assert np.array_equal(y[kept], x[kept])
    # a second away nothing has changed
    z = gate_take.rendered(take, before, "tom1.wav")
    far = np.ones(len(x), bool)
    far[max(round((start_s - 1) * SR), 0) : round((stop_s + 1) * SR)] = False
    assert np.array_equal(y[far], z[far])


def guitar():
    """Broken chords on two strings, a stroke every 1.3 s, through an amplifier that clips: nothing a drum mic hears."""
    t, rng = np.arange(round(1.5 * SR)) / SR, np.random.default_rng(3)
    x = np.zeros(gate_take.N)
    for k, at in enumerate(np.arange(0.1, 13.8, 1.3)):
        hz = (110.0, 146.8, 164.8, 130.8)[k % 4]
        string = sum(np.sin(2 * np.pi * n * hz * t + rng.uniform(0, 6)) / n for n in range(1, 12)) * np.exp(-t / 0.5)
        a = round(at * SR)
        x[a : a + len(t)] += string[: gate_take.N - a]
    return np.tanh(1.5 * x)


@pytest.fixture(scope="module")
def on_stage():
    """A guitar stands beside the kit: as loud in the tom mics as the toms' rings, and on a track of its own."""
    kit, own = gate_take.make(gate_take.STROKES)
    loud = guitar()
    audio = {t.id: kit.read(t, dtype="float64") for t in kit.tracks}
    drums = sum(audio.values())
    for name, late in (("tom1.wav", 260), ("floor.wav", 310)):
        audio[name] = audio[name] + 0.06 * np.roll(loud, late)
    audio["guitar.wav"] = 0.3 * loud + 0.01 * np.roll(drums, 280)
    file = dataclasses.replace(kit.tracks[0].file, path=Path("guitar.wav"), name="guitar.wav")

    def take(explains):
        tracks = [*kit.tracks, Track(id="guitar.wav", files=(file,), role="other", explains=explains)]
        made = Take.from_arrays(tracks, {k: v.astype(np.float32) for k, v in audio.items()}, SR)
        return measure(made, Spill.features)

    return take, own


def test_a_track_that_is_no_drum_explains_its_bleed_when_asked(on_stage):
    take, own = on_stage
    reached, shares = {}, {}
    for explains in (False, True):
        it = take(explains)
        plan = Spill().decide(it, Gate().decide(it, gate_take.plan_of(it, gate_take.STROKES)))
        names = ("tom1.wav", "floor.wav")
        reached[explains] = [gate_take.si_sdr(gate_take.rendered(it, plan, n), own[n]) for n in names]
        shares[explains] = [plan.figures["spill"][n]["unexplained_pct"] for n in names]
        assert ("guitar.wav" in it.features["band_powers"]) is explains
        assert not plan.steps.get("guitar.wav")
        asked = {f.track for f in plan.findings if "explains = true" in f.advice}
        assert asked == (set() if explains else set(names))
    for without, with_it in zip(reached[False], reached[True], strict=True):
        assert with_it > without + 5.0
    assert min(shares[False]) > 25.0
    assert max(shares[True]) < 2.0
