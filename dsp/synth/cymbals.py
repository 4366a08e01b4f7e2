"""What cymbals emit: dense inharmonic partials that build up and die by octaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spillgate.dsp.synth.voices import LN_1000, Audio, Views, band_noise, noise_slice, reference_energy, scaled

__all__ = ["Cymbal", "CymbalVoice"]


@dataclass(frozen=True, kw_only=True)
class Cymbal:
    """A cymbal as a parameter set.

    Attributes
    ----------
    low_hz : float
        Where its lowest strong partials lie.
    t60_low_s, t60_high_s : float
        Decay at `low_hz` and at 12 kHz; log-interpolated over frequency between and beyond.
    bloom_ms : float
        How slowly the middle and upper partials build up after the stroke (crashes: tens of ms).
    tilt_db : float
        Level per octave from `low_hz` upwards.
    ping : float
        Level of the stick's contact sound.
    density : float
        Partials per Hz.
    source_db : float
        As in `Drum`.
    """

    low_hz: float
    t60_low_s: float
    t60_high_s: float
    bloom_ms: float = 3.0
    tilt_db: float = 0.0
    ping: float = 0.4
    density: float = 0.25
    source_db: float = -8.0


BAND_EDGES_HZ = (110.0, 250.0, 600.0, 1200.0, 2400.0, 4800.0, 9600.0, 20000.0)
"""Octave-wide bands in which a cymbal's partials share one decay."""

BLOOM_START = 0.25
"""Amplitude with which a partial begins, re where it has built up to."""

REALISATIONS = 4
"""Independent sets of partial phases per band; a strike mixes them anew."""


class CymbalVoice:
    """Dense inharmonic partials in octaves, each with its own build-up and decay.

    Parameters
    ----------
    cymbal : Cymbal
    sr : int
        Hz.
    rng : numpy Generator
        Draws this specimen's partials.
    """

    views = ("near",)

    def __init__(self, cymbal: Cymbal, sr: int, rng: np.random.Generator) -> None:
        self.cymbal, self.sr = cymbal, sr
        self._bands = [self._band(b, rng) for b in range(len(BAND_EDGES_HZ) - 1)]
        self._stick = band_noise(int(1.5 * sr), sr, 2500.0, 14000.0, rng)
        self._gain = 1.0
        reference = self.strike(0.0, "", np.random.default_rng(1))["near"]
        self._gain = 10.0 ** (cymbal.source_db / 20.0) / np.sqrt(reference_energy(reference, sr))

    def t60_s(self, f_hz: float) -> float:
        """Decay time at a frequency."""
        c = self.cymbal
        u = np.clip(np.log(f_hz / c.low_hz) / np.log(12000.0 / c.low_hz), -0.3, 1.2)
        return float(c.t60_low_s ** (1 - u) * c.t60_high_s**u)

    def _band(self, b: int, rng: np.random.Generator) -> tuple[list[Audio], float]:
        c, sr = self.cymbal, self.sr
        low, high = BAND_EDGES_HZ[b], min(BAND_EDGES_HZ[b + 1], 0.48 * sr)
        centre = float(np.sqrt(low * high))
        t60 = self.t60_s(centre)
        n = int(min(t60 * 1.15, 7.0) * sr)
        t = np.arange(n) / sr
        bloom = c.bloom_ms * 1e-3 * float(np.clip(centre / 3000.0, 0.25, 1.3))
        # The stroke itself sounds at once, the rest arrives as energy spreads upwards through the partials.
        envelope = np.exp(-LN_1000 / t60 * t) * (BLOOM_START + (1.0 - BLOOM_START) * (1.0 - np.exp(-t / bloom)))
        envelope += 0.5 * np.exp(-t / 0.02) * (centre > 2000.0)
        size = 1 << int(np.ceil(np.log2(max(n, 2))))
        lo_bin, hi_bin = int(low / sr * size), int(high / sr * size)
        lines = int((high - low) * c.density)
        where = rng.integers(lo_bin, hi_bin, max(lines, 6))
        # Some partials tower over the rest: 7 dB standard deviation.
        loud = np.exp(rng.normal(0.0, 0.8, len(where)))
        parts = []
        for _ in range(REALISATIONS):
            spectrum = np.zeros(size // 2 + 1, np.complex64)
            np.add.at(spectrum, where, (loud * np.exp(2j * np.pi * rng.random(len(where)))).astype(np.complex64))
            x = np.fft.irfft(spectrum, size)[:n]
            x /= np.sqrt(np.mean(x**2))
            parts.append(np.asarray(x * envelope, np.float32))
        octaves = float(np.log2(centre / c.low_hz))
        level_db = c.tilt_db * max(octaves, 0.0) - 8.0 * max(-octaves, 0.0)
        return parts, 10.0 ** (level_db / 20.0)

    def strike(self, level_db: float, sound: str, rng: np.random.Generator) -> Views:
        """Give one stroke; see `Voice.strike`."""
        c, sr = self.cymbal, self.sr
        y = np.zeros(max(len(parts[0]) for parts, _ in self._bands), np.float32)
        for b, (parts, gain) in enumerate(self._bands):
            # Soft strokes are darker: the upper octaves lose about 1.5 dB more per octave at -20 dB.
            dull = 10.0 ** (level_db * 0.075 * (b - 1) / 20.0) * 10.0 ** (rng.normal(0.0, 1.2) / 20.0)
            mix = rng.normal(size=REALISATIONS)
            mix *= gain * dull / np.sqrt(np.sum(mix**2))
            for w, part in zip(mix, parts, strict=True):
                y[: len(part)] += np.float32(w) * part
        n = int(0.03 * sr)
        t = np.arange(n, dtype=np.float32) / np.float32(sr)
        rise = 1.0 - np.exp(-t / 1.2e-4)
        peak = float(np.sqrt(np.mean(y[: int(0.02 * sr)] ** 2)))
        y[:n] += np.asarray(3.0 * peak * c.ping * rise * np.exp(-t / 0.0025), np.float32) * noise_slice(
            self._stick, n, rng
        )
        y[: max(int(1e-4 * sr), 2)] *= np.linspace(0.3, 1.0, max(int(1e-4 * sr), 2), dtype=np.float32)
        return scaled({"near": y}, self._gain * 10.0 ** (level_db / 20.0))
