"""The time and frequency grid on which tom tracks are judged and cleaned.

Frame k is centred on sample k × hop of the take's timeline, whatever block the samples came in.  The window is a
periodic Hann both ways: at a hop of a quarter of its length the squares of its shifted copies add up to 1.5 exactly.
(Sine windows were tried: their side lobes let the kick into the tom's fundamental.)  Bands are a sixth of an octave
wide and never narrower than one bin.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

__all__ = ["BandPowers", "Grid", "grid"]

FRAME_S = 0.066
"""Length of a frame, s; tuned on recorded takes against 33 and 130 ms."""
FRAME_UNIT = 512
"""Frames are multiples of this many samples (at 44.1 and 48 kHz), so that they factor into small primes."""
REFERENCE_SR = 48000
"""Rate around which the frame's length in samples doubles and halves, Hz."""
BANDS_PER_OCTAVE = 6
LOWEST_HZ = 56.0
"""Under the lowest partial of real floor toms (63–72 Hz measured)."""
HIGHEST_HZ = 16000.0
OVERLAP = 4
"""Hops in a frame."""
SQUARES = 1.5
"""Sum of the squares of Hann windows a quarter of their length apart (closed form)."""
BATCH = 64
"""Frames transformed at a time; keeps the work inside the cache."""
LANES = 16
"""Batches are padded to a multiple of this, so that every frame goes through the same vector code of the FFT."""


