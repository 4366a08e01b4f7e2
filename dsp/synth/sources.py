"""What the pieces of a kit emit: struck membranes, cymbals, and recorded one-shots in their place.

A voice is made once per take and struck once per stroke; no two strokes give the same samples.  Each strike gives one
or more *views* of the same sound: ``near`` is what a mic at the head hears, ``bottom`` what one under the snare hears,
``far`` what radiates into the room.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt
from scipy.special import jn_zeros, jv

from spillgate.dsp.errors import ParameterError

__all__ = ["Cymbal", "CymbalVoice", "Drum", "DrumVoice", "SampleVoice", "Voice", "membrane_modes"]

Audio = NDArray[np.float32]
Views = dict[str, Audio]

LN_1000 = float(np.log(1000.0))
"""Amplitude decay over one T60, in nepers."""

LAYERS_DB = (0.0, -6.0, -14.0, -24.0)
"""Strengths at which a membrane's modes are computed; a strike uses the nearest (pitch depends on strength)."""

REFERENCE_S = 0.25
"""A voice's loudest strike is set to its `source_db` by the energy of this time."""

SILENT_DB = -72.0
"""Where a decaying component is dropped, re its start."""


def membrane_modes(n: int) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """List the lowest modes of the ideal circular membrane.

    Parameters
    ----------
    n : int
        How many, at most 100.

    Returns
    -------
    order : ndarray of int, shape (n,)
        Nodal diameters m.
    zero : ndarray, shape (n,)
        Zeros of the Bessel function J_m.
    ratio : ndarray, shape (n,)
        Frequency re the lowest mode.

    References
    ----------
    Fletcher & Rossing, *The Physics of Musical Instruments*, 2nd ed. 1998, chapter 3.
    """
    found = sorted((float(z), m) for m in range(16) for z in jn_zeros(m, 8))[:n]
    zero = np.array([z for z, _ in found])
    return np.array([m for _, m in found]), zero, zero / zero[0]


class Voice(Protocol):
    """Something that can be struck."""

    @property
    def views(self) -> tuple[str, ...]:
        """What `strike` gives."""

    def strike(self, level_db: float, sound: str, rng: np.random.Generator) -> Views:
        """Give the sound of one stroke at 1 m, per view, beginning with the contact at sample 0."""


