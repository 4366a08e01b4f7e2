"""The session sheet: everything a stranger needs, in lines that can be printed."""

from spillgate.dsp.plan.model import Alignment, Finding, Hit, Plan, Question, TrackFacts
from spillgate.dsp.plan.output import Output, with_output
from spillgate.dsp.plan.sheet import Section, session_sheet, sheet_text, write_sheet

SR = 48_000


def facts(track, role, drum=None, position=None, channel=0):
    return TrackFacts(
        track=track, file=track.partition(":")[0], channel=channel, role=role, drum=drum, position=position, sr=SR,
        n_samples=SR * 75, start=0,
    )  # fmt: skip


def plan_of(**changes):
    stem = {"file": "Tom.wav", "copied": False, "written": True, "peak_in": 0.5, "peak_out": 1.02, "notes": ["a note"]}
    stem |= {"overs": 3, "over_at_s": 61.5, "over_db": 0.17}
    plan = Plan(
        sr=SR,
        n_samples=SR * 75,
        tracks=(
            facts("Tom.wav", "tom", "tom1"),
            facts("OH.wav:1", "overhead", None, "right", 1),
            facts("Vox.wav", "other"),
        ),
        hits=(Hit(track="Tom.wav", drum="tom1", time_s=1.0, level_db=0, confidence=1.0),),
        alignments=(
            Alignment(
                track="Tom.wav", measured_samples=140.25, measured_polarity=-1, delay_samples=140.25, polarity=-1,
                target="OH.wav:1", margin=4, confidence="sure", applied=True, reason="own delay",
            ),
        ),
        findings=(
            Finding(code="hum", severity="note", track="Tom.wav", advice="Hum at 50 Hz."),
            Finding(code="overheads", severity="mend", advice="Move the right overhead 7 cm nearer."),
        ),
        questions=(Question(code="q", text="Was the tom played?"),),
        chain=({"processor": "gate", "version": "0.1", "params": {"ring": 0.85, "fade_ms": None}, "tracks": {}},),
        figures={"render": {"tracks": {"Tom.wav": [stem]}}},
    )  # fmt: skip
    return with_output(plan, Output(format="flac", changed_only=True)).replace(**changes)


def test_everything_is_there():
    sections = session_sheet(
        plan_of(), take="Song 3", said=["All is well."], words={"Tom.wav": "1 hit, bleed -30 dB"},
        recall={"Tom.wav": {"mic": "large dynamic", "distance_cm": 5.0}},
    )  # fmt: skip
    by = {s.title: s for s in sections}
    assert by["Session"].lines[:2] == ("Song 3: 3 tracks, 48000 Hz, 1:15.000 long", "All is well.")
    inputs = by["Input list and what was done"]
    assert inputs.columns == ("track", "mic", "microphone", "distance cm", "hits", "done")
    assert inputs.rows[0] == ("Tom.wav", "tom1", "large dynamic", "5", "1", "1 hit, bleed -30 dB")
    assert inputs.rows[1][:2] == ("OH.wav right", "overhead right")
    assert inputs.rows[2][1] == "no drum"
    assert [r[:2] for r in by["Faults"].rows] == [("mend", "the take"), ("note", "Tom.wav")]
    # 140.25 samples at 48 kHz are 2.921875 ms, and at 344.0 m/s (331.3 + 0.606 t at 21 degrees; dry air) 100.5 cm
    row = by["Alignment"].rows[0]
    assert row[:4] == ("Tom.wav", "OH.wav right", "140.250", "2.922")
    assert abs(float(row[4]) - 100.5) < 0.3
    assert row[5:] == ("turned", "sure", "yes", "own delay")
    assert by["Stems"].rows[0][:2] == ("Tom.wav", "peak -6.0 to 0.2 dBFS")
    assert by["Stems"].rows[0][3] == "3 samples clipped, the first at 1:01.500, up to 0.17 dB over full scale; a note"
    assert by["Settings"].rows == (
        ("gate", "0.1", "ring 0.85; fade_ms off"),
        ("stems", "", "format flac; changed-only on"),
    )
    assert by["Open questions"].lines == ("Was the tom played?",)


def test_what_has_nothing_to_say_is_left_out():
    empty = plan_of(findings=(), questions=(), alignments=(), figures={}, chain=())
    assert [s.title for s in session_sheet(empty, take="x")] == ["Session", "Input list and what was done"]


def test_the_text_can_be_printed(tmp_path):
    sections = session_sheet(plan_of(), take="Song 3", words={"Tom.wav": "long words " * 20})
    text = sheet_text(sections)
    assert max(map(len, text.splitlines())) <= 100
    assert not any(line.endswith(" ") for line in text.splitlines())
    assert "Alignment\n---------\n" in text
    write_sheet(sections, tmp_path / "session.txt")
    assert (tmp_path / "session.txt").read_text("utf-8") == text


def test_a_table_by_hand():
    section = Section(title="T", columns=("a", "bb"), rows=(("long", "x"), ("s", "yy")))
    assert sheet_text([section]) == "T\n-\na     bb\n----  --\nlong  x\ns     yy\n"


def test_questions_that_are_not_shown_are_counted():
    asked = tuple(Question(code="q", text=f"Question {k}?", track="Tom.wav") for k in range(13))
    lines = next(s for s in session_sheet(plan_of(questions=asked), take="x") if s.title == "Open questions").lines
    assert len(lines) == 11
    assert lines[-1] == "and 3 more in report.html"
