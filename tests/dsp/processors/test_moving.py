"""Polarity alone, overheads in step, rooms at a chosen distance: what they add to the alignment."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from spillgate.dsp import Alignment, Chain, Context, Plan, Take, Track, testing
from spillgate.dsp.chain import begin
from spillgate.dsp.core.audio.interpolation import delay
from spillgate.dsp.plan.corrections import Corrections, DelayEdit
from spillgate.dsp.processors.moving import Extra, with_moves
from spillgate.dsp.processors.overheads import Overheads
from spillgate.dsp.processors.polarity import Polarity
from spillgate.dsp.processors.rooms import Rooms
from spillgate.dsp.running import load_steps
from spillgate.dsp.steps.move import MoveStep

SR = testing.SR
LEFT, RIGHT = "overhead left.wav", "overhead right.wav"


def row(track: str, **changes: Any) -> Alignment:
    plain: dict[str, Any] = {
        "track": track, "measured_samples": 0.0, "measured_polarity": 1, "delay_samples": 0.0, "polarity": 1,
        "target": "", "margin": 9.0, "confidence": "sure", "applied": False,
    }  # fmt: skip
    plain.update(changes)
    plain["applied"] = plain["delay_samples"] != 0 or plain["polarity"] != 1
    return Alignment(**plain)


def planned(take: Take, *rows: Alignment, **align: Any) -> Plan:
    return begin(take).replace(alignments=rows).with_figures("align", align)


def move_of(take: Take, plan: Plan, track: str) -> tuple[float, int]:
    """What the render does to a track, all processors together."""
    steps = [r.step for r in load_steps(take.track(track), plan)]
    moves = [s for s in steps if isinstance(s, MoveStep)]
    assert len(moves) <= 1
    return (moves[0].delay_samples, moves[0].polarity) if moves else (0.0, 1)


# polarity


def test_only_what_is_surely_reversed_is_turned() -> None:
    take = testing.small_take()
    plan = planned(
        take,
        row("kick.wav", measured_polarity=-1),
        row("snare.wav", measured_polarity=-1, confidence="likely"),
        row("tom.wav", measured_polarity=-1, polarity=-1),  # align has done so already
    )
    after = Polarity().decide(take, plan)
    assert {t: move_of(take, after, t) for t in ("kick.wav", "snare.wav")} == {
        "kick.wav": (0.0, -1),
        "snare.wav": (0.0, 1),
    }
    rows = {a.track: a for a in after.alignments}
    assert (rows["kick.wav"].polarity, rows["kick.wav"].applied, rows["kick.wav"].reason) == (-1, True, "turned round")
    assert "tom.wav" not in after.steps
    assert rows["tom.wav"] == plan.alignments[2]


def test_polarity_by_hand_for_single_tracks() -> None:
    take = testing.small_take()
    plan = planned(take, row("kick.wav", measured_polarity=-1))
    chosen = Polarity(tracks={"kick.wav": {"turn": "no"}, LEFT: {"turn": "yes"}})
    assert set(chosen.decide(take, plan).steps) == {LEFT}


def test_a_turned_track_adds_to_its_overhead_instead_of_cancelling() -> None:
    # sum of a signal and its reversed copy is nothing, turned round it is twice as much (6.02 dB): definition
    take = testing.small_take()
    x = take.read(take.track("tom.wav"), dtype="float64")
    after = Polarity().decide(take, planned(take, row("tom.wav", measured_polarity=-1)))
    (run,) = load_steps(take.track("tom.wav"), after)
    context = Context(start=0, n_out=len(x), sr=SR, n_samples=len(x), track="tom.wav", arrays={}, read=lambda *a: x)
    turned = run.step.apply(-x, context)
    assert 20 * np.log10(np.std(turned + x) / np.std(x)) == pytest.approx(6.0206, abs=1e-4)


# overheads in step


def pair(samples: float, confidence: str = "sure", **more: Any) -> dict[str, Any]:
    cm = samples / SR * 34_300
    return {"snare_mismatch": {"samples": samples, "cm": cm, "uncertainty_cm": 1.0, "confidence": confidence}, **more}


@pytest.mark.parametrize("samples", [10.0, 7.35, -12.6])
def test_the_snare_arrives_in_both_at_once(samples: float) -> None:
    # planted by delaying one overhead with scipy's Fourier shift; judged by scipy's correlation with parabola
    rng = np.random.default_rng(1)
    burst = signal.sosfilt(signal.butter(4, [200, 8000], "bandpass", fs=SR, output="sos"), rng.normal(size=SR // 4))
    burst = np.pad(burst * np.exp(-np.arange(len(burst)) / 2000), 2000)
    f = np.fft.rfftfreq(len(burst))

    def later(n: float) -> NDArray[np.float64]:
        return np.fft.irfft(np.fft.rfft(burst) * np.exp(-2j * np.pi * f * n), len(burst))

    take = testing.small_take()
    sides = {LEFT: later(max(-samples, 0.0)), RIGHT: later(max(samples, 0.0))}
    plan = Overheads().decide(take, planned(take, **pair(samples)))
    moved = {}
    for track, x in sides.items():
        d, polarity = move_of(take, plan, track)
        assert polarity == 1
        moved[track] = delay(x, d)
    c = signal.correlate(moved[RIGHT], moved[LEFT])
    k = int(np.argmax(c))
    top = 0.5 * (c[k - 1] - c[k + 1]) / (c[k - 1] - 2 * c[k] + c[k + 1])
    assert abs(k + top - (len(burst) - 1)) < 0.02
    nearer = LEFT if samples > 0 else RIGHT
    assert plan.figures["overheads"] == {"moved": nearer, "samples": abs(samples)}
    assert [a.track for a in plan.alignments] == [nearer]


def test_close_mics_go_with_their_overhead() -> None:
    take = testing.small_take()
    rows = (
        row("snare.wav", delay_samples=100.0, target=LEFT, reason="own delay"),
        row("tom.wav", delay_samples=90.0, target=RIGHT, reason="own delay"),
        row("kick.wav", delay_samples=100.0, target=RIGHT, reason="moves with the snare, own delay not sure"),
    )
    after = Overheads().decide(take, planned(take, *rows, **pair(8.0)))
    found = {a.track: a.delay_samples for a in after.alignments}
    assert found == {"snare.wav": 108.0, "tom.wav": 90.0, "kick.wav": 108.0, LEFT: 8.0}


def test_after_moving_the_overheads_the_farther_one_comes_earlier() -> None:
    take = testing.small_take()
    rows = (
        row("snare.wav", target=LEFT),
        row(LEFT, delay_samples=-100.0, reason="comes earlier by the snare's delay"),
        row(RIGHT, delay_samples=-100.0, reason="comes earlier by the snare's delay"),
    )
    after = Overheads().decide(take, planned(take, *rows, **pair(8.0)))
    assert {a.track: a.delay_samples for a in after.alignments} == {"snare.wav": 0.0, LEFT: -100.0, RIGHT: -108.0}


@pytest.mark.parametrize(
    "figures",
    [{}, pair(0.5), pair(80.0), pair(8.0, "likely"), pair(8.0, "unsure")],
    ids=["none", "small", "large", "likely", "unsure"],
)
def test_what_is_not_sure_or_was_meant_is_left_alone(figures: dict[str, Any]) -> None:
    take = testing.small_take()
    assert Overheads().decide(take, planned(take, **figures)).steps == {}


@pytest.mark.parametrize(
    "reason",
    ["moves with the drum's other microphone (kick.wav)", "same delay as the drum's other microphone (kick.wav)"],
)
@pytest.mark.parametrize(("target", "goes"), [(LEFT, True), (RIGHT, False)])
def test_the_mics_of_one_drum_go_together(reason: str, target: str, goes: bool) -> None:
    take = testing.small_take()
    # the tom's mic stands in for a second mic of the kick; the snare follows the left overhead, which is delayed
    tracks = tuple(dataclasses.replace(t, role="kick", drum="kick") if t.id == "tom.wav" else t for t in take.tracks)
    take = take.replace(tracks=tracks)
    rows = (
        row("snare.wav", delay_samples=140.0, target=LEFT, reason="own delay"),
        row("kick.wav", delay_samples=150.0, target=target, reason="own delay"),
        row("tom.wav", delay_samples=120.0, target=LEFT, confidence="unsure", reason=reason),
    )
    after = Overheads().decide(take, planned(take, *rows, **pair(8.0)))
    moved = {track: move_of(take, after, track)[0] for track in ("snare.wav", "kick.wav", "tom.wav")}
    assert moved == {"snare.wav": 8.0, "kick.wav": 8.0 if goes else 0.0, "tom.wav": 8.0 if goes else 0.0}


def test_likely_is_enough_if_that_is_accepted() -> None:
    take = testing.small_take()
    after = Overheads(accept="likely").decide(take, planned(take, **pair(8.0, "likely")))
    assert move_of(take, after, LEFT) == (8.0, 1)


# rooms


def room_take() -> Take:
    """The small take with two room mics in the overheads' place."""
    take = testing.small_take()
    return take.replace(tracks=tuple(dataclasses.replace(t, role="room") if t.position else t for t in take.tracks))


