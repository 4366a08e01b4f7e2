from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp.errors import PlanError
from spillgate.dsp.plan import Hit, Plan, StepSpec, TrackFacts
from spillgate.dsp.plan.corrections import (
    Corrections,
    DelayEdit,
    HitEdit,
    ParameterEdit,
    RoleEdit,
    SpanEdit,
    read_corrections,
)
from spillgate.dsp.plan.laying import lay_delays, lay_hits

SR = 48000
times = st.floats(0, 600, allow_nan=False).map(lambda v: round(v, 4))
names = st.text(min_size=1, max_size=12)


@st.composite
def corrections(draw: st.DrawFn) -> Corrections:
    hit = st.builds(
        lambda t, a, do, r: HitEdit(
            track=t,
            time_s=a,
            do=do,
            to_s=a + 0.01 if do == "move" else None,
            ring_until_s=a + r if do == "ring" else None,
        ),
        names,
        times,
        st.sampled_from(["keep", "leave out", "add", "move", "ring"]),
        st.floats(0.1, 5),
    )
    span = st.builds(
        lambda t, a, d, do: SpanEdit(track=t, from_s=a, to_s=a + d, do=do),
        names,
        times,
        st.floats(0.01, 9),
        st.sampled_from(["keep", "silence"]),
    )
    parameter = st.builds(
        ParameterEdit, track=names, processor=names, name=names, value=st.one_of(st.floats(-60, 0), st.just("off"))
    )
    delay = st.builds(DelayEdit, track=names, samples=st.floats(-500, 500), polarity=st.sampled_from([1, -1]))
    role = st.builds(RoleEdit, track=names, role=names, drum=st.one_of(st.none(), names), position=st.none())

    def some(s: st.SearchStrategy) -> tuple:  # type: ignore[type-arg]
        return tuple(draw(st.lists(s, max_size=3)))

    return Corrections(
        hits=some(hit), spans=some(span), parameters=some(parameter), delays=some(delay), roles=some(role)
    )


@given(corrections())
def test_toml_and_json_carry_corrections_unchanged(tmp_path_factory: pytest.TempPathFactory, made: Corrections) -> None:
    folder = tmp_path_factory.mktemp("corrections")
    (folder / "c.toml").write_text(made.to_toml(), encoding="utf-8")
    (folder / "c.json").write_text(json.dumps(made.to_dict()), encoding="utf-8")
    assert read_corrections(folder / "c.toml") == made
    assert read_corrections(folder / "c.json") == made


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[hitt]]\n", "c.toml: unknown table 'hitt'; did you mean 'hit'?"),
        ('[[hit]]\ntrack = "T"\ntime = 1\n', "c.toml: [[hit]] 1: unknown key 'time'; did you mean 'time_s'?"),
        (
            '[[hit]]\ntrack = "T"\ntime_s = 1\ndo = "kep"\n',
            "c.toml: [[hit]] 1: do = 'kep' is not known; did you mean 'keep'?",
        ),
        ('[[hit]]\ntrack = "T"\ndo = "keep"\n', "c.toml: [[hit]] 1: the key 'time_s' is missing"),
        ('[[hit]]\ntrack = "T"\ntime_s = "1"\ndo = "keep"\n', "c.toml: [[hit]] 1: time_s: '1' is not a number"),
        ('[[hit]]\ntrack = "T"\ntime_s = 1\ndo = "move"\n', "c.toml: [[hit]] 1: a moved hit needs to_s"),
        (
            '[[span]]\ntrack = "T"\nfrom_s = 2\nto_s = 1\ndo = "keep"\n',
            "c.toml: [[span]] 1: to_s must be later than from_s",
        ),
        (
            '[[delay]]\ntrack = "T"\nsamples = 2\npolarity = 2\n',
            "c.toml: [[delay]] 1: polarity = 2 is not allowed; use 1 or -1",
        ),
        ("schema = 9\n", "c.toml: schema 9 is not known to this version; it reads 1"),
    ],
)
def test_a_slip_gets_a_line_with_its_place(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "c.toml").write_text(text)
    with pytest.raises(PlanError) as caught:
        read_corrections(tmp_path / "c.toml")
    assert str(caught.value) == message


