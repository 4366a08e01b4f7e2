"""Performances keep to the rules they claim."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.synth import KITS, STYLES, perform
from spillgate.dsp.synth.performance import SPACING_S

DRUMS = KITS["rock"].drums


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(STYLES), st.integers(0, 10**6))
def test_strokes_are_in_order_apart_and_inside(style: str, seed: int) -> None:
    played = perform(style, 12.0, seed, drums=DRUMS)
    times = [s.time_s for s in played.strokes]
    assert times == sorted(times)
    assert times[0] > 0
    assert times[-1] < 12.0
    assert all(s.level_db <= 0 and s.drum in DRUMS for s in played.strokes)
    for drum in DRUMS:
        own = np.array([s.time_s for s in played.strokes if s.drum == drum])
        assert not np.any(np.diff(own) < SPACING_S)
    assert 60 <= played.bpm <= 190
    assert played == perform(style, 12.0, seed, drums=DRUMS)


def test_no_toms_means_none() -> None:
    for seed in range(20):
        played = perform("no_toms", 20.0, seed, drums=DRUMS)
        assert not [s for s in played.strokes if s.drum.startswith(("tom", "floor"))]
        assert [s for s in played.strokes if s.drum == "snare"]


def test_line_check_visits_each_drum_in_turn() -> None:
    played = perform("line_check", 25.0, 1, drums=DRUMS)
    order = list(dict.fromkeys(s.drum for s in played.strokes))
    assert sorted(order) == sorted(DRUMS)
    assert order[:3] == ["kick", "snare", "hat"]
    runs = 1 + sum(a.drum != b.drum for a, b in pairwise(played.strokes))
    assert runs == len(DRUMS)


def test_grooves_hold_the_hard_cases() -> None:
    # Flams of 15–40 ms, ghost notes 15–25 dB under a backbeat, two drums at once (common practice, no source).
    flams = ghosts = at_once = 0
    for seed in range(10):
        strokes = perform("groove", 30.0, seed, drums=DRUMS).strokes
        for a, b in pairwise(strokes):
            toms = a.drum.startswith(("tom", "floor")), b.drum.startswith(("tom", "floor"))
            at_once += b.time_s - a.time_s < 0.012 and a.drum != b.drum and any(toms)
        for drum in ("tom1", "tom2", "floor"):
            gaps = np.diff([s.time_s for s in strokes if s.drum == drum])
            flams += int(np.sum((gaps > 0.0145) & (gaps < 0.0405)))
        ghosts += sum(s.drum == "snare" and s.level_db < -14 for s in strokes)
    assert flams > 10
    assert ghosts > 30
    assert at_once > 30


def test_unknown_style() -> None:
    with pytest.raises(ParameterError, match="did you mean 'groove'"):
        perform("grove", 10.0, 1, drums=DRUMS)