@pytest.mark.parametrize("later_ms", [12.0, -3.0, 0.51])
def test_rooms_are_heard_so_much_later(later_ms: float) -> None:
    take = room_take()
    after = Rooms(later_ms=later_ms).decide(take, planned(take, row(LEFT, delay_samples=2.5)))
    assert move_of(take, after, LEFT) == move_of(take, after, RIGHT)
    samples, polarity = move_of(take, after, RIGHT)
    assert (samples.is_integer(), polarity) == (True, 1)  # keeps the bits
    x = take.read(take.track(RIGHT), dtype="float64")
    lags = signal.correlation_lags(len(x), len(x))
    # the lag at which scipy's correlation of the moved track and the original is greatest; half a sample of rounding
    lag = lags[np.argmax(signal.correlate(delay(x, samples), x))]
    assert abs(1000 * lag / SR - later_ms) <= 0.5 * 1000 / SR
    assert {a.track: a.delay_samples for a in after.alignments} == {LEFT: 2.5 + samples, RIGHT: samples}


def test_rooms_stay_where_they_are_unless_asked() -> None:
    take = room_take()
    assert Rooms().decide(take, planned(take)) == planned(take)


def test_rooms_keep_the_contract_with_rooms() -> None:
    testing.check_processor(Rooms, dataclasses.replace(room_take()))


