"""What drums emit: struck membranes with stick, shell-high modes and wires.

A voice is made once per take and struck once per stroke; no two strokes give the same samples.  Each strike gives one
or more *views* of the same sound: ``near`` is what a mic at the head hears, ``bottom`` what one under the snare hears,
``far`` what radiates into the room.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.special import jn_zeros, jv

from spillgate.dsp.synth.voices import LN_1000, Audio, Views, band_noise, noise_slice, reference_energy, scaled

__all__ = ["Drum", "DrumVoice", "membrane_modes"]

LAYERS_DB = (0.0, -6.0, -14.0, -24.0)
"""Strengths at which a membrane's modes are computed; a strike uses the nearest (pitch depends on strength)."""

NEGLIGIBLE = 1e-3
"""Modes weaker than this re the strongest are left out of a strike."""

HEAD_ANSWERS = 0.5
"""Amplitude of the head's own tones under a brush that sweeps it, re the rustle (common practice, no source)."""

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
    push : float
        Level of the push of the stick or beater, one swing as long as twice the contact.
    wires, wires_s : float
        Level and decay of snare wires; 0 for none.
    sweep_s : float
        It is not struck but swept with a brush, for so long; 0: struck.
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
    push: float = 0.8
    wires: float = 0.0
    wires_s: float = 0.09
    sweep_s: float = 0.0
    source_db: float = 0.0
    near_db: float = 0.0


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
        # Where the stick and the ear are decides each mode's phase; (0,1) follows the stick.
        self._phase = rng.uniform(-2.5, 2.5, len(index)) * (self._zero > 2.5)
        self._bases: dict[float, list[Audio]] = {}
        n = int(1.5 * sr)
        self._click = band_noise(n, sr, drum.click_hz / 2.2, drum.click_hz * 3.0, rng)
        self._body = band_noise(n, sr, drum.f0_hz * 2.5, max(drum.f0_hz * 12, 1200.0), rng)
        self._wires = band_noise(3 * n, sr, 1100.0, 9500.0, rng) if drum.wires > 0 else None
        self._brush = band_noise(3 * n, sr, 300.0, 7000.0, rng) if drum.sweep_s > 0 else np.zeros(0, np.float32)
        # Radiation far away: modes with nodal diameters cancel themselves below coincidence.
        self._far = 10.0 ** (-np.minimum(self._order, 3) * 2.5 / 20.0)
        self._gain = 1.0
        reference = self.strike(0.0, "", np.random.default_rng(1))["far"]
        self._gain = 10.0 ** (drum.source_db / 20.0) / np.sqrt(reference_energy(reference, sr))

    def _basis(self, level_db: float) -> list[Audio]:
        strength = 10.0 ** (level_db / 20.0)
        bend, tau = self.drum.glide * strength, self.drum.glide_s
        bent = int(8 * tau * self.sr)
        parts = []
        for f, t60, phase in zip(self._f, self._t60, self._phase, strict=True):
            n = int(np.ceil(t60 * -SILENT_DB / 60.0 * self.sr))
            t = np.arange(min(n, bent)) / self.sr
            # f(t) = f0 (1 + bend e^(-t/tau)), integrated from the contact on.
            warped = t + bend * tau * (1.0 - np.exp(-t / tau))
            part = np.sin(2 * np.pi * f * warped + phase) * np.exp(-LN_1000 / t60 * t)
            if n > bent:
                # From here on the pitch stands still (to 0.03 % of the bend) and the mode is a plain damped rotation.
                turn = (2j * np.pi * f - LN_1000 / t60) / self.sr
                start = np.exp(2j * np.pi * f * bend * tau + 1j * phase + turn * bent)
                coarse = start * np.exp(turn * 1024 * np.arange(-(-(n - bent) // 1024)))
                fine = np.exp(turn * np.arange(1024))
                part = np.concatenate([part, np.outer(coarse, fine).imag.ravel()[: n - bent]])
            parts.append(np.asarray(part, np.float32))
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
        layer = min(LAYERS_DB, key=lambda x: abs(level_db - x))
        if layer not in self._bases:
            self._bases[layer] = self._basis(layer)
        parts = self._bases[layer]
        least = NEGLIGIBLE * float(np.max(np.abs(weights)))
        y = np.zeros(max(len(p) for p in parts), np.float32)
        for w, part in zip(weights, parts, strict=True):
            if abs(w) > least:
                y[: len(part)] += np.float32(w) * part
        return y

    def strike(self, level_db: float, sound: str, rng: np.random.Generator) -> Views:
        """Give one stroke; see `Voice.strike`."""
        d, sr = self.drum, self.sr
        if d.sweep_s > 0:
            return self._sweep(level_db, rng)
        weights = self._weights(level_db, rng)
        scale = float(np.sqrt(np.sum(weights**2))) + 1e-9
        hard = 10.0 ** (level_db / 60.0)  # noise loses a third as many dB again as the stroke does
        near, far = self._mix(weights, level_db), self._mix(weights * self._far, level_db)
        ramp_n = max(int(d.contact_ms * 1e-3 * sr), 2)  # the head is pushed as long as the stick touches it
        ramp = np.sin(0.5 * np.pi * np.arange(ramp_n) / ramp_n, dtype=np.float32)
        for x in (near, far):
            x[:ramp_n] *= ramp
        burst_n = int(0.08 * sr)
        t = np.arange(burst_n, dtype=np.float32) / np.float32(sr)
        contact = d.contact_ms * 1e-3
        rise = 1.0 - np.exp(-t / (0.12 * contact))
        click = noise_slice(self._click, burst_n, rng) * np.exp(-t / (1.4 * contact)) * rise
        body = noise_slice(self._body, burst_n, rng) * np.exp(-t / 0.012) * rise
        # The stroke's push itself, the same way round everywhere: it is what polarity means on a drum.
        push = np.sin(np.pi * t / contact) * np.exp(-t / (1.2 * contact))
        burst = np.asarray(scale * (hard * (d.click * click + d.body * body) + d.push * push), np.float32)
        near[:burst_n] += burst
        far[:burst_n] += np.float32(0.7) * burst
        views = {"near": near, "far": far}
        if self._wires is not None:
            views = self._add_wires(views, scale, level_db, rng)
        return scaled(views, self._gain * 10.0 ** (level_db / 20.0))

    def _sweep(self, level_db: float, rng: np.random.Generator) -> Views:
        """Sweep the head with a brush: noise that swells and sinks, and the head that answers it."""
        n = int(self.drum.sweep_s * float(rng.uniform(0.8, 1.2)) * self.sr)
        swell = np.sin(np.pi * np.arange(n) / n) ** 1.5
        noise = noise_slice(self._brush, n, rng) * np.asarray(swell, np.float32)
        head = self._mix(self._weights(-24.0, rng), -24.0)
        size = int(next_fast_len(n + len(head), real=True))
        answer = np.asarray(irfft(rfft(noise, size) * rfft(head, size), size), np.float32)
        answer *= np.float32(HEAD_ANSWERS) * np.sqrt(np.mean(noise**2) / max(float(np.mean(answer[:n] ** 2)), 1e-30))
        answer[:n] += noise
        return scaled({"near": answer, "far": answer}, self._gain * 10.0 ** (level_db / 20.0))

    def _add_wires(self, views: Views, scale: float, level_db: float, rng: np.random.Generator) -> Views:
        assert self._wires is not None
        d, sr = self.drum, self.sr
        n = min(int(8 * d.wires_s * sr), len(self._wires) - 1)
        t = np.arange(n, dtype=np.float32) / np.float32(sr)
        # The wires leave the head with the first swing of the bottom head, about 0.4 ms after the stick.
        rise = np.clip((t - 4e-4) / 1.2e-3, 0.0, 1.0)
        wires = (
            scale
            * d.wires
            * 10.0 ** (-level_db / 80.0)
            * rise
            * np.exp(-t / d.wires_s)
            * noise_slice(self._wires, n, rng)
        )
        length = max(n, len(views["near"]))
        out = {}
        for name, drum_gain, wire_gain in (("near", 1.0, 0.7), ("bottom", -0.7, -1.6), ("far", 1.0, 0.9)):
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
            y[:n] += np.asarray(np.sqrt(np.sum(weights**2)) * 1.0 * self.drum.wires * swell, np.float32) * noise_slice(
                self._wires, n, rng
            )
        return np.asarray(y * np.float32(gain), np.float32)
