"""The plan is plain, immutable data."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp.plan import Hit, Plan, Question, StepSpec
from spillgate.dsp.plan.model import time_in_track

hits = st.lists(
    st.builds(
        Hit,
        track=st.sampled_from(("a", "b")),
        drum=st.just("tom1"),
        time_s=st.floats(0, 1000),
        level_db=st.floats(-60, 0),
        confidence=st.floats(0, 1),
    ),
    max_size=20,
)


@given(hits)
def test_hits_are_kept_in_order_of_time(found: list[Hit]) -> None:
    plan = Plan().with_hits(tuple(found))
    keys = [(h.time_s, h.track) for h in plan.hits]
    assert keys == sorted(keys)
    assert len(plan.hits) == len(found)
    assert {h.track for h in plan.hits_of("a")} <= {"a"}
    assert len(plan.hits_of("a")) + len(plan.hits_of("b")) == len(found)


def test_a_plan_cannot_be_changed() -> None:
    plan = Plan(steps={"a": (StepSpec(step="mask"),)}, arrays={"gate/x": np.zeros(3)})
    with pytest.raises(dataclasses.FrozenInstanceError):
        plan.sr = 3  # type: ignore[misc]
    with pytest.raises(TypeError):
        plan.steps["b"] = ()  # type: ignore[index]
    with pytest.raises(ValueError, match="read-only"):
        plan.arrays["gate/x"][0] = 1.0


def test_deciding_again_replaces_the_own_steps_only() -> None:
    first = Plan().with_steps("gate", {"a": (StepSpec(step="mask"),)}, {"gate/a": np.ones(2)})
    both = first.with_steps("align", {"a": (StepSpec(step="move"),), "b": (StepSpec(step="move"),)})
    again = both.with_steps("gate", {"b": (StepSpec(step="mask"),)}, {"gate/b": np.ones(2)})
    assert [(t, [s.by for s in specs]) for t, specs in again.steps.items()] == [
        ("a", ["align"]),
        ("b", ["align", "gate"]),
    ]
    assert set(again.arrays) == {"gate/b"}


def test_questions_are_sorted_by_weight() -> None:
    asked = tuple(Question(code="detect.x", text=f"{w}?", weight=w) for w in (1.0, 3.0, 2.0))
    plan = Plan().with_questions("detect", asked)
    assert [q.weight for q in plan.questions] == [3.0, 2.0, 1.0]
    fewer = plan.with_questions("detect", asked[:1]).with_questions("gate", (Question(code="gate.y", text="y?"),))
    assert [q.code for q in fewer.questions] == ["detect.x", "gate.y"]


def test_a_time_on_the_track_starts_at_its_first_sample() -> None:
    assert time_in_track(10.0, 96_000, 48_000) == 8.0
