"""What tracks are called on screens and pages."""

from __future__ import annotations

from pathlib import Path

import pytest

from spillgate.dsp.take.model import AudioFile, Take, Track


def track(file: str, n_channels: int, channel: int, position: str | None = None, name: str = "") -> Track:
    audio = AudioFile(
        path=Path(file),
        name=file,
        sr=48_000,
        n_samples=9,
        n_channels=n_channels,
        format="WAV",
        subtype="PCM_24",
        start=0,
    )
    track_id = file if n_channels == 1 else f"{file}:{channel}"
    return Track(id=track_id, files=(audio,), channel=channel, position=position, name=name)


@pytest.mark.parametrize(
    ("one", "label"),
    [
        (track("Kick.wav", 1, 0, "in"), "Kick"),
        (track("OH.wav", 2, 0, "left"), "OH left"),
        (track("OH.wav", 2, 1, "right"), "OH right"),
        (track("OH.wav", 2, 1, "side"), "OH side"),
        (track("Keys.wav", 2, 1), "Keys right"),
        (track("T003.wav", 8, 2, "left", "Rack Tom"), "Rack Tom"),
        (track("T003.wav", 8, 2, "left"), "T003 channel 3"),
    ],
)
def test_channels_are_called_by_side_or_their_own_name(one: Track, label: str) -> None:
    assert one.label == label
    assert Take(name="take", tracks=(one,), sr=48_000, n_samples=9).track(label) is one