@dataclass(frozen=True, kw_only=True)
class Drum:
    """A drum as a parameter set.

    Attributes
    ----------
    f0_hz : float
        Lowest mode at a soft stroke.
    t60_s : float
        Decay of the longest-ringing mode, (1,1).
    t60_01_s : float
        Decay of (0,1), which radiates as a monopole and dies fastest (Fletcher & Rossing, chapter 18).
    damping : float
        How much faster higher modes die: T60 falls as (f/f11) to this power.
    stretch : float
        Exponent on the ideal mode ratios; air loading and the second head pull them together.
    glide, glide_s : float
        Rise of pitch at the loudest stroke (0.06 = 6 %) and its time constant.
    contact_ms : float
        Contact of stick or beater at the loudest stroke; softer strokes touch longer.
    strike_r, strike_spread : float
        Where it is struck, re the radius, and how much that varies.
    click, click_hz : float
        Level of the contact noise (linear, re the modes) and its centre.
    body : float
        Level of the many high modes that fuse to a burst.
    wires, wires_s : float
        Level and decay of snare wires; 0 for none.
    source_db : float
        Energy of the loudest stroke's first 250 ms at 1 m, re an arbitrary common zero.
    near_db : float
        How much more of it a close mic hears, beyond what every drum's near field gives.
    """

    f0_hz: float
    t60_s: float
    t60_01_s: float
    damping: float = 0.8
    stretch: float = 0.94
    glide: float = 0.06
    glide_s: float = 0.06
    contact_ms: float = 1.0
    strike_r: float = 0.25
    strike_spread: float = 0.12
    click: float = 0.25
    click_hz: float = 3500.0
    body: float = 0.3
    wires: float = 0.0
    wires_s: float = 0.09
    source_db: float = 0.0
    near_db: float = 0.0


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
        Partials per Hz below about 1 kHz; above they always fuse.
    source_db : float
        As in `Drum`.
    """

    low_hz: float
    t60_low_s: float
    t60_high_s: float
    bloom_ms: float = 3.0
    tilt_db: float = 0.0
    ping: float = 0.4
    density: float = 0.05
    source_db: float = -8.0


def _band_noise(n: int, sr: int, low_hz: float, high_hz: float, rng: np.random.Generator) -> Audio:
    high = min(high_hz, 0.45 * sr)
    sos = butter(2, [low_hz, high], "bandpass", fs=sr, output="sos")
    x = sosfilt(sos, rng.standard_normal(n))
    return np.asarray(x / np.sqrt(np.mean(x**2)), np.float32)


def _slice(noise: Audio, n: int, rng: np.random.Generator) -> Audio:
    start = int(rng.integers(0, len(noise) - n))
    return noise[start : start + n]


def _energy(x: Audio, sr: int) -> float:
    head = x[: int(REFERENCE_S * sr)].astype(np.float64)
    return float(np.sum(head**2)) / sr


def _scale(views: Views, gain: float) -> Views:
    return {k: np.asarray(v * np.float32(gain), np.float32) for k, v in views.items()}


class DrumVoice:
    """A struck membrane with stick, shell-high modes and perhaps wires.

    Parameters
    ----------
    drum : Drum
    sr : int
        Hz.
    rng : numpy Generator
        Draws this specimen: split of the degenerate modes, noise.
    """

    def __init__(self, drum: Drum, sr: int, rng: np.random.Generator) -> None:
        self.drum, self.sr = drum, sr
        self.views = ("near", "bottom", "far") if drum.wires > 0 else ("near", "far")
        order, zero, ratio = membrane_modes(16)
        # Both members of a pair with m > 0 sound; uneven tension parts them by up to about a per cent.
        pair = np.concatenate([np.zeros(len(order)), np.ones(int(np.sum(order > 0)))])
        index = np.concatenate([np.arange(len(order)), np.flatnonzero(order > 0)])
        self._order, self._zero, self._pair = order[index], zero[index], pair
        split = 1.0 + pair * rng.uniform(0.002, 0.012, len(index))
        scatter = 1.0 + rng.normal(0.0, 0.006, len(index)) * (self._zero > 3.0)
        self._f = drum.f0_hz * ratio[index] ** drum.stretch * split * scatter
        f11 = drum.f0_hz * 1.5933**drum.stretch
        t60 = drum.t60_s * (np.maximum(self._f, f11) / f11) ** -drum.damping
        t60 *= np.exp(rng.normal(0.0, 0.12, len(index)))
        t60[self._zero < 2.5] = drum.t60_01_s
        self._t60 = t60
        self._bases = [self._basis(level) for level in LAYERS_DB]
        n = int(1.5 * sr)
        self._click = _band_noise(n, sr, drum.click_hz / 2.2, drum.click_hz * 2.2, rng)
        self._body = _band_noise(n, sr, drum.f0_hz * 2.5, max(drum.f0_hz * 12, 1200.0), rng)
        self._wires = _band_noise(3 * n, sr, 1100.0, 9500.0, rng) if drum.wires > 0 else None
        # Radiation far away: modes with nodal diameters cancel themselves below coincidence.
        self._far = 10.0 ** (-np.minimum(self._order, 3) * 2.5 / 20.0)
        self._gain = 1.0
        reference = self.strike(0.0, "", np.random.default_rng(1))["far"]
        self._gain = 10.0 ** (drum.source_db / 20.0) / np.sqrt(_energy(reference, sr))

    def _basis(self, level_db: float) -> list[Audio]:
        strength = 10.0 ** (level_db / 20.0)
        bend, tau = self.drum.glide * strength, self.drum.glide_s
        parts = []
        for f, t60 in zip(self._f, self._t60, strict=True):
            n = int(np.ceil(t60 * -SILENT_DB / 60.0 * self.sr))
            t = np.arange(n) / self.sr
            # f(t) = f0 (1 + bend e^(-t/tau)) integrated: the phase starts at 0 with the contact.
            warped = t + bend * tau * (1.0 - np.exp(-t / tau))
            parts.append(np.asarray(np.sin(2 * np.pi * f * warped) * np.exp(-LN_1000 / t60 * t), np.float32))
        return parts

    def _weights(self, level_db: float, rng: np.random.Generator) -> NDArray[np.float64]:
        d = self.drum
        r = float(np.clip(abs(rng.normal(d.strike_r, d.strike_spread)), 0.02, 0.85))
        angle = rng.uniform(-0.5, 0.5)
        shape = jv(self._order, self._zero * r)
        side = np.where(self._pair > 0, np.sin(self._order * angle + 0.7), np.cos(self._order * angle + 0.7))
        shape = shape * np.where(self._order > 0, side * np.sqrt(2.0), 1.0)
        contact_s = d.contact_ms * 1e-3 * 10.0 ** (-level_db / 90.0)
        force = 1.0 / (1.0 + (2.0 * self._f * contact_s) ** 2)
        return np.asarray(shape * force * np.exp(rng.normal(0.0, 0.1, len(shape))), np.float64)

    def _mix(self, weights: NDArray[np.float64], level_db: float) -> Audio:
        layer = int(np.argmin([abs(level_db - x) for x in LAYERS_DB]))
        parts = self._bases[layer]
        y = np.zeros(max(len(p) for p in parts), np.float32)
        for w, part in zip(weights, parts, strict=True):
            if abs(w) > 1e-4:
                y[: len(part)] += np.float32(w) * part
        return y

    def strike(self, level_db: float, sound: str, rng: np.random.Generator) -> Views:
        """Give one stroke; see `Voice.strike`."""
        d, sr = self.drum, self.sr
        weights = self._weights(level_db, rng)
        scale = float(np.sqrt(np.sum(weights**2))) + 1e-9
        hard = 10.0 ** (level_db / 60.0)  # noise loses a third as many dB again as the stroke does
        near, far = self._mix(weights, level_db), self._mix(weights * self._far, level_db)
        ramp_n = max(int(2e-4 * sr), 2)  # the head yields within about 0.2 ms of contact
        ramp = np.sin(0.5 * np.pi * np.arange(ramp_n) / ramp_n, dtype=np.float32)
        for x in (near, far):
            x[:ramp_n] *= ramp
        burst_n = int(0.08 * sr)
        t = np.arange(burst_n, dtype=np.float32) / np.float32(sr)
        contact = d.contact_ms * 1e-3
        rise = 1.0 - np.exp(-t / (0.12 * contact))
        click = _slice(self._click, burst_n, rng) * np.exp(-t / (1.4 * contact)) * rise
        body = _slice(self._body, burst_n, rng) * np.exp(-t / 0.012) * rise
        burst = np.asarray(scale * hard * (d.click * click + d.body * body), np.float32)
        near[:burst_n] += burst
        far[:burst_n] += np.float32(0.9) * burst
        views = {"near": near, "far": far}
        if self._wires is not None:
            views = self._add_wires(views, scale, level_db, rng)
        return _scale(views, self._gain * 10.0 ** (level_db / 20.0))

    def _add_wires(self, views: Views, scale: float, level_db: float, rng: np.random.Generator) -> Views:
        assert self._wires is not None
        d, sr = self.drum, self.sr
        n = min(int(8 * d.wires_s * sr), len(self._wires) - 1)
        t = np.arange(n, dtype=np.float32) / np.float32(sr)
        # The wires leave the head with the first swing of the bottom head, about 0.4 ms after the stick.
        rise = np.clip((t - 4e-4) / 1.2e-3, 0.0, 1.0)
        wires = (
            scale * d.wires * 10.0 ** (-level_db / 80.0) * rise * np.exp(-t / d.wires_s) * _slice(self._wires, n, rng)
        )
        length = max(n, len(views["near"]))
        out = {}
        for name, drum_gain, wire_gain in (("near", 1.0, 0.7), ("bottom", -0.7, 1.6), ("far", 1.0, 0.9)):
            y = np.zeros(length, np.float32)
            x = views["near" if name == "bottom" else name]
            y[: len(x)] = np.float32(drum_gain) * x
            y[:n] += np.asarray(wire_gain * wires, np.float32)
            out[name] = y
        return out

    def ring(self, level_db: float, rng: np.random.Generator) -> Audio:
        """Give what the drum does when another one shakes it: modes without attack, or wires alone.

        `level_db` is re the loudest stroke.
        """
        sr = self.sr
        gain = self._gain * 10.0 ** (level_db / 20.0)
        weights = self._weights(-24.0, rng) * rng.choice([-1.0, 1.0], len(self._f))
        y = self._mix(weights, -24.0)
        t = np.arange(len(y), dtype=np.float32) / np.float32(sr)
        y *= 1.0 - np.exp(-t / np.float32(0.012))
        if self._wires is not None:
            n = min(int(8 * self.drum.wires_s * sr), len(self._wires) - 1, len(y))
            t = t[:n]
            swell = (1.0 - np.exp(-t / 0.004)) * np.exp(-t / (1.3 * self.drum.wires_s))
            y[:n] += np.asarray(np.sqrt(np.sum(weights**2)) * 2.0 * self.drum.wires * swell, np.float32) * _slice(
                self._wires, n, rng
            )
        return np.asarray(y * np.float32(gain), np.float32)


BAND_EDGES_HZ = (250.0, 600.0, 1200.0, 2400.0, 4800.0, 9600.0, 20000.0)
"""Octave-wide bands in which a cymbal's partials share one decay."""

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
        self._stick = _band_noise(int(1.5 * sr), sr, 2500.0, 14000.0, rng)
        self._gain = 1.0
        reference = self.strike(0.0, "", np.random.default_rng(1))["near"]
        self._gain = 10.0 ** (cymbal.source_db / 20.0) / np.sqrt(_energy(reference, sr))

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
        envelope = np.exp(-LN_1000 / t60 * t) * (0.35 + 0.65 * (1.0 - np.exp(-t / bloom)))
        envelope += 0.5 * np.exp(-t / 0.02) * (centre > 2000.0)
        size = 1 << int(np.ceil(np.log2(max(n, 2))))
        lo_bin, hi_bin = int(low / sr * size), int(high / sr * size)
        lines = int((high - low) * (c.density if high <= 1300.0 else max(c.density, 0.3)))
        where = rng.integers(lo_bin, hi_bin, max(lines, 6))
        parts = []
        for _ in range(REALISATIONS):
            spectrum = np.zeros(size // 2 + 1, np.complex64)
            np.add.at(spectrum, where, np.exp(2j * np.pi * rng.random(len(where))).astype(np.complex64))
            x = np.fft.irfft(spectrum, size)[:n]
            x /= np.sqrt(np.mean(x**2))
            parts.append(np.asarray(x * envelope, np.float32))
        octaves = float(np.log2(centre / c.low_hz))
        level_db = c.tilt_db * max(octaves, 0.0) - 9.0 * max(-octaves, 0.0)
        return parts, 10.0 ** (level_db / 20.0)

    def strike(self, level_db: float, sound: str, rng: np.random.Generator) -> Views:
        """Give one stroke; see `Voice.strike`."""
        c, sr = self.cymbal, self.sr
        y = np.zeros(max(len(parts[0]) for parts, _ in self._bands), np.float32)
        for b, (parts, gain) in enumerate(self._bands):
            # Soft strokes are darker: the upper octaves lose about 1.5 dB more per octave at -20 dB.
            dull = 10.0 ** (level_db * 0.075 * b / 20.0) * 10.0 ** (rng.normal(0.0, 1.2) / 20.0)
            mix = rng.normal(size=REALISATIONS)
            mix *= gain * dull / np.sqrt(np.sum(mix**2))
            for w, part in zip(mix, parts, strict=True):
                y[: len(part)] += np.float32(w) * part
        n = int(0.03 * sr)
        t = np.arange(n, dtype=np.float32) / np.float32(sr)
        rise = 1.0 - np.exp(-t / 1.2e-4)
        peak = float(np.sqrt(np.mean(y[: int(0.02 * sr)] ** 2)))
        y[:n] += np.asarray(3.0 * peak * c.ping * rise * np.exp(-t / 0.0025), np.float32) * _slice(self._stick, n, rng)
        y[: max(int(1e-4 * sr), 2)] *= np.linspace(0.3, 1.0, max(int(1e-4 * sr), 2), dtype=np.float32)
        return _scale({"near": y}, self._gain * 10.0 ** (level_db / 20.0))


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
            self._sounds.append(np.asarray(x / np.sqrt(_energy(x, sr)), np.float32))
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
        y = _scale({"": y}, self._gain * 10.0 ** (level_db / 20.0))[""]
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


SampleSet = Mapping[str, Sequence[tuple[float, Audio]]]
