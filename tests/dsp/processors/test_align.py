"""The align processor on made takes whose delays are known exactly."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from spillgate.dsp.chain import begin
from spillgate.dsp.plan.model import Hit, Plan
from spillgate.dsp.processors.align import Align
from spillgate.dsp.take.model import AudioFile, Take, Track

SR = 44_100
DRUMS = {  # drum: (role, tone Hz, delay to left, to right)
    "kick": ("kick", 65.0, 190.0, 186.0),
    "snare": ("snare", 190.0, 150.3, 161.8),
    "tom1": ("tom", 120.0, 140.6, 172.2),
    "floor": ("tom", 80.0, 205.1, 149.4),
}
ORDER = ("snare", "kick", "tom1", "snare", "floor", "kick", "snare", "tom1", "floor")


def late(x: np.ndarray, samples: float) -> np.ndarray:
    n = 2 * len(x)
    return np.fft.irfft(np.fft.rfft(x, n) * np.exp(-2j * np.pi * np.fft.rfftfreq(n) * samples), n)[: len(x)]


def made(**without: Any) -> tuple[Take, Plan]:
    """A short take: drums struck alone; the snare has a bottom, opposite microphone 8 samples later."""
    rng = np.random.default_rng(5)
    n = SR * 6
    dry = {d: np.zeros(n) for d in DRUMS}
    hits: list[tuple[str, int]] = []
    for k in range(18):
        drum, at = ORDER[k % len(ORDER)], 8000 + 12000 * k
        t = np.arange(9000) / SR
        tone = np.sin(2 * np.pi * DRUMS[drum][1] * t) * np.exp(-t / 0.08)
        dry[drum][at : at + 9000] += 0.3 * tone + 0.3 * rng.standard_normal(9000) * np.exp(-t / 0.003)
        hits.append((drum, at))
    noise = lambda: 3e-4 * rng.standard_normal(n)  # noqa: E731
    audio = {d: x + 0.01 * sum(v for k, v in dry.items() if k != d) + noise() for d, x in dry.items()}
    audio["bottom"] = -0.6 * late(dry["snare"], 8.0) + noise()
    audio["left"] = sum(0.3 * late(x, DRUMS[d][2]) for d, x in dry.items()) + noise()
    audio["right"] = sum(0.3 * late(x, DRUMS[d][3]) for d, x in dry.items()) + noise()
    audio["room"] = sum(0.2 * late(x, 700.0) for x in dry.values()) + noise()
    audio["trig"] = dry["snare"]
    roles: dict[str, tuple[str, str | None, str | None]] = {
        "kick": ("kick", "kick", None),
        "snare": ("snare", "snare", "top"),
        "bottom": ("snare", "snare", "bottom"),
        "tom1": ("tom", "tom1", None),
        "floor": ("tom", "floor", None),
        "left": ("overhead", None, "left"),
        "right": ("overhead", None, "right"),
        "room": ("room", None, None),
        "trig": ("trigger", "snare", None),
    }
    for name in without.get("leave_out", ()):
        del roles[name]
    for name, shift in without.get("shift", {}).items():
        audio[name] = np.roll(audio[name], shift)
    for name in without.get("turn", ()):
        audio[name] = -audio[name]
    tracks = []
    for name, (role, drum, position) in roles.items():
        file = AudioFile(path=Path(name), name=name, sr=SR, n_channels=1, n_samples=n, format="WAV", subtype="PCM_24")
        tracks.append(Track(id=name, files=(file,), role=role, drum=drum, position=position))
    take = Take.from_arrays(tracks, {k: v.astype(np.float32) for k, v in audio.items()}, SR)
    found = []
    for drum, at in hits:
        for name, (role, d, _) in roles.items():
            if d == drum and role != "trigger":
                time = (at + (8 if name == "bottom" else 0) + without.get("shift", {}).get(name, 0)) / SR
                found.append(Hit(track=name, drum=drum, time_s=time, level_db=0.0, confidence=1.0))
    return take, begin(take).with_hits(tuple(found))


@pytest.fixture(scope="module")
def kit() -> tuple[Take, Plan]:
    return made()


def delays(plan: Plan) -> dict[str, tuple[float, int]]:
    return {t: (s[0].params["delay_samples"], s[0].params["polarity"]) for t, s in plan.steps.items()}


def rows(plan: Plan) -> Mapping[str, Any]:
    return {a.track: a for a in plan.alignments}


def test_every_close_mic_meets_its_nearer_overhead(kit: tuple[Take, Plan]) -> None:
    plan = Align().decide(*kit)
    found, told = delays(plan), rows(plan)
    for name, true in {"snare": 150.3, "bottom": 142.3, "tom1": 140.6, "floor": 149.4}.items():
        assert told[name].confidence == "sure"
        assert found[name][0] == pytest.approx(true, abs=0.05)
        assert found[name][0] == told[name].delay_samples
        assert found[name][1] == (-1 if name == "bottom" else 1)
    assert [told[n].target for n in ("snare", "tom1", "floor")] == ["left", "left", "right"]
    assert not {"left", "right", "room", "trig"} & set(found)
    figures = plan.figures["align"]
    assert figures["kit_later_ms"] == pytest.approx(1000 * 150.3 / SR, abs=0.01)
    assert figures["snare_mismatch"]["samples"] == pytest.approx(11.5, abs=0.1)
    assert figures["sides"] == {"tom1": "L", "floor": "R"}
    assert figures["swapped"]["suspicion"] is False
    assert figures["flipped"] == []


def test_reversed_late_and_opposite_channels_come_out_right() -> None:
    plan = Align().decide(*made(turn=("tom1", "right"), shift={"floor": 400}))
    found = delays(plan)
    assert found["tom1"] == (pytest.approx(140.6, abs=0.05), -1)
    assert found["floor"][0] == pytest.approx(149.4 - 400, abs=0.05)
    assert found["snare"] == (pytest.approx(150.3, abs=0.05), 1)
    figures = plan.figures["align"]
    assert figures["overheads_sign"]["sign"] == -1
    assert list(figures["unusual_arrival_ms"]) == ["floor"]
    (question,) = [q for q in plan.questions if q.code == "align.overheads"]
    assert question.text == "right: is its polarity opposite to left?"
    assert found["floor"][1] == 1  # its target is the reversed overhead, and that is not its own fault


def test_which_of_two_opposite_overheads_is_the_wrong_one_the_drums_say() -> None:
    plan = Align().decide(*made(turn=("left",)))
    assert {t: p for t, (_, p) in delays(plan).items()} == {t: -1 if t == "bottom" else 1 for t in delays(plan)}
    (question,) = [q for q in plan.questions if q.code == "align.overheads"]
    assert (question.track, question.text) == ("left", "left: is its polarity opposite to right?")
    assert plan.figures["align"]["flipped"] == []


@pytest.mark.parametrize("turned", [("snare", "bottom", "tom1"), ("tom1", "floor"), ("snare", "bottom", "floor")])
def test_two_reversed_mics_do_not_make_the_third_the_wrong_one(turned: tuple[str, ...]) -> None:
    plan = Align().decide(*made(turn=turned))
    assert plan.figures["align"]["flipped"] == [t for t in turned if t != "bottom"]
    assert {t for t, (_, p) in delays(plan).items() if p < 0} == {"bottom", *turned} - {
        t for t in ("bottom",) if "bottom" in turned
    }


def test_whole_samples_and_targets(kit: tuple[Take, Plan]) -> None:
    whole = delays(Align(whole_samples=True).decide(*kit))
    assert {t: v[0] for t, v in whole.items() if t != "kick"} == {
        "snare": 150.0,
        "bottom": 142.0,
        "tom1": 141.0,
        "floor": 149.0,
    }
    right = delays(Align(target="right").decide(*kit))
    assert right["snare"][0] == pytest.approx(161.8, abs=0.05)
    mean = delays(Align(tracks={"tom1": {"target": "mean"}}).decide(*kit))
    assert mean["tom1"][0] == pytest.approx((140.6 + 172.2) / 2, abs=0.05)
    assert mean["snare"][0] == pytest.approx(150.3, abs=0.05)


def test_overheads_and_room_move_as_one(kit: tuple[Take, Plan]) -> None:
    plan = Align(move="overheads").decide(*kit)
    found = delays(plan)
    for name in ("left", "right", "room"):
        assert found[name] == (pytest.approx(-150.3, abs=0.05), 1)
    assert found["bottom"] == (0.0, -1)  # only turned round
    assert not {"snare", "tom1", "floor", "trig"} & set(found)
    assert plan.figures["align"]["kit_later_ms"] == 0.0
    assert rows(plan)["room"].applied


def test_only_measured(kit: tuple[Take, Plan]) -> None:
    plan = Align(move="none").decide(*kit)
    assert not plan.steps
    assert rows(plan)["snare"].measured_samples == pytest.approx(150.3, abs=0.05)
    one = Align(tracks={"tom1": {"move": "none"}}).decide(*kit)
    assert "tom1" not in one.steps
    assert "snare" in one.steps


@pytest.mark.parametrize("gone", [("left", "right"), ("snare", "bottom")])
def test_without_overheads_or_snare_nothing_moves(gone: tuple[str, ...]) -> None:
    plan = Align().decide(*made(leave_out=gone))
    assert all(v[0] == 0 for v in delays(plan).values())
    assert "nothing moves" in rows(plan)["tom1"].reason


def test_one_overhead_will_do() -> None:
    plan = Align().decide(*made(leave_out=("right",)))
    assert delays(plan)["floor"][0] == pytest.approx(205.1, abs=0.05)
    assert "snare_mismatch" not in plan.figures["align"]


def test_copies_of_a_hit_count_once() -> None:
    # a loop of two snare strokes, eight times over: two hits to go by, and two are never enough to be sure
    take, plan = made()
    period = 8 * 12000
    audio = {t.id: np.tile(take.read(t, 4000, 4000 + period), 8) for t in take.tracks}
    start, stop = 4000 / SR, (4000 + period) / SR
    once = [h for h in plan.hits if start <= h.time_s < stop]
    hits = [dataclasses.replace(h, time_s=h.time_s - start + k * period / SR) for h in once for k in range(8)]
    loop = Take.from_arrays(take.tracks, audio, SR)
    found = Align().decide(loop, begin(loop).with_hits(tuple(sorted(hits, key=lambda h: h.time_s))))
    assert sum(h.track == "snare" for h in once) == 3
    pair = found.figures["align"]["pairs"]["tom1"]["left"]
    assert pair["hits"] == sum(h.track == "tom1" for h in once) == 2
    assert rows(found)["tom1"].confidence != "sure"


def test_a_snare_that_is_struck_once_moves_the_kit_once_the_engineer_says_so() -> None:
    take, plan = made(turn=("snare", "bottom"))
    first = min(h.time_s for h in plan.hits if h.track == "snare")
    plan = plan.with_hits(tuple(h for h in plan.hits if h.drum != "snare" or h.time_s < first + 0.01))
    asked = Align().decide(take, plan)
    assert rows(asked)["snare"].confidence == "likely"
    assert delays(asked) == {}
    (question,) = [q for q in asked.questions if q.code == "align.snare" and q.track == "snare"]
    # 150.3 samples at 44.1 kHz; 344.6 m/s at 21 °C in moist air (Cramer 1993)
    expected = (
        "snare: does it reach left 3.41 ms later (117 cm) with its polarity turned? Nothing moves until that is clear."
    )
    assert question.text == expected
    told = Align(tracks={"snare": {"accept": "unsure"}}).decide(take, plan)
    assert delays(told)["snare"] == (pytest.approx(150.3, abs=0.05), -1)
    assert delays(told)["tom1"] == (pytest.approx(140.6, abs=0.05), 1)
    assert not [q for q in told.questions if q.code == "align.snare"]


def test_workers_change_no_bit(kit: tuple[Take, Plan]) -> None:
    take, plan = kit
    one, four = Align().decide(take, plan), Align().decide(take.replace(workers=4), plan)
    assert one.alignments == four.alignments
    assert one.figures == four.figures


def test_no_hits_no_answer(kit: tuple[Take, Plan]) -> None:
    plan = Align().decide(kit[0], begin(kit[0]))
    assert not plan.steps
    assert {a.confidence for a in plan.alignments} == {"unsure"}