# together


def test_moves_add_up_in_the_table_and_in_the_render() -> None:
    take = testing.small_take()
    plan = planned(take, row("tom.wav", delay_samples=5.5, reason="own delay"))
    plan = with_moves(plan, "a", {"tom.wav": Extra(2.0, -1, "first"), "kick.wav": Extra(0.0, 1, "nothing")})
    plan = with_moves(plan, "b", {"tom.wav": Extra(-0.5, -1, "second")})
    assert set(plan.steps) == {"tom.wav"}
    assert move_of(take, plan, "tom.wav") == (1.5, 1)  # without align's own step, which this plan does not have
    assert (plan.alignments[0].delay_samples, plan.alignments[0].polarity) == (7.0, 1)
    assert plan.alignments[0].reason == "own delay; first; second"


def test_the_engineer_s_delay_is_the_last_word() -> None:
    take = testing.small_take()
    chain = Chain.from_dict(
        {
            "chain": [
                {"processor": "detect"},
                {"processor": "align", "params": {"move": "none"}},
                {"processor": "polarity", "params": {"turn": "yes"}},
            ]
        }
    )
    by_hand = Corrections(delays=(DelayEdit(track="tom.wav", samples=3.0, polarity=1),))
    plan = chain.decide(take, corrections=by_hand)
    track: Track = take.track("tom.wav")
    assert move_of(take, plan, track.id) == (3.0, 1)
    assert next(a for a in plan.alignments if a.track == track.id).reason == "set by hand"
    assert move_of(take, plan, "kick.wav") == (0.0, -1)
