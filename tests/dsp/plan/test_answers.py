"""What a correction does besides changing hits: it answers questions, and what was found stays known."""

import dataclasses

from spillgate.dsp.plan.corrections import Corrections
from spillgate.dsp.plan.laying import ask_of_spans, lay_delays, lay_hits
from spillgate.dsp.plan.model import Hit, Plan, Question, TrackFacts

SR = 48_000


def facts(track: str, drum: str, start: int = 0) -> TrackFacts:
    return TrackFacts(track=track, file=track, channel=0, role="tom", drum=drum, position=None, sr=SR, n_samples=SR,
                      start=start)  # fmt: skip


def hit(track: str, drum: str, time_s: float) -> Hit:
    return Hit(track=track, drum=drum, time_s=time_s, level_db=0.0, confidence=0.6)


def ask(code: str, track: str, time_s: float | None) -> Question:
    return Question(code=code, text=f"{code} {time_s}?", track=track, time_s=time_s)


PLAN = Plan(
    sr=SR,
    n_samples=SR,
    tracks=(facts("a", "tom1"), facts("b", "tom2", SR // 2)),
    hits=(hit("a", "tom1", 0.2), hit("a", "tom1", 0.4), hit("b", "tom2", 0.7)),
    questions=(
        ask("detect.hit", "a", 0.2),
        ask("detect.hit", "a", 0.4),
        ask("detect.hit", "b", 0.7),
        ask("detect.drum", "a", None),
        ask("detect.drum", "b", None),
        ask("inputs.role", "a", None),
    ),
)


def laid(**row: object) -> Plan:
    plan, unmatched = lay_hits(PLAN, Corrections.from_dict({"hit": [row]}), lambda name: name)
    assert unmatched == ()
    return plan


def test_a_judged_hit_is_asked_about_no_more() -> None:
    for do in ("keep", "leave out"):
        left = [q.text for q in laid(track="a", time_s=0.202, do=do).questions]
        assert left == ["detect.hit 0.4?", "detect.hit 0.7?", "detect.drum None?", "inputs.role None?"]


def test_times_count_from_the_file_that_is_named() -> None:
    left = [q.text for q in laid(track="b", time_s=0.2, do="keep").questions]  # starts half a second late
    assert "detect.hit 0.7?" not in left
    assert len(left) == 4


def test_a_ring_answers_nothing() -> None:
    assert laid(track="a", time_s=0.2, do="ring", ring_until_s=0.3).questions == PLAN.questions


def test_what_was_found_stays_known_for_the_tracks_that_changed() -> None:
    plan = laid(track="a", time_s=0.2, do="leave out")
    assert plan.figures["corrections"] == {"found": {"a": [0.2, 0.4]}}
    assert [h.time_s for h in plan.hits_of("a")] == [0.4]
    unchanged, _ = lay_hits(PLAN, Corrections(), lambda name: name)
    assert "corrections" not in unchanged.figures


def test_that_there_is_no_stroke_is_an_answer() -> None:
    asked = PLAN.replace(questions=(*PLAN.questions, ask("detect.hit_left_out", "a", 0.6)))
    row = {"track": "a", "time_s": 0.6, "do": "leave out"}
    plan, unmatched = lay_hits(asked, Corrections.from_dict({"hit": [row]}), lambda name: name)
    assert unmatched == ()
    assert plan.hits == PLAN.hits
    assert [q.code for q in plan.questions if q.time_s == 0.6] == []
    _, unmatched = lay_hits(PLAN, Corrections.from_dict({"hit": [row]}), lambda name: name)
    assert len(unmatched) == 1  # nobody asked


def test_a_delay_by_hand_answers_what_is_asked_about_it() -> None:
    asked = PLAN.replace(questions=(ask("align.delay", "a", None), ask("align.delay", "b", None)))
    row = {"track": "a", "samples": 12.0}
    plan = lay_delays(asked, Corrections.from_dict({"delay": [row]}), lambda name: name)
    assert [q.track for q in plan.questions] == ["b"]


def test_a_span_that_cannot_be_silenced_is_asked_about() -> None:
    rows = [
        {"track": "a", "from_s": 0.1, "to_s": 0.2, "do": "silence"},
        {"track": "b", "from_s": 9.0, "to_s": 9.5, "do": "keep"},
        {"track": "s", "from_s": 0.1, "to_s": 0.2, "do": "silence"},
        {"track": "s", "from_s": 0.1, "to_s": 0.2, "do": "keep"},
    ]
    snare = dataclasses.replace(facts("s", "snare"), role="snare")
    plan = PLAN.replace(tracks=(*PLAN.tracks, snare))
    asked = ask_of_spans(plan, Corrections.from_dict({"span": rows}), lambda name: name).questions
    assert [q.text for q in asked if q.code == "correction.span"] == [
        "corrections: [[span]] 2: b has no 9.000 s (it lasts 1.000 s); is it still wanted?",
        "corrections: [[span]] 3: s is not a track that is opened and closed, so 'silence' was not done; "
        "is it still wanted?",
    ]
