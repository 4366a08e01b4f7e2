"""The check on a small made kit: every fault planted is found, the clean kit and the near misses are not accused."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.plan.model import Alignment, DrumState, Finding, Hit, Plan
from spillgate.dsp.processors.check import LISTS, Check, check_json, kind_of
from spillgate.dsp.take.features import measure
from spillgate.dsp.take.model import AudioFile, Take, Track

SR = 44100
DRUMS = {"kick": (58.0, 0.08), "snare": (190.0, 0.05), "tom1": (140.0, 0.12), "floor": (80.0, 0.15)}
MICS: dict[str, tuple[str, str | None, str | None]] = {
    "Kick.wav": ("kick", "kick", "in"),
    "Snare.wav": ("snare", "snare", "top"),
    "Tom.wav": ("tom", "tom1", None),
    "Floor.wav": ("tom", "floor", None),
    "OHL.wav": ("overhead", None, "left"),
    "OHR.wav": ("overhead", None, "right"),
    "Room.wav": ("room", None, None),
}
DELAY_MS = {"OHL.wav": 3.0, "OHR.wav": 3.2, "Room.wav": 12.0}
OWN = {"kick": "Kick.wav", "snare": "Snare.wav", "tom1": "Tom.wav", "floor": "Floor.wav"}
Audio = dict[str, NDArray[np.float64]]

KEYS = {
    "oh_snare_mismatch_cm",
    "uncertainty_cm",
    "sides",
    "bleed_db",
    "pairs",
    "clipped",
    "very_quiet",
    "silent",
    "duplicate",
    "flipped",
    "late",
    "hum",
    "dc_offset",
    "swapped",
    "findings",
}


def track(name: str, **more: Any) -> Track:
    role, drum, position = MICS[name]
    file = AudioFile(
        path=Path(name),
        name=name,
        sr=SR,
        n_channels=1,
        n_samples=0,
        format="WAV",
        subtype=more.pop("subtype", "PCM_24"),
    )
    return Track(id=name, files=(file,), role=role, drum=drum, position=position, **more)


def score(kind: str) -> list[tuple[float, str]]:
    if kind == "line":
        return [(0.5 + 3.0 * k + 0.8 * i, d) for k, d in enumerate(DRUMS) for i in range(3)]
    rng = np.random.default_rng(1)
    slots = 0.5 + 0.25 * np.arange(44)
    order = ["kick", "snare", "kick", "tom1", "kick", "snare", "floor", "floor"]
    return [(float(t + rng.normal(0, 0.003)), order[i % 8]) for i, t in enumerate(slots)]


def play(kind: str = "line", seed: int = 0, tail_s: float = 2.5) -> tuple[Audio, list[tuple[float, str]]]:
    """Damped tones with a snap, in every mic with its own bleed, delay and noise."""
    rng = np.random.default_rng(seed)
    hits = score(kind)
    n = int((max(t for t, _ in hits) + tail_s) * SR)
    audio = {m: 10 ** (-84 / 20) * rng.standard_normal(n) for m in MICS}
    t = np.arange(int(0.9 * SR)) / SR
    paths = {(d, m): rng.standard_normal(24) for d in DRUMS for m in MICS}
    for time, drum in hits:
        hz, decay = DRUMS[drum]
        snap = np.convolve(rng.standard_normal(len(t)) * np.exp(-t / 0.003), np.hanning(7) / 3, "same")
        one = (np.sin(2 * np.pi * hz * t) * np.exp(-t / decay) + 0.5 * snap) * (1 - np.exp(-t / 0.0004))
        one[-3000:] *= np.linspace(1, 0, 3000)
        one *= rng.uniform(0.85, 1.0) / np.abs(one).max()
        for mic in MICS:
            gain = 0.27 if mic == OWN[drum] else 0.1 if mic in DELAY_MS else 0.01
            a = int((time + DELAY_MS.get(mic, 0.0 if mic == OWN[drum] else 1.0) / 1000) * SR)
            filtered = one if mic == OWN[drum] else np.convolve(one, paths[drum, mic], "same")
            filtered = filtered * np.sqrt(np.sum(one**2) / np.sum(filtered**2))  # the gains are those of energy
            audio[mic][a : a + len(one)] += gain * filtered[: n - a]
    return audio, hits


def align_figures(**changes: Any) -> dict[str, Any]:
    """What `align` says of this kit; changes: track=dict of answers, or other figures by name."""
    pairs = {}
    for mic in OWN.values():
        lag = changes.get("lag_ms", {}).get(mic, 3.0) * SR / 1000
        sign = changes.get("sign", {}).get(mic, 1)
        pairs[mic] = {
            side: {
                "overhead": f"OH{side[0].upper()}.wav",
                "lag_samples": lag,
                "polarity": sign,
                "margin": 9.0,
                "lead": 9.0,
                "coherence": 0.9,
                "hits": 3,
                "confidence": "sure",
            }
            for side in ("left", "right")
        }
    figures = {
        "pairs": pairs,
        "unusual_arrival_ms": {},
        "flipped": [],
        "overheads_sign": {"sign": 1, "evidence": 80.0},
        "snare_mismatch": {"samples": 0.5, "cm": 0.4, "uncertainty_cm": 1.0, "confidence": "sure"},
        "sides": {"Tom.wav": "L", "Floor.wav": "R"},
        "swapped": {"points": 3, "suspicion": False},
    }
    return {**figures, **{k: v for k, v in changes.items() if k in figures}}


def judge(
    audio: Mapping[str, NDArray[np.float64]],
    hits: list[tuple[float, str]],
    align: Mapping[str, Any] | None = None,
    tracks: Mapping[str, Track] | None = None,
    layout: str | None = None,
    kind: str = "auto",
) -> Plan:
    named = [(tracks or {}).get(m) or track(m) for m in audio]
    named = [replace(t, files=(replace(t.files[0], n_samples=len(audio[t.id])),)) for t in named]
    pcm = {m: (np.clip(np.round(x * 2**23), -(2**23), 2**23 - 1) / 2**23) for m, x in audio.items()}
    floats = {t.id for t in named if t.files[0].subtype == "FLOAT"}
    take = Take.from_arrays(named, {m: audio[m] if m in floats else pcm[m] for m in audio}, SR).replace(layout=layout)
    take = measure(take, Check.features)
    plan = Plan(
        sr=SR,
        n_samples=take.n_samples,
        drums=tuple(DrumState(drum=d, tracks=(OWN[d],), best_confidence=1.0) for d in DRUMS if OWN[d] in audio),
        figures={"align": align_figures() if align is None else align},
    ).with_hits(
        tuple(Hit(track=OWN[d], drum=d, time_s=t, level_db=0.0, confidence=1.0) for t, d in hits if OWN[d] in audio)
    )
    return Check(kind=kind).decide(take, plan)


def said(plan: Plan, *severities: str) -> set[tuple[str, str]]:
    return {(f.code, f.track) for f in plan.findings if not severities or f.severity in severities}


def one(plan: Plan, code: str) -> Finding:
    (found,) = [f for f in plan.findings if f.code == code]
    return found


@pytest.fixture(scope="module")
def line() -> tuple[Audio, list[tuple[float, str]]]:
    return play("line")


@pytest.fixture(scope="module")
def groove() -> tuple[Audio, list[tuple[float, str]]]:
    return play("take")


def change(audio: Audio, mic: str, x: NDArray[np.float64]) -> Audio:
    return {**audio, mic: x}


# ---- clean


def test_clean_line_check_and_take_are_not_accused(
    line: tuple[Audio, list[tuple[float, str]]], groove: tuple[Audio, list[tuple[float, str]]]
) -> None:
    for kind, (audio, hits) in (("line", line), ("take", groove)):
        plan = judge(audio, hits)
        assert plan.figures["levels"]["kind"] == kind
        assert said(plan, "mend", "advise") == set()
        document = check_json(plan)
        assert set(document) == KEYS
        assert all(document[k] == [] for k in LISTS)
        assert document["duplicate"] == []
        json.dumps(document, allow_nan=False)


def test_left_and_right_of_a_pair_are_compared(groove: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = groove
    audio = {m: x.copy() for m, x in audio.items()}
    rng, n = np.random.default_rng(8), len(audio["OHL.wav"])
    wash = 0.003 * signal.sosfilt(signal.butter(4, 7000, "high", fs=SR, output="sos"), rng.standard_normal(n))
    audio["OHL.wav"] += wash
    audio["OHR.wav"] += 10 ** (-4 / 20) * wash
    before = judge(audio, hits).figures["check"]["pairs"]
    assert set(before) == {"overhead"}  # one room is no pair
    pair = before["overhead"]
    assert (pair["left"], pair["right"]) == ("OHL.wav", "OHR.wav")
    assert pair["re_snare_db"]["snare"] == [0.0, 0.0]
    for drum in DRUMS:  # planted equally loud
        assert pair["left_minus_right_db"][drum] == pytest.approx(0.0, abs=1.0)
    assert pair["left_minus_right_db"]["cymbals"] == pytest.approx(4.0, abs=0.5)
    for mic, level in (("OHL.wav", 1.0), ("OHR.wav", 10 ** (-4 / 20))):  # mean squares of the audio itself
        late = DELAY_MS[mic] / 1000
        strokes = [audio[mic][int((t + late) * SR) :][: int(0.027 * SR)] for t, drum in hits if drum == "snare"]
        snare = np.median([np.sum(x**2) / (0.03 * SR) for x in strokes])
        expected = 10 * np.log10(np.mean((level * wash) ** 2) / snare)
        side = 0 if mic == "OHL.wav" else 1
        assert pair["re_snare_db"]["cymbals"][side] == pytest.approx(expected, abs=1.0)
    audio["OHR.wav"] *= 0.5  # 20 lg 2 = 6.02 dB
    after = judge(audio, hits).figures["check"]["pairs"]["overhead"]
    for drum, difference in pair["left_minus_right_db"].items():
        assert after["left_minus_right_db"][drum] == pytest.approx(difference + 6.02, abs=0.15)
        assert after["re_snare_db"][drum] == pytest.approx(pair["re_snare_db"][drum], abs=0.15)


def test_the_bleed_matrix_is_the_planted_one(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    bleed = judge(*line).figures["check"]["bleed_db"]
    assert bleed["Floor.wav"]["floor"] == 0.0
    own = {d: 20 * np.log10(0.01 / 0.27) for d in DRUMS}
    energy = {"kick": 0.08, "floor": 0.15, "tom1": 0.12}  # of a damped tone: in proportion to its decay
    for mic, drum in (("Tom.wav", "tom1"), ("Floor.wav", "floor")):
        for other in energy.keys() - {drum}:
            expected = own[other] + 10 * np.log10(energy[other] / energy[drum])
            assert bleed[mic][other] == pytest.approx(expected, abs=1.5)
    assert set(bleed["OHL.wav"]) == set(DRUMS)
    assert bleed["OHL.wav"]["snare"] == 0.0


# ---- level


@pytest.mark.parametrize("over_db", [1.5, 5.0])
def test_clipped(line: tuple[Audio, list[tuple[float, str]]], over_db: float) -> None:
    audio, hits = line
    x = audio["Kick.wav"] * 10 ** (over_db / 20) / np.abs(audio["Kick.wav"]).max()
    plan = judge(change(audio, "Kick.wav", x), hits)
    assert said(plan, "mend") == {("clipped", "Kick.wav")}
    found = one(plan, "clipped")
    assert "pad" in found.advice
    dynamic = {"Kick.wav": track("Kick.wav", recall={"mic": "large dynamic"})}
    assert "pad" not in one(judge(change(audio, "Kick.wav", x), hits, tracks=dynamic), "clipped").advice


def test_loud_is_not_clipped(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    x = audio["Kick.wav"] * 0.9999 / np.abs(audio["Kick.wav"]).max()
    plan = judge(change(audio, "Kick.wav", x), hits)
    assert said(plan, "mend") == set()
    assert one(plan, "hot").track == "Kick.wav"


def test_limits_of_line_check_and_take_differ(groove: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = groove
    x = audio["Snare.wav"] * 10 ** (-4.5 / 20) / np.abs(audio["Snare.wav"]).max()
    loud = change(audio, "Snare.wav", x)
    assert ("hot", "Snare.wav") not in said(judge(loud, hits))
    assert ("hot", "Snare.wav") in said(judge(loud, hits, kind="line"))


def test_over_full_scale_in_a_floating_point_file(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    x = 2.0 * audio["Kick.wav"] / np.abs(audio["Kick.wav"]).max()
    plan = judge(change(audio, "Kick.wav", x), hits, tracks={"Kick.wav": track("Kick.wav", subtype="FLOAT")})
    assert said(plan, "mend") == {("over_full_scale", "Kick.wav")}
    assert one(plan, "over_full_scale").value == pytest.approx(6.02, abs=0.01)


def test_very_quiet_quiet_silent_and_dead(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    floor = audio["Floor.wav"] / np.abs(audio["Floor.wav"]).max()
    noise = 1e-4 * np.random.default_rng(0).standard_normal(len(floor))
    for x, code, severity in (
        (10 ** (-42 / 20) * floor, "very_quiet", "mend"),
        (10 ** (-28 / 20) * floor, "quiet", "advise"),
        (0.0 * floor, "silent", "mend"),
        (noise, "dead", "mend"),
    ):
        plan = judge(change(audio, "Floor.wav", x), hits)
        assert (one(plan, code).track, one(plan, code).severity) == ("Floor.wav", severity)
        assert said(plan, "mend") - {(code, "Floor.wav")} == set()
    unplayed = [h for h in hits if h[1] != "floor"]
    plan = judge(change(audio, "Floor.wav", 10 ** (-42 / 20) * floor), unplayed)
    assert ("very_quiet", "Floor.wav") in said(plan)  # the drum's state says that it was played


@pytest.mark.parametrize("gain_db", [0.0, -30.0])
def test_a_drum_that_was_not_hit_is_called_quiet_by_its_bleed_alone(
    line: tuple[Audio, list[tuple[float, str]]], gain_db: float
) -> None:
    stop = round(9.3 * SR)  # the floor tom comes last and is never struck: its mic peaks at −40 dBFS, as the others' do
    audio = {m: x[:stop] * (10 ** (gain_db / 20) if m == "Floor.wav" else 1.0) for m, x in line[0].items()}
    assert 20 * np.log10(np.abs(audio["Floor.wav"]).max()) < -36.0
    named = [replace(track(m), files=(replace(track(m).files[0], n_samples=stop),)) for m in audio]
    take = measure(Take.from_arrays(named, audio, SR), Check.features)
    plan = Plan(
        sr=SR,
        n_samples=take.n_samples,
        drums=(DrumState(drum="floor", tracks=("Floor.wav",), best_confidence=0.3, played="no"),),
    )
    plan = Check().decide(take, plan)
    quiet = {c for c, t in said(plan) if t == "Floor.wav"} & {"quiet", "very_quiet"}
    assert quiet == ({"very_quiet"} if gain_db else set())
    assert one(plan, "not_heard").track == "Floor.wav"


@pytest.mark.parametrize(("missing_s", "odd"), [(8192 / SR, False), (0.7, True)])
def test_a_file_shorter_than_the_others(
    line: tuple[Audio, list[tuple[float, str]]], missing_s: float, odd: bool
) -> None:
    audio, hits = line
    plan = judge(change(audio, "Tom.wav", audio["Tom.wav"][: -round(missing_s * SR)]), hits)
    assert (("odd_length", "Tom.wav") in said(plan)) == odd


# ---- faults


def test_hum_and_offset(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    t = np.arange(len(audio["Tom.wav"])) / SR
    for level, severity in ((-55.0, "mend"), (-68.0, "advise")):
        hum = np.sqrt(2) * 10 ** (level / 20) * np.sin(2 * np.pi * 50 * t)
        plan = judge(change(audio, "Tom.wav", audio["Tom.wav"] + hum + 0.01), hits)
        assert one(plan, "hum").severity == severity
        assert one(plan, "hum").value == pytest.approx(level, abs=0.5)
        assert plan.figures["check"]["hum"] == plan.figures["check"]["dc_offset"] == ["Tom.wav"]
        assert one(plan, "dc_offset").severity == "note"
        assert one(plan, "dc_offset").value == pytest.approx(0.01, abs=0.005)


def test_what_changes_from_quarter_to_quarter_is_no_offset(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    n = len(audio["Tom.wav"])
    steady = np.full(n, 0.0024)
    for more, offset in ((0.0, True), (0.004, False)):
        drift = steady + more * (np.arange(n) < n // 2)
        plan = judge(change(audio, "Tom.wav", audio["Tom.wav"] + drift), hits)
        assert (("dc_offset", "Tom.wav") in said(plan)) == offset


def test_dropout_and_crackle(groove: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = groove
    x = audio["OHL.wav"].copy()
    a = int((hits[5][0] + 0.03) * SR)
    x[a : a + 300] = 0.0
    assert ("dropout", "OHL.wav") in said(judge(change(audio, "OHL.wav", x), hits), "mend")
    y = audio["Floor.wav"].copy()
    for time, _ in hits[4:20:4]:
        y[int((time + 0.15) * SR)] += 0.2
    assert ("crackle", "Floor.wav") in said(judge(change(audio, "Floor.wav", y), hits), "mend")


def test_rumble(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    t = np.arange(len(audio["Tom.wav"])) / SR
    x = audio["Tom.wav"] + 0.01 * np.sin(2 * np.pi * 23 * t)
    found = one(judge(change(audio, "Tom.wav", x), hits), "rumble")
    assert found.track == "Tom.wav"
    assert "98 Hz" in found.advice  # 0.7 x 140 Hz


def test_cut_before_the_ring_died() -> None:
    audio, hits = play("take", tail_s=0.12)
    assert "cut_end" in {f.code for f in judge(audio, hits).findings}


def test_copies(groove: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = groove
    rng = np.random.default_rng(4)
    x = -0.6 * np.roll(audio["OHL.wav"], 60) + 1e-5 * rng.standard_normal(len(audio["OHL.wav"]))
    plan = judge(change(audio, "OHR.wav", x), hits)
    assert plan.figures["check"]["duplicate"] == [["OHL.wav", "OHR.wav"]]
    assert ("duplicate", "OHR.wav") in said(plan, "mend")


# ---- what the delays say


@pytest.mark.parametrize(
    ("cm", "sure", "severity"),
    [(0.4, 1.0, "note"), (2.0, 0.5, "note"), (2.8, 3.0, "note"), (4.0, 1.0, "advise"), (6.0, 4.0, "advise"),
     (6.0, 1.0, "mend"), (-18.0, 3.0, "mend")],
)  # fmt: skip
def test_three_grades_and_never_an_order_under_the_uncertainty(
    line: tuple[Audio, list[tuple[float, str]]], cm: float, sure: float, severity: str
) -> None:
    figures = align_figures(snare_mismatch={"cm": cm, "uncertainty_cm": sure, "confidence": "sure"})
    plan = judge(*line, align=figures)
    found = one(plan, "overhead_distance")
    assert found.severity == severity
    assert ("Move" in found.advice) == (severity != "note")
    assert plan.figures["check"]["oh_snare_mismatch_cm"] == cm
    if severity != "note":
        assert found.track == ("OHR.wav" if cm > 0 else "OHL.wav")
        assert "let whoever is responsible" in found.advice


def test_no_order_on_unsure_delays(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    figures = align_figures(snare_mismatch={"cm": 19.0, "uncertainty_cm": 3.0, "confidence": "unsure"})
    found = one(judge(*line, align=figures), "overhead_distance")
    assert found.severity == "note"
    assert "Move" not in found.advice


@pytest.mark.parametrize("layout", ["mid-side", "over-and-side", "mono", "three"])
def test_other_layouts_have_no_mismatch(line: tuple[Audio, list[tuple[float, str]]], layout: str) -> None:
    figures = align_figures(snare_mismatch={"cm": 40.0, "uncertainty_cm": 1.0, "confidence": "sure"})
    plan = judge(*line, align=figures, layout=layout)
    assert "overhead_distance" not in {f.code for f in plan.findings}
    assert said(plan, "mend") == set()


def test_a_tape_beats_the_sound(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    figures = align_figures(snare_mismatch={"cm": 9.0, "uncertainty_cm": 3.0, "confidence": "sure"})
    tape = {
        "OHL.wav": track("OHL.wav", recall={"distance_cm": 120.0}),
        "OHR.wav": track("OHR.wav", recall={"distance_cm": 120.5}),
    }
    plan = judge(*line, align=figures, tracks=tape)
    assert plan.figures["check"]["oh_snare_mismatch_cm"] == 0.5
    assert one(plan, "overhead_distance").severity == "note"
    assert one(plan, "tape_differs").value == 8.5


def shifted(line: tuple[Audio, list[tuple[float, str]]], drum: str, ms: float) -> Plan:
    """The line check with one drum's track later, and its hits with it."""
    audio, hits = line
    moved = [(t + (ms / 1000 if d == drum else 0.0), d) for t, d in hits]
    return judge(change(audio, OWN[drum], np.roll(audio[OWN[drum]], round(ms / 1000 * SR))), moved)


