"""Offset and low cut decide from what is measured."""

from __future__ import annotations

import numpy as np
import pytest

from spillgate.dsp import Chain, Take, testing
from spillgate.dsp.plan import Hit
from spillgate.dsp.processors.low_cut import LowCut
from spillgate.dsp.processors.offset import Offset
from spillgate.dsp.take.features import measure


def with_offset(take: Take, track: str, offset: float) -> Take:
    audio = {t.id: take.read(t).copy() for t in take.tracks}
    audio[track] += np.float32(offset)
    return Take.from_arrays(take.tracks, audio, take.sr)


@pytest.mark.parametrize(("offset", "found"), [(0.01, True), (-0.002, True), (0.0005, False)])
def test_an_offset_is_found_and_a_small_one_left(offset: float, found: bool) -> None:
    plan = Chain(processors=(Offset(),)).decide(with_offset(testing.small_take(), "tom.wav", offset))
    assert set(plan.steps) == ({"tom.wav"} if found else set())
    if found:
        assert plan.steps["tom.wav"][0].params["offset"] == pytest.approx(offset, abs=2e-4)


def test_low_cut_stays_under_the_lowest_partial() -> None:
    take = measure(testing.small_take(), {"levels"})
    from spillgate.dsp.chain import begin

    hits = tuple(
        Hit(track=f"{drum}.wav", drum=drum, time_s=0.1 + 0.12 * k + 0.4 * n, level_db=0.0, confidence=1.0)
        for k, drum in enumerate(("kick", "snare", "tom"))
        for n in range(3)
    )
    plan = LowCut(share=0.7).decide(take, begin(take).with_hits(hits))
    # the small take's drums are tones of 60, 190 and 110 Hz; a 0.4 s window resolves 2.5 Hz
    for track, partial_hz in (("kick.wav", 60.0), ("snare.wav", 190.0), ("tom.wav", 110.0)):
        assert plan.steps[track][0].params["cut_hz"] == pytest.approx(0.7 * partial_hz, rel=0.06)
