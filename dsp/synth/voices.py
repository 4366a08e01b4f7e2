"""What all voices share: the form of a voice, noise, levels."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

__all__ = ["LN_1000", "Audio", "Views", "Voice", "band_noise", "noise_slice", "reference_energy", "scaled"]

Audio = NDArray[np.float32]
Views = dict[str, Audio]

LN_1000 = float(np.log(1000.0))
"""Amplitude decay over one T60, in nepers."""

REFERENCE_S = 0.25
"""A voice's loudest strike is set to its `source_db` by the energy of this time."""


class Voice(Protocol):
    """Something that can be struck."""

    @property
    def views(self) -> tuple[str, ...]:
        """What `strike` gives."""

    def strike(self, level_db: float, sound: str, rng: np.random.Generator) -> Views:
        """Give the sound of one stroke at 1 m, per view, beginning with the contact at sample 0."""


def band_noise(n: int, sr: int, low_hz: float, high_hz: float, rng: np.random.Generator) -> Audio:
    """Make noise between two frequencies, RMS 1."""
    high = min(high_hz, 0.45 * sr)
    sos = butter(2, [low_hz, high], "bandpass", fs=sr, output="sos")
    x = sosfilt(sos, rng.standard_normal(n))
    return np.asarray(x / np.sqrt(np.mean(x**2)), np.float32)


def noise_slice(noise: Audio, n: int, rng: np.random.Generator) -> Audio:
    """Take a random piece of a longer noise."""
    start = int(rng.integers(0, len(noise) - n))
    return noise[start : start + n]


def reference_energy(x: Audio, sr: int) -> float:
    """Energy of the first `REFERENCE_S` seconds."""
    head = x[: int(REFERENCE_S * sr)].astype(np.float64)
    return float(np.sum(head**2)) / sr


def scaled(views: Views, gain: float) -> Views:
    """Apply a linear gain to every view."""
    return {k: np.asarray(v * np.float32(gain), np.float32) for k, v in views.items()}