@dataclass(frozen=True)
class Grid:
    """Frames and bands for one sample rate; make it with `grid`.

    Attributes
    ----------
    sr : int
        Hz.
    frame_length, hop : int
        Samples.
    edges_hz : tuple of float
        n_bands + 1 band edges.
    """

    sr: int
    frame_length: int
    hop: int
    edges_hz: tuple[float, ...]

    @property
    def n_bands(self) -> int:
        """Number of bands."""
        return len(self.edges_hz) - 1

    @property
    def frame_s(self) -> float:
        """Time from one frame to the next, s."""
        return self.hop / self.sr

    @property
    def centres_hz(self) -> NDArray[np.float64]:
        """Geometric middle of each band, Hz."""
        edges = np.asarray(self.edges_hz)
        middles: NDArray[np.float64] = np.sqrt(edges[1:] * edges[:-1])
        return middles

    def n_frames(self, n_samples: int) -> int:
        """Rows of a track of that length: the last frame is centred on or behind its end."""
        return -(-n_samples // self.hop) + 1

    def frame_at(self, sample: float | NDArray[np.float64]) -> NDArray[np.int64]:
        """Index of the frame centred nearest to a sample."""
        return np.floor(np.asarray(sample) / self.hop + 0.5).astype(np.int64)


@cache
def grid(sr: int) -> Grid:
    """Give the grid for a sample rate.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    grid : Grid
        3072 samples at 44.1 and 48 kHz, 6144 at 88.2 and 96, 12288 at 192; 46 or 47 bands, 56 Hz to 16 kHz.

    Examples
    --------
    >>> grid(48000).frame_length, grid(48000).hop, grid(48000).n_bands
    (3072, 768, 46)
    """
    unit = max(int(FRAME_UNIT * 2.0 ** np.round(np.log2(sr / REFERENCE_SR))), OVERLAP)
    length = max(int(FRAME_S * sr / unit + 0.5), 1) * unit
    bin_hz = sr / length
    top = min(HIGHEST_HZ, sr / 2)
    edges = [LOWEST_HZ]
    while edges[-1] < top:
        edges.append(max(edges[-1] * 2 ** (1 / BANDS_PER_OCTAVE), edges[-1] + bin_hz))
    if len(edges) > 2 and edges[-1] > top * 2 ** (0.5 / BANDS_PER_OCTAVE):
        edges.pop()  # the last band would lie more than half outside
    edges[-1] = top
    return Grid(sr, length, length // OVERLAP, tuple(edges))


@cache
def window(length: int) -> NDArray[np.float64]:
    """Periodic Hann window."""
    w = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    w.setflags(write=False)
    return w


@cache
def _single(length: int) -> NDArray[np.float32]:
    """The same in single precision."""
    w = window(length).astype(np.float32)
    w.setflags(write=False)
    return w


@cache
def band_starts(sr: int) -> NDArray[np.int64]:
    """First bin of each band and, last, one past the top band's last bin."""
    g = grid(sr)
    bin_hz = sr / g.frame_length
    starts = np.ceil(np.asarray(g.edges_hz) / bin_hz - 1e-9).astype(np.int64)
    return np.minimum(starts, g.frame_length // 2)


@cache
def interpolation(sr: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """For each bin the band below it and the share of the band above, linear over log frequency."""
    g = grid(sr)
    f = np.maximum(np.arange(g.frame_length // 2 + 1), 0.5) * sr / g.frame_length
    at = np.interp(np.log(f), np.log(g.centres_hz), np.arange(g.n_bands))
    below = np.minimum(at.astype(np.int64), g.n_bands - 2)
    return below, at - below


def weigh(bins: NDArray[np.complex64], gains: NDArray[np.float32], sr: int) -> None:
    """Multiply spectra by band gains, interpolated over log frequency to the bins.

    Parameters
    ----------
    bins : ndarray, shape (n_frames, frame_length // 2 + 1), complex64
        Changed in place.
    gains : ndarray, shape (n_frames, n_bands), float32
        Equal gains stay equal to the last bit; outside the bands the outermost one holds.
    sr : int
        Hz.
    """
    below, share = interpolation(sr)
    _weigh(bins, gains, below, share.astype(np.float32))


@njit(nogil=True, cache=True)
def _weigh(
    bins: NDArray[np.complex64], gains: NDArray[np.float32], below: NDArray[np.int64], share: NDArray[np.float32]
) -> None:  # pragma: no cover - compiled
    for r in range(bins.shape[0]):
        for f in range(bins.shape[1]):
            low = gains[r, below[f]]
            bins[r, f] *= low + share[f] * (gains[r, below[f] + 1] - low)


def transform(frames: NDArray[np.floating]) -> NDArray[np.complexfloating]:
    """FFT of each row, to the same bits in whatever company the row is transformed."""
    n = len(frames)
    if n % LANES:
        padded = np.zeros((-(-n // LANES) * LANES, frames.shape[1]), frames.dtype)
        padded[:n] = frames
        frames = padded
    out: NDArray[np.complexfloating] = scipy.fft.rfft(frames, axis=1)[:n]
    return out


def back(bins: NDArray[np.complexfloating], length: int) -> NDArray[np.floating]:
    """Inverse of `transform`."""
    n = len(bins)
    if n % LANES:
        padded = np.zeros((-(-n // LANES) * LANES, bins.shape[1]), bins.dtype)
        padded[:n] = bins
        bins = padded
    out: NDArray[np.floating] = scipy.fft.irfft(bins, length, axis=1)[:n]
    return out


def band_powers(frames: NDArray[np.float32], sr: int) -> NDArray[np.float32]:
    """Mean square per band of frames of audio.

    Parameters
    ----------
    frames : ndarray, shape (n, frame_length), float32
        Unwindowed.
    sr : int
        Hz.

    Returns
    -------
    powers : ndarray, shape (n, n_bands), float32
        White noise of variance 1 gives in each band its share of the bandwidth.
    """
    length = frames.shape[1]
    w = window(length)
    scale = 2.0 / (length * float(np.sum(w * w)))
    starts = band_starts(sr)
    bins = np.asarray(transform(frames * _single(length)), np.complex64)
    energy = np.square(bins.view(np.float32)[:, : 2 * starts[-1]])  # real and imaginary parts in turn
    powers: NDArray[np.float32] = np.add.reduceat(energy, 2 * starts[:-1], axis=1)
    powers *= np.float32(scale)
    return powers


class BandPowers:
    """Streaming band powers of the mics that explain a tom's bleed: close mics and overheads."""

    roles = frozenset({"kick", "snare", "hat", "tom", "cymbal", "overhead"})

    def shape(self, sr: int, n_samples: int) -> tuple[int, int]:
        """(n_frames, n_bands) for a track of this length."""
        g = grid(sr)
        return g.n_frames(n_samples), g.n_bands

    def start(self, sr: int) -> tuple[int, int, NDArray[np.float32]]:
        """State: rate, samples seen, and the samples that the next frame begins with."""
        return sr, 0, np.zeros(grid(sr).frame_length // 2, np.float32)

    def push(
        self, x: NDArray[np.float32], state: tuple[int, int, NDArray[np.float32]]
    ) -> tuple[NDArray[np.float32], tuple[int, int, NDArray[np.float32]]]:
        """Rows that this block completes, and the new state."""
        sr, seen, tail = state
        g = grid(sr)
        joined = np.concatenate([tail, np.asarray(x, np.float32)])
        n = max((len(joined) - g.frame_length) // g.hop + 1, 0)
        return _rows(joined, n, g), (sr, seen + len(x), joined[n * g.hop :].copy())

    def finish(self, state: tuple[int, int, NDArray[np.float32]]) -> NDArray[np.float32]:
        """The rows that remain, as if silence followed."""
        sr, seen, tail = state
        g = grid(sr)
        done = (seen + g.frame_length // 2 - len(tail)) // g.hop
        n = g.n_frames(seen) - done
        padded = np.concatenate([tail, np.zeros(max((n - 1) * g.hop + g.frame_length - len(tail), 0), np.float32)])
        return _rows(padded, n, g)


def _rows(x: NDArray[np.float32], n: int, g: Grid) -> NDArray[np.float32]:
    out = np.zeros((n, g.n_bands), np.float32)
    if n:
        frames = np.lib.stride_tricks.sliding_window_view(x, g.frame_length)[:: g.hop]
        for a in range(0, n, BATCH):
            b = min(a + BATCH, n)
            out[a:b] = band_powers(frames[a:b], g.sr)
    return out