@pytest.mark.parametrize("ms", [5.3, -6.0, 14.0])
def test_late_channel(line: tuple[Audio, list[tuple[float, str]]], ms: float) -> None:
    plan = shifted(line, "floor", ms)
    assert plan.figures["check"]["late"] == ["Floor.wav"]
    assert one(plan, "late" if ms > 0 else "early").value == pytest.approx(ms, abs=0.7)


def test_a_far_mic_is_not_late(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    assert shifted(line, "floor", 0.7).figures["check"]["late"] == []


def test_reversed_mics(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    plan = judge(*line, align=align_figures(sign={"Tom.wav": -1}))
    assert said(plan, "mend") == {("flipped", "Tom.wav")}
    kick = judge(*line, align=align_figures(sign={"Kick.wav": -1}))
    assert said(kick, "mend") == set()  # a kick's sign against the overheads means nothing
    every = judge(*line, align=align_figures(sign=dict.fromkeys(OWN.values(), -1)))
    assert said(every, "mend") == set()  # all alike: a matter of both overheads, and of taste


@pytest.mark.parametrize("mismatch_ms", [-1.0, 0.0, 1.0])
@pytest.mark.parametrize("floor_ms", [-0.7, 0.7])
def test_swapped_overheads(line: tuple[Audio, list[tuple[float, str]]], floor_ms: float, mismatch_ms: float) -> None:
    # the floor tom is nearer to one side than the rest; that one overhead hangs farther away than the other is no swap
    figures = align_figures()
    for mic, row in figures["pairs"].items():
        step = mismatch_ms + (floor_ms if mic == "Floor.wav" else 0.0)
        row["right"] = {**row["right"], "lag_samples": row["left"]["lag_samples"] + step * SR / 1000}
    plan = judge(*line, align=figures)
    assert plan.figures["check"]["swapped"] == (["OHL.wav", "OHR.wav"] if floor_ms > 0 else [])


def test_narrow_overheads_swapped_are_something_to_look_at(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    figures = align_figures()
    for mic, row in figures["pairs"].items():  # hung side by side: from the middle to the side 0.4 ms
        row["right"] = {**row["right"], "lag_samples": row["left"]["lag_samples"] + 0.4e-3 * SR * (mic == "Floor.wav")}
    assert ("swapped", "OHL.wav") in said(judge(*line, align=figures), "advise")


def test_opposite_overheads(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    figures = align_figures(overheads_sign={"sign": -1, "evidence": -80.0})
    for row in figures["pairs"].values():
        row["right"]["polarity"] = -1
    opposite = judge(*line, align=figures)
    assert opposite.figures["check"]["flipped"] == ["OHR.wav"]


def test_bottom_snare_turned_at_the_desk_is_left_alone(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio = line[0]
    from spillgate.dsp.processors.check_kit import polarity_findings

    bottom = replace(track("Tom.wav"), id="Bottom.wav", role="snare", drum="snare", position="bottom")
    take = Take.from_arrays([track("Snare.wav"), bottom], audio, SR)

    def row(name: str, sign: int) -> Alignment:
        return Alignment(
            track=name, measured_samples=0.0, measured_polarity=sign, delay_samples=0.0, polarity=1, target="OHL.wav",
            margin=5.0, confidence="sure", applied=False,
        )  # fmt: skip

    same = polarity_findings(take, {}, [row("Snare.wav", 1), row("Bottom.wav", 1)], "line")
    assert [(f.code, f.severity) for f in same] == [("bottom_turned", "note")]
    assert polarity_findings(take, {}, [row("Snare.wav", 1), row("Bottom.wav", -1)], "line") == ()


def test_balance_of_the_overheads(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    base = one_or_none(judge(audio, hits), "balance")
    assert base is None
    plan = judge(change(audio, "OHR.wav", 2.0 * audio["OHR.wav"]), hits)
    assert one(plan, "balance").value == pytest.approx(6.0, abs=1.6)


def one_or_none(plan: Plan, code: str) -> Finding | None:
    return next((f for f in plan.findings if f.code == code), None)


# ---- bleed, names, rooms


def test_a_mic_on_the_wrong_drum(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    plan = judge({**audio, "Tom.wav": audio["Floor.wav"], "Floor.wav": audio["Tom.wav"]}, hits)
    assert {("foreign", "Tom.wav"), ("foreign", "Floor.wav")} <= said(plan, "mend")


def test_one_stroke_of_another_drum_accuses_no_mic(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    swap = {**audio, "Snare.wav": audio["Floor.wav"], "Floor.wav": audio["Snare.wav"]}
    first = {d: next(t for t, e in hits if e == d) for d in DRUMS}
    fewer = [(t, d) for t, d in hits if d != "snare" or t == first["snare"]]
    assert ("foreign", "Snare.wav") in said(judge(swap, hits))
    assert ("foreign", "Floor.wav") not in said(judge(swap, fewer))


def test_toms_out_of_order(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    other = {"tom1": "floor", "floor": "tom1"}
    renamed = [(t, other.get(d, d)) for t, d in hits]
    plan = judge({**audio, "Tom.wav": audio["Floor.wav"], "Floor.wav": audio["Tom.wav"]}, renamed)
    assert {("exchanged", "Tom.wav"), ("exchanged", "Floor.wav")} <= said(plan, "advise")


@pytest.mark.parametrize("floor_ms", [-1.0, 0.0, 1.0])
def test_toms_out_of_order_stand_on_each_others_side(
    line: tuple[Audio, list[tuple[float, str]]], floor_ms: float
) -> None:
    audio, hits = line
    other = {"tom1": "floor", "floor": "tom1"}
    renamed = [(t, other.get(d, d)) for t, d in hits]
    figures = align_figures()
    row = figures["pairs"]["Floor.wav"]  # positive: nearer to the left overhead than the rack tom
    row["right"] = {**row["right"], "lag_samples": row["left"]["lag_samples"] + floor_ms * SR / 1000}
    plan = judge({**audio, "Tom.wav": audio["Floor.wav"], "Floor.wav": audio["Tom.wav"]}, renamed, align=figures)
    assert (("exchanged", "Floor.wav") in said(plan)) == (floor_ms >= 0.0)  # tuned oddly, but each on its side
    figures["pairs"]["Floor.wav"]["right"]["lag_samples"] = row["left"]["lag_samples"] + 1e-3 * SR
    assert ("exchanged", "Floor.wav") not in said(judge(audio, hits, align=figures))


def test_room_distance(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    found = one(judge(*line), "room_distance")
    assert found.value == pytest.approx(DELAY_MS["Room.wav"], abs=0.5)
    assert found.severity == "note"


def test_intended_findings_are_silent(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    x = np.clip(3.0 * audio["Kick.wav"], -0.6, 0.6)
    loud = change(audio, "Kick.wav", x)
    assert ("flat_tops", "Kick.wav") in said(judge(loud, hits))
    meant = {"Kick.wav": track("Kick.wav", intended=("flat_tops",))}
    assert ("flat_tops", "Kick.wav") not in said(judge(loud, hits, tracks=meant))


# ---- the form


def test_partial_takes_still_give_an_answer(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    audio, hits = line
    few = {m: audio[m] for m in ("Kick.wav", "Snare.wav")}
    plan = judge(few, [h for h in hits if h[1] == "kick"], align={})
    assert "no_overhead" in {f.code for f in plan.findings}
    assert plan.figures["check"]["oh_snare_mismatch_cm"] is None
    assert check_json(plan)["bleed_db"]["Snare.wav"]["kick"] is None  # the snare was not hit: nothing to compare with
    none = judge(few, [], align={})
    assert none.figures["levels"]["kind"] == "line"


def test_kind_of_beats_on_two_drums_is_a_take() -> None:
    hits = tuple(
        Hit(track=OWN[d], drum=d, time_s=0.5 * i, level_db=0.0, confidence=1.0)
        for i, d in enumerate(["kick", "snare"] * 20)
    )
    assert kind_of(Plan(hits=hits)) == "take"
    assert kind_of(Plan(hits=hits[:2])) == "take"
    assert kind_of(Plan()) == "line"


def test_parameters() -> None:
    with pytest.raises(ParameterError, match="kind"):
        Check(kind="gig")
    assert Check.from_dict(Check(kind="take").to_dict()) == Check(kind="take")


def test_same_take_same_words(line: tuple[Audio, list[tuple[float, str]]]) -> None:
    a, b = check_json(judge(*line)), check_json(judge(*line))
    assert json.dumps(a) == json.dumps(b)
