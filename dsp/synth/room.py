"""A room with microphones: direct sound with its exact delay, reflections, a diffuse tail; and the summing engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import butter, sosfilt

__all__ = ["Mic", "OverlapAdd", "Point", "Room", "TailNoise", "path_response", "speed_of_sound_m_s"]

Audio = NDArray[np.float32]
Point = tuple[float, float, float]
"""Metres: x to the drummer's right, y towards the audience, z up; origin on the floor under the snare."""

PRE_SAMPLES = 32
"""Samples of a path response before time zero: half the interpolation kernel."""

KAISER_BETA = 8.0
"""Window of the 64-tap interpolation kernel: error about -80 dB to 20 kHz at 48 kHz."""

TAIL_BANDS_HZ = (500.0, 4000.0)
TAIL_RT_RATIO = (1.1, 1.0, 0.6)
"""Decay times below, between and above `TAIL_BANDS_HZ` re the room's RT60: air and soft things eat the treble."""


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in air, c = 343.2 √(T / 293.15 K) (ISO 9613-1, as usually quoted)."""
    return 343.2 * float(np.sqrt((temperature_c + 273.15) / 293.15))


@dataclass(frozen=True, kw_only=True)
class Room:
    """A shoebox room.

    Attributes
    ----------
    size_m : (float, float, float)
        Width, depth, height.
    origin_m : (float, float)
        The point under the snare, from the corner at the drummer's back left.
    rt60_s : float
        Decay time between 500 Hz and 4 kHz.
    temperature_c : float
    order : int
        Image sources up to this order; 1 or 2.
    tail_db : float
        Diffuse sound re statistical acoustics (critical distance 0.057 √(V / RT60)).
    """

    size_m: tuple[float, float, float] = (5.5, 6.5, 2.9)
    origin_m: tuple[float, float] = (2.6, 1.9)
    rt60_s: float = 0.35
    temperature_c: float = 21.0
    order: int = 2
    tail_db: float = -2.0

    @property
    def speed_m_s(self) -> float:
        """Speed of sound."""
        return speed_of_sound_m_s(self.temperature_c)

    @property
    def volume_m3(self) -> float:
        """Volume."""
        return self.size_m[0] * self.size_m[1] * self.size_m[2]

    @property
    def reflection(self) -> float:
        """Pressure reflection factor of the walls by Sabine's formula, RT60 = 0.161 V / (S α)."""
        w, d, h = self.size_m
        surface = 2 * (w * d + w * h + d * h)
        alpha = min(0.161 * self.volume_m3 / (surface * self.rt60_s), 0.95)
        return float(np.sqrt(1 - alpha))

    def images(self, source: Point) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Mirror a source in the walls up to `order`; the first is the source itself.

        Returns
        -------
        points : ndarray, shape (n, 3)
            In the coordinates of the kit.
        bounces : ndarray of int, shape (n,)
        """
        origin = np.array([self.origin_m[0], self.origin_m[1], 0.0])
        inside = np.asarray(source) + origin
        found = []
        for kx in range(-self.order, self.order + 1):
            for ky in range(-self.order, self.order + 1):
                for kz in range(-self.order, self.order + 1):
                    bounces = abs(kx) + abs(ky) + abs(kz)
                    if bounces > self.order:
                        continue
                    point = [
                        k * side + (side - p if k % 2 else p)
                        for k, side, p in zip((kx, ky, kz), self.size_m, inside, strict=True)
                    ]
                    found.append((bounces, tuple(np.array(point) - origin)))
        found.sort()
        return np.array([p for _, p in found]), np.array([b for b, _ in found])


@dataclass(frozen=True, kw_only=True)
class Mic:
    """A microphone.

    Attributes
    ----------
    id : str
        Track id.
    role : str
    drum, position : str or None
    place, aim : Point
        Where it is and the point it looks at.
    omni : float
        Pattern = omni + (1 − omni)·cos: 0.5 cardioid, 1 omnidirectional.
    group : str
        Mics of a group share one preamp gain; empty for none.
    view : str
        Which view of its own drum it hears.
    channel, n_channels : int
        Its place in its file.
    file : str
        Name of its file.
    """

    id: str
    role: str
    drum: str | None
    position: str | None
    place: Point
    aim: Point
    file: str
    omni: float = 0.52
    group: str = ""
    view: str = "near"
    channel: int = 0
    n_channels: int = 1


class TailNoise:
    """Noise from which every path takes its own piece of diffuse tail.

    Parameters
    ----------
    room : Room
    sr : int
        Hz.
    n : int
        Length of the responses in samples.
    rng : numpy Generator
    """

    def __init__(self, room: Room, sr: int, n: int, rng: np.random.Generator) -> None:
        self.n = n
        noise = rng.standard_normal(8 * n)
        self._pieces = []
        t = np.arange(n) / sr
        filters = (
            butter(2, TAIL_BANDS_HZ[0], "low", fs=sr, output="sos"),
            butter(2, TAIL_BANDS_HZ, "band", fs=sr, output="sos"),
            butter(2, TAIL_BANDS_HZ[1], "high", fs=sr, output="sos"),
        )
        # A diffuse field's energy per unit of source energy at 1 m is 1/r_c²; h² decays with 13.8/RT60.
        critical_m = 0.057 * np.sqrt(room.volume_m3 / room.rt60_s)
        level = np.sqrt(13.8 / (sr * room.rt60_s)) / critical_m * 10.0 ** (room.tail_db / 20.0)
        for sos, ratio in zip(filters, TAIL_RT_RATIO, strict=True):
            envelope = level * np.exp(-np.log(1000.0) * t / (room.rt60_s * ratio))
            self._pieces.append((np.asarray(sosfilt(sos, noise), np.float32), np.asarray(envelope, np.float32)))

    def tail(self, rng: np.random.Generator) -> Audio:
        """Draw a new tail, shape (n,)."""
        start = int(rng.integers(0, 7 * self.n))
        y = np.zeros(self.n, np.float32)
        for noise, envelope in self._pieces:
            y += envelope * noise[start : start + self.n]
        return y


def _pattern(mic: Mic, points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    axis = np.asarray(mic.aim) - np.asarray(mic.place)
    axis = axis / np.linalg.norm(axis)
    ray = points - np.asarray(mic.place)
    distance = np.linalg.norm(ray, axis=1)
    cosine = ray @ axis / distance
    return np.abs(mic.omni + (1 - mic.omni) * cosine) + 0.02, cosine


def path_response(
    room: Room,
    source: Point,
    mic: Mic,
    sr: int,
    tail: TailNoise,
    rng: np.random.Generator,
    smallest_m: float = 0.0,
) -> Audio:
    """Impulse response from a point to a mic.

    Parameters
    ----------
    room : Room
    source : Point
    mic : Mic
    sr : int
        Hz.
    tail : TailNoise
    rng : numpy Generator
        Draws the tail.
    smallest_m : float
        The level stops rising nearer than this (a drum is no point to a mic 5 cm above it); delays stay exact.

    Returns
    -------
    h : ndarray, shape (tail.n,)
        Time zero is sample `PRE_SAMPLES`.  Off-axis and reflected sound is duller by a zero-phase filter, which moves
        no arrival.
    """
    points, bounces = room.images(source)
    gain, cosine = _pattern(mic, points)
    distance = np.linalg.norm(points - np.asarray(mic.place), axis=1)
    gain *= room.reflection**bounces / np.maximum(distance, smallest_m)
    delay = distance / room.speed_m_s * sr
    whole = np.round(delay).astype(np.int64)
    taps = np.arange(-PRE_SAMPLES + 1, PRE_SAMPLES)
    x = taps[None, :] - (delay - whole)[:, None]
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(1 - (x / PRE_SAMPLES) ** 2, 0.0))) / np.i0(KAISER_BETA)
    kernels = gain[:, None] * np.sinc(x) * window
    # Three taps (a, 1 − 2a, a): treble falls off axis (a mic's body) and with each bounce (air, walls).
    dull = np.minimum(0.05 * (1 - cosine) + 0.05 * bounces, 0.22)
    step = max(round(sr / 48000), 1)
    n = tail.n
    h = np.zeros(n + 2 * PRE_SAMPLES + 2 * step)
    for kernel, a, at in zip(kernels, dull, whole, strict=True):
        if at + 2 * step + 2 * PRE_SAMPLES >= n:
            continue
        base = int(at) + 1 + step
        h[base : base + len(taps)] += (1 - 2 * a) * kernel
        h[base - step : base - step + len(taps)] += a * kernel
        h[base + step : base + step + len(taps)] += a * kernel
    h = h[step : step + n]
    # The diffuse field grows from a few milliseconds after the direct sound; what a cardioid takes of it is γ² < 1.
    start = PRE_SAMPLES + int(delay[0]) + int(0.002 * sr)
    capture = np.sqrt(mic.omni**2 + (1 - mic.omni) ** 2 / 3.0)
    if start < n:
        t = np.arange(n - start) / sr
        h[start:] += capture * tail.tail(rng)[start:] * (1 - np.exp(-t / 0.006))
    return np.asarray(h, np.float32)


class OverlapAdd:
    """Sums many sparse sources through many responses, in one transform per source, response and mic.

    Parameters
    ----------
    n_samples : int
        Length of the outputs.
    n_response : int
        Longest response.
    """

    def __init__(self, n_samples: int, n_response: int) -> None:
        self.n_samples = n_samples
        self.size = int(next_fast_len(max(2 * n_response, 16384), real=True))
        self.block = self.size - n_response + 1
        self.n_blocks = -(-n_samples // self.block)
        self._sums: dict[str, NDArray[np.complex64]] = {}

    def spectra(self, x: Audio) -> tuple[NDArray[np.int64], NDArray[np.complex64]]:
        """Transform a source, leaving silent blocks out: (indices, spectra)."""
        padded = np.zeros(self.n_blocks * self.block, np.float32)
        padded[: min(len(x), len(padded))] = x[: len(padded)]
        blocks = padded.reshape(self.n_blocks, self.block)
        live = np.flatnonzero(np.any(blocks != 0, axis=1))
        return live, np.asarray(rfft(blocks[live], self.size, axis=1), np.complex64)

    def response(self, h: Audio) -> NDArray[np.complex64]:
        """Transform a response."""
        return np.asarray(rfft(h, self.size), np.complex64)

    def add(
        self, out: str, source: tuple[NDArray[np.int64], NDArray[np.complex64]], response: NDArray[np.complex64]
    ) -> None:
        """Add one source through one response to the output named `out`."""
        if out not in self._sums:
            self._sums[out] = np.zeros((self.n_blocks, self.size // 2 + 1), np.complex64)
        total = self._sums[out]
        for row, spectrum in zip(*source, strict=True):
            total[row] += spectrum * response

    def result(self, out: str) -> Audio:
        """Give one output, time zero at sample 0, and forget it."""
        total = self._sums.pop(out, None)
        y = np.zeros((self.n_blocks + 1) * self.block + self.size, np.float32)
        if total is not None:
            blocks = irfft(total, self.size, axis=1)
            for k in range(self.n_blocks):
                y[k * self.block : k * self.block + self.size] += blocks[k]
        return y[PRE_SAMPLES : PRE_SAMPLES + self.n_samples]
