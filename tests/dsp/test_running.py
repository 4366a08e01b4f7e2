"""What several processors ask of one track's delay and polarity becomes one interpolation."""

from __future__ import annotations

from pathlib import Path

import pytest

from spillgate.dsp import AudioFile, Plan, StepSpec, Track
from spillgate.dsp.running import load_steps

TRACK = Track(
    id="a.wav",
    files=(AudioFile(path=Path("a.wav"), name="a.wav", sr=48000, n_channels=1, n_samples=9, format="WAV",
                     subtype="PCM_24"),),
    role="tom",
)  # fmt: skip


def move(delay: float, polarity: int, by: str) -> StepSpec:
    return StepSpec(step="move", params={"delay_samples": delay, "polarity": polarity}, by=by)


@pytest.mark.parametrize(
    ("asked", "delay", "polarity"),
    [
        ([(3.25, 1)], 3.25, 1),
        ([(3.25, 1), (0.5, -1)], 3.75, -1),
        ([(3.1, -1), (-0.1, -1)], 3.0, 1),  # exactly whole, so that the bits are kept
        ([(0.1, 1), (0.2, 1), (-0.3, 1)], 0.0, 1),
    ],
)
def test_moves_are_one(asked: list[tuple[float, int]], delay: float, polarity: int) -> None:
    specs = [move(d, p, f"p{k}") for k, (d, p) in enumerate(asked)]
    low = StepSpec(step="low-cut", params={"cut_hz": 30.0}, by="low-cut")
    steps = [r.step for r in load_steps(TRACK, Plan(steps={TRACK.id: (*specs[:1], low, *specs[1:])}))]
    assert [s.name for s in steps] == ["low-cut", "move"]
    from spillgate.dsp.steps.move import MoveStep

    assert steps[-1] == MoveStep(delay_samples=delay, polarity=polarity)
    assert steps[-1].margins(48000) == MoveStep(delay_samples=delay).margins(48000)
