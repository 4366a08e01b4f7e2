"""The last screen: plain words, 80 columns, nothing said by colour alone."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import pytest

from spillgate.cli import screen
from spillgate.dsp.core.audio.quantise import Overs
from spillgate.dsp.plan import Alignment, DrumState, Hit, Plan, Question, StepSpec, TrackFacts
from spillgate.dsp.render import RenderReport, StemReport
from spillgate.dsp.take.model import AudioFile, Take, Track

SR = 48_000
N = 200 * SR

KIT = [
    ("01 Kick In.wav", "kick", "kick", "in"),
    ("02 Snare Top.wav", "snare", "snare", "top"),
    ("03 Snare Bottom.wav", "snare", "snare", "bottom"),
    ("04 Hat.wav", "hat", "hat", None),
    ("05 Rack Tom.wav", "tom", "tom1", None),
    ("06 Floor Tom.wav", "tom", "floor", None),
    ("07 Overhead with a very long name Left.wav", "overhead", None, "left"),
    ("08 Overhead R.wav", "overhead", None, "right"),
    ("09 Room.wav", "room", None, None),
    ("Guide Vox.wav", "other", None, None),
    ("Bass DI.wav", "other", None, None),
]


def alignment(track: str, ms: float, polarity: int = 1, confidence: Any = "sure", **more: Any) -> Alignment:
    known = {"applied": True, "reason": "own delay", **more}
    samples = ms * SR / 1000
    return Alignment(
        track=track,
        measured_samples=samples,
        measured_polarity=polarity,
        delay_samples=samples if known["applied"] else 0.0,
        polarity=polarity if known["applied"] else 1,
        target=KIT[6][0],
        margin=1.0,
        confidence=confidence,
        **known,
    )


@pytest.fixture
def take() -> Take:
    tracks = []
    for name, role, drum, position in KIT:
        file = AudioFile(path=Path(name), name=name, sr=SR, n_channels=1, n_samples=N, format="WAV", subtype="PCM_24")
        tracks.append(Track(id=name, files=(file,), role=role, drum=drum, position=position))
    return Take(name="take", sr=SR, n_samples=N, tracks=tuple(tracks))


@pytest.fixture
def plan(take: Take) -> Plan:
    facts = tuple(
        TrackFacts(
            track=t.id, file=t.id, channel=0, role=t.role, drum=t.drum, position=t.position, sr=SR, n_samples=N, start=0
        )
        for t in take.tracks
    )
    hits = tuple(
        Hit(track=t.id, drum=t.drum or "", time_s=float(k), level_db=-3.0, confidence=0.999)
        for t in take.tracks[:6]
        for k in range(3)
    )
    mask, move = StepSpec(step="mask", by="gate"), StepSpec(step="move", by="align")
    return Plan(
        sr=SR,
        n_samples=N,
        tracks=facts,
        steps={KIT[1][0]: (move,), KIT[4][0]: (mask, move), KIT[5][0]: (mask, move)},
        alignments=(
            alignment(KIT[0][0], 3.9),
            alignment(KIT[1][0], 3.12),
            alignment(KIT[2][0], 3.02, polarity=-1),
            alignment(KIT[4][0], 2.7),
            alignment(KIT[5][0], 3.12, confidence="unsure", reason="moves with the snare, own delay not sure"),
        ),
        drums=(
            DrumState(drum="tom1", tracks=(KIT[4][0],), best_confidence=1.0),
            DrumState(drum="floor", tracks=(KIT[5][0],), best_confidence=0.3, played="no"),
        ),
        figures={
            "gate": {
                KIT[4][0]: {"verdict": "worth cleaning", "why": "", "bleed_removed_db": 14.2},
                KIT[5][0]: {"verdict": "worth cleaning", "why": "never played", "bleed_removed_db": 100.0},
            },
            "detect": {"hits": {KIT[4][0]: 3}},
        },
    ).with_hits(hits)


REPORT = RenderReport(
    folder=Path("out/stems"),
    stems=(
        StemReport(track=KIT[4][0], file=KIT[4][0], copied=False, removed_db=-9.04),
        StemReport(track=KIT[5][0], file=KIT[5][0], copied=False, removed_db=float("-inf")),
        StemReport(track=KIT[0][0], file=KIT[0][0], copied=True),
    ),
)


def ask(code: str, track: str, time_s: float | None, weight: float) -> Question:
    return Question(code=code, text=f"{code} {track} {time_s}?", track=track, time_s=time_s, weight=weight)


def shown(take: Take, plan: Plan, capsys: pytest.CaptureFixture[str], report: RenderReport = REPORT) -> list[str]:
    screen.show(take, plan, report, Path("out"))
    return [line.rstrip() for line in capsys.readouterr().out.splitlines()]


def test_it_says_what_was_done(take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]) -> None:
    lines = shown(take, plan, capsys)
    assert lines[0] == "Ready: 9 drum tracks, 3:20 min."
    text = " ".join(lines[1:3])
    assert text.startswith(
        "2 toms cleaned; the drums now sit 3.1 ms later against everything else; polarity of 03 Snare Bottom turned."
    )
    rows = [re.split(r"\s{2,}", line) for line in lines]
    assert ["01 Kick In", "kick in", "3", "3.90 ms"] in rows
    assert ["03 Snare Bottom", "snare bottom", "3", "3.02 ms", "polarity turned"] in rows
    assert ["05 Rack Tom", "tom1", "3", "14 dB", "2.70 ms"] in rows
    assert ["08 Overhead R", "overhead right", "as it was"] in rows
    assert ["Guide Vox and Bas…", "no drum", "as they were"] in rows
    assert ["06 Floor Tom", "floor", "3", "silent", "3.12 ms", "never played, with"] in rows
    assert "Cleaned tracks: out/stems" in lines
    assert any("monitors down" in line for line in lines)


def test_a_passage_without_clear_strokes_is_said(take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]) -> None:
    figures = {**plan.figures, "gate": {k: dict(v) for k, v in plan.figures["gate"].items()}}
    figures["gate"][KIT[4][0]]["left_open_s"] = 7.4
    text = " ".join(" ".join(shown(take, plan.replace(figures=figures), capsys)).split())
    assert "7 s left open: no clear strokes" in text


def test_it_fits_80_columns_and_uses_no_escapes(take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]) -> None:
    lines = shown(take, plan.with_questions("x", (ask("x", "a" * 70, 3.0, 1.0),)), capsys)
    assert max(map(len, lines)) <= 80
    assert not any("\x1b" in line for line in lines)


def test_colour_is_never_the_only_sign(
    take: Take, plan: Plan, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = shown(take, plan, capsys)
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "80")
    coloured = shown(take, plan, capsys)
    assert any("\x1b" in line for line in coloured)
    assert [re.sub(r"\x1b\[[0-9;]*m", "", line).rstrip() for line in coloured] == plain


def test_without_any_step_nothing_was_changed(take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]) -> None:
    still = plan.replace(steps={}, alignments=())
    lines = shown(take, still, capsys, RenderReport(folder=Path("out/stems"), stems=()))
    assert lines[1] == "Nothing cut."


def test_a_reason_that_all_share_is_said_once(take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]) -> None:
    why = "nothing moves: the snare's delay is not sure"
    still = tuple(alignment(k[0], 3.0, confidence="unsure", applied=False, reason=why) for k in KIT[:6])
    lines = shown(take, plan.replace(alignments=still), capsys)
    assert sum(why in line for line in lines) == 1


def test_overheads_earlier(plan: Plan) -> None:
    moved = (alignment(KIT[6][0], -3.2), alignment(KIT[7][0], -3.2))
    assert screen.changes(plan.replace(alignments=moved, steps={})) == [
        "Nothing cut; overheads and rooms now sit 3.2 ms earlier, close mics as they were."
    ]


def test_questions_are_grouped_and_at_most_ten(plan: Plan) -> None:
    asked = [ask("detect.hit", KIT[4][0], float(k), 0.1 + k / 100) for k in range(5)]
    asked += [ask("detect.hit", KIT[5][0], 9.0, 0.5), ask("align.delay", KIT[4][0], None, 0.3)]
    found = screen.questions(plan.with_questions("", tuple(asked)))
    assert found == [
        f"detect.hit {KIT[5][0]} 9.0?",
        f"align.delay {KIT[4][0]} None?",
        f"detect.hit {KIT[4][0]} 4.0? (4 more like it)",
    ]
    many = tuple(ask(f"code{k}", KIT[0][0], None, float(k)) for k in range(14))
    found = screen.questions(plan.with_questions("", many))
    assert len(found) == 10
    assert found[0].startswith("code13 ")
    assert found[-1] == "5 smaller ones: see the report."


def test_a_tom_that_was_perhaps_never_played_is_asked_about_once(plan: Plan) -> None:
    asked = (ask("gate.doubtful", KIT[4][0], 3.0, 900.0), ask("detect.drum", KIT[4][0], None, 10.0),
             ask("detect.drum", KIT[5][0], None, 10.0))  # fmt: skip
    assert screen.questions(plan.with_questions("", asked)) == [
        f"gate.doubtful {KIT[4][0]} 3.0?",
        f"detect.drum {KIT[5][0]} None?",
    ]


def test_what_a_stem_could_not_hold_is_said(plan: Plan) -> None:
    stems = (
        StemReport(track=KIT[0][0], file=KIT[0][0], copied=False, overs=Overs(3, 90 * SR, 1.122)),
        StemReport(track=KIT[1][0], file=KIT[1][0], copied=False, cut_s=0.004, cut_db=-20.0),
        StemReport(track=KIT[4][0], file=KIT[4][0], copied=False, cut_s=0.003, cut_db=-20.0),
    )
    # 20 log10(1.122) = 1.0 dB
    assert screen.losses(plan, RenderReport(folder=Path("x"), stems=stems)) == [
        "01 Kick In now clips: 1.0 dB over full scale at 1:30.000.",
        "Pushed past the end by the delay: up to 4 ms of 02 Snare Top and 05 Rack Tom.",
    ]


def test_the_summary_for_scripts(take: Take, plan: Plan) -> None:
    asked = (ask("detect.hit", KIT[4][0], 1.0, 0.1),)
    told = json.loads(screen.summary(take, plan.with_questions("", asked), REPORT, Path("out")))
    assert told["schema"] == 1
    assert told["verdict"].startswith("Ready, with 1 question: ")
    tracks = {t["track"]: t for t in told["tracks"]}
    assert len(tracks) == len(KIT)
    assert tracks[KIT[4][0]] == {
        "track": KIT[4][0],
        "role": "tom",
        "drum": "tom1",
        "position": None,
        "hits": 3,
        "cleaned": True,
        "copied": False,
        "stem": KIT[4][0],
        "notes": [],
        "removed_db": -9.04,
        "bleed_removed_db": 14.2,
        "delay_samples": pytest.approx(129.6),
        "polarity": 1,
        "confidence": "sure",
        "applied": True,
    }
    assert tracks[KIT[5][0]]["removed_db"] is None, "JSON has no infinity"
    assert tracks[KIT[0][0]]["copied"] is True
    assert [q["code"] for q in told["questions"]] == ["detect.hit"]


def test_it_says_what_other_processors_did(take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]) -> None:
    low, down = StepSpec(step="low-cut", by="low-cut"), StepSpec(step="mask", by="ease")
    steps = {**plan.steps, KIT[0][0]: (low, down), KIT[4][0]: (low, *plan.steps[KIT[4][0]])}
    lines = shown(take, plan.replace(steps=steps), capsys)
    assert " ".join(lines[1:4]).startswith(
        "2 toms cleaned; low-cut on 2 tracks; ease on 1 track; the drums now sit 3.1 ms"
    )
    rows = [re.split(r"\s{2,}", line) for line in lines]
    assert ["01 Kick In", "kick in", "3", "3.90 ms", "low-cut, ease"] in rows


def test_an_overhead_that_moves_alone_is_named(take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]) -> None:
    overhead = next(f.track for f in plan.tracks if f.role == "overhead")
    alone = plan.replace(alignments=(alignment(overhead, 0.2),))
    name = Path(overhead).stem
    assert f"{name} moved, close mics as they were" in " ".join(shown(take, alone, capsys)[1:4])
    both = tuple(alignment(f.track, -3.0) for f in plan.tracks if f.role in ("overhead", "room"))
    text = " ".join(shown(take, plan.replace(alignments=both), capsys)[1:4])
    assert "overheads and rooms now sit 3.0 ms earlier, close mics as they were" in text


def test_a_take_that_was_not_checked_is_said_not_to_be(
    take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]
) -> None:
    there = dataclasses.replace(take, folder=Path("Song 3"))
    assert "Faults of the recordings were not looked for: spillgate check 'Song 3'" in shown(there, plan, capsys)
    checked = plan.with_figures("check", {})
    assert not [line for line in shown(there, checked, capsys) if "not looked for" in line]


def test_names_with_a_long_beginning_in_common_are_told_apart(
    take: Take, plan: Plan, capsys: pytest.CaptureFixture[str]
) -> None:
    long = plan.replace(
        tracks=tuple(dataclasses.replace(t, label=f"Song 3 take 12 - {t.label or t.file}") for t in plan.tracks)
    )
    text = "\n".join(shown(take, long, capsys))
    assert re.search(r"^01 Kick In", text, re.M)
