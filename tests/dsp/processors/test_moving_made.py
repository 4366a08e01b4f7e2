"""Overheads and polarity after a real alignment, against the exact truth of a made take."""

from __future__ import annotations

import pytest

from spillgate.dsp import Chain, Plan, Take, get_processor
from spillgate.dsp.running import load_steps
from spillgate.dsp.steps.move import MoveStep
from spillgate.dsp.synth import MadeTake, demo

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def made() -> MadeTake:
    return demo()


def move_of(take: Take, plan: Plan, track: str) -> tuple[float, int]:
    moves = [r.step for r in load_steps(take.track(track), plan) if isinstance(r.step, MoveStep)]
    return (moves[0].delay_samples, moves[0].polarity) if moves else (0.0, 1)


def test_snare_arrives_in_both_overheads_at_once(made: MadeTake) -> None:
    names = ("detect", "align", "overheads")
    plan = Chain(processors=tuple(get_processor(n)() for n in names)).decide(made.take)
    left, right = (next(t.id for t in made.take.of_role("overhead") if t.position == s) for s in ("left", "right"))
    snare = made.take.of_role("snare")[0].id
    lags = {t: made.delays[snare, t] for t in (left, right)}
    assert lags[right] - lags[left] == pytest.approx(9.77, abs=0.01)  # 7 cm were planted
    heard = {t: lag + move_of(made.take, plan, t)[0] for t, lag in lags.items()}
    assert abs(heard[right] - heard[left]) < 0.5
    # and the snare's own mic still meets them
    assert abs(move_of(made.take, plan, snare)[0] - heard[left]) < 0.5


def test_polarity_turns_exactly_what_is_reversed_and_moves_nothing(made: MadeTake) -> None:
    chain = Chain(
        processors=(get_processor("detect")(), get_processor("align")(move="none"), get_processor("polarity")())
    )
    plan = chain.decide(made.take)
    reversed_ = {track for (track, _), sign in made.polarity.items() if sign < 0}
    moves = {t: move_of(made.take, plan, t) for t in plan.steps}
    assert {t for t, (_, polarity) in moves.items() if polarity < 0} == reversed_
    assert set(made.faults["flipped"]) < reversed_  # and the bottom snare mic, which always is
    assert [t for t, (delay, _) in moves.items() if delay] == []
