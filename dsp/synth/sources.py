"""The voice of a piece: modelled, or recorded one-shots in its place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.signal import sosfilt

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.synth.cymbals import Cymbal, CymbalVoice
from spillgate.dsp.synth.membranes import Drum, DrumVoice
from spillgate.dsp.synth.voices import Audio, Views, Voice, reference_energy, scaled

__all__ = ["SampleVoice", "make_voice"]


class SampleVoice:
    """Recorded dry one-shots in place of a model.

    Parameters
    ----------
    samples : sequence of (level_db, ndarray)
        Level of the stroke re the drum's loudest, and its mono sound at `sr`; the sound's own scale does not matter.
    sr : int
        Hz.
    source_db : float
        As in `Drum`.
    wires : bool
        Whether there is a mic under the drum that hears it inverted.

    Notes
    -----
    The contact is put where the sound first passes 3 % of its peak, with half a millisecond kept before it.  Each
    strike passes a random gentle filter, so no two are alike.
    """

    def __init__(
        self, samples: Sequence[tuple[float, Audio]], sr: int, source_db: float = 0.0, wires: bool = False
    ) -> None:
        self.sr = sr
        self.views = ("near", "bottom") if wires else ("near",)
        self._levels: list[float] = []
        self._sounds: list[Audio] = []
        self._gain = 10.0 ** (source_db / 20.0)
        for level_db, sound in sorted(samples, key=lambda s: -s[0]):
            x = np.asarray(sound, np.float32)
            peak = float(np.max(np.abs(x), initial=0.0))
            if peak <= 0:
                continue
            first = int(np.argmax(np.abs(x) > 0.03 * peak))
            x = x[first:]
            self._levels.append(float(level_db))
            self._sounds.append(np.asarray(x / np.sqrt(reference_energy(x, sr)), np.float32))
        if not self._sounds:
            raise ParameterError("samples: every one-shot is silent or there is none; give at least one that sounds")
        top = max(self._levels)
        self._levels = [v - top for v in self._levels]

    def strike(self, level_db: float, sound: str, rng: np.random.Generator) -> Views:
        """Give one stroke; see `Voice.strike`."""
        distance = np.abs(np.array(self._levels) - level_db)
        near = np.argsort(distance, kind="stable")[: max(3, int(np.sum(distance <= 2.0)))]
        x = self._sounds[int(rng.choice(near[: len(self._sounds)]))]
        # y = x + a (x - onepole(x)): a shelf of at most about ±1.5 dB from some random frequency upwards.
        corner = float(np.exp(rng.uniform(np.log(200.0), np.log(5000.0))))
        pole = float(np.exp(-2 * np.pi * corner / self.sr))
        shelf = float(rng.uniform(-0.17, 0.17))
        low = sosfilt(np.array([[1 - pole, 0, 0, 1, -pole, 0]], np.float32), x)
        y = np.asarray(x + np.float32(shelf) * (x - low), np.float32)
        y = scaled({"": y}, self._gain * 10.0 ** (level_db / 20.0))[""]
        return {"near": y, "bottom": -y} if "bottom" in self.views else {"near": y}


def make_voice(
    piece: Drum | Cymbal,
    sr: int,
    rng: np.random.Generator,
    samples: Sequence[tuple[float, Audio]] | None = None,
) -> Voice:
    """Make the voice of one piece: recorded if there are samples, else modelled."""
    if samples:
        return SampleVoice(samples, sr, piece.source_db, isinstance(piece, Drum) and piece.wires > 0)
    return DrumVoice(piece, sr, rng) if isinstance(piece, Drum) else CymbalVoice(piece, sr, rng)