def test_broken_toml_names_the_line(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text("schema = 1\n[[hit]\n")
    with pytest.raises(PlanError, match=r"^c\.toml: cannot be read \(.*line 2.*\); mend that place$"):
        read_corrections(tmp_path / "c.toml")


def plan() -> Plan:
    facts = [
        TrackFacts(
            track=t, file=t, channel=0, role=r, drum=d, position=p, sr=SR, n_samples=SR * 60, start=s
        )
        for t, r, d, p, s in (
            ("in.wav", "kick", "kick", "in", 0),
            ("out.wav", "kick", "kick", "out", 0),
            ("tom.wav", "tom", "tom1", None, SR),  # starts a second later than the others
        )
    ]  # fmt: skip
    hits = [
        Hit(track=t, drum=d, time_s=s, level_db=0.0, confidence=0.7)
        for t, d, s in (("in.wav", "kick", 1.0), ("out.wav", "kick", 1.002), ("tom.wav", "tom1", 5.0))
    ]
    return Plan(sr=SR, n_samples=SR * 61, tracks=tuple(facts)).with_hits(tuple(hits))


def lay(*edits: HitEdit) -> tuple[Plan, tuple[str, ...]]:
    return lay_hits(plan(), Corrections(hits=edits), lambda name: name)


def test_a_stroke_is_one_decision_for_all_mics_of_its_drum() -> None:
    after, unmatched = lay(HitEdit(track="in.wav", time_s=1.003, do="leave out"))
    assert [h.track for h in after.hits] == ["tom.wav"]
    assert unmatched == ()
    after, _ = lay(HitEdit(track="out.wav", time_s=1.002, do="move", to_s=1.005))
    assert [(h.track, round(h.time_s, 6), h.source) for h in after.hits[:2]] == [
        ("in.wav", 1.003, "moved"),
        ("out.wav", 1.005, "moved"),
    ]


def test_times_count_from_the_files_first_sample() -> None:
    after, unmatched = lay(HitEdit(track="tom.wav", time_s=4.0, do="keep"))
    assert unmatched == ()
    assert after.hits_of("tom.wav")[0].confidence == 1.0


def test_a_hit_is_added_once() -> None:
    edit = HitEdit(track="tom.wav", time_s=7.0, do="add")
    after, _ = lay(edit, edit)
    assert [(h.time_s, h.source) for h in after.hits_of("tom.wav")] == [(5.0, "found"), (8.0, "added")]


def test_what_fits_no_hit_is_said() -> None:
    after, unmatched = lay(HitEdit(track="tom.wav", time_s=4.02, do="leave out"))
    assert after.hits == plan().hits
    assert unmatched == ("corrections: no hit of tom.wav within 15 ms of 4.020 s, so 'leave out' was not done",)


def test_a_delay_set_by_hand_replaces_what_was_measured() -> None:
    before = plan().with_steps(
        "align", {"tom.wav": (StepSpec(step="move", params={"delay_samples": 3.0, "polarity": -1}),)}
    )
    after = lay_delays(before, Corrections(delays=(DelayEdit(track="tom.wav", samples=12.5),)), lambda n: n)
    assert [s.params["delay_samples"] for s in after.steps["tom.wav"]] == [12.5]
    assert after.alignments[0].reason == "set by hand"
    none = lay_delays(before, Corrections(delays=(DelayEdit(track="tom.wav", samples=0.0),)), lambda n: n)
    assert "tom.wav" not in none.steps


def test_nothing_is_added_where_there_is_no_recording() -> None:
    after, unmatched = lay(HitEdit(track="tom.wav", time_s=600.0, do="add"))
    assert after.hits == plan().hits
    assert unmatched == ("corrections: tom.wav has no 600.000 s (it lasts 60.000 s)",)
