"""Cancelling that part of a tom's bleed which is a filtered copy of what the other mics hear.

One filter per other mic is fitted by least squares where the drum is silent.  Where it rings, whatever the filters
would give is held down instead, since a part of the drum in the other mics must not be used to cancel the drum itself.
Everything happens at a low rate: only low frequencies stay coherent between mics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from spillgate.dsp.core.cleaning.bandgrid import (
    BATCH,
    OVERLAP,
    SQUARES,
    back,
    band_starts,
    grid,
    transform,
    weigh,
    window,
)
from spillgate.dsp.core.cleaning.bandmask import Attack, attack_window
from spillgate.dsp.core.cleaning.lowrate import factor_of
from spillgate.dsp.core.room import Room, in_memory

__all__ = [
    "Spectra",
    "bounded",
    "cancelling_filters",
    "cancelling_signal",
    "mute_window",
    "muted",
    "powers_without",
    "spectra_of",
]

TOP_HZ, TOP_END_HZ = 1500.0, 1800.0
"""Nothing is cancelled above; the filters fade out between (1000 to 2200 Hz score the same)."""
PASSED_HZ = 2000.0
"""The filters' short ends spread them a little; from here on nothing of them is left."""
WINDOW_S = 0.37
"""Sine windows of about this length, s; twice as long scores 0.1 dB less."""
HOLD_DOWN = 6.0
"""Weight of holding the filters' output down where the drum rings; 0 costs 1 to 2 dB, 3 to 20 score alike."""
RIDGE = 0.1
"""Added to each mic's own power in the normal equations, re that power."""
RING_WEIGHT, BLEED_WEIGHT, MEAN_WEIGHT = 4.0, 0.3, 0.3
"""A window counts in inverse proportion to this much ring, bleed and mean bleed."""
STRANGE = 4.0
"""Power over so many times the bleed is held to be the drum, found or not: around a missed hit the filters would learn
to cancel the drum itself (up to 4 dB lost)."""
BETA = 0.85
BEFORE_S, AFTER_S = 0.004, 0.200
"""Span of the filters, s: 1.4 m nearer to 70 m farther, first reflections included."""
CHUNK = 32
"""Windows transformed at a time."""
MOST_WINDOWS = 1024
"""A fit uses at most so many windows, in evenly spread chunks: all of the first three minutes."""
BLOCK = 4096
"""Samples of the low rate transformed at a time when the filters are applied."""
MUTE_BEFORE_S, MUTE_FADE_S = 0.006, 0.001
"""The cancelling signal is silent from so long before a hit to the end of its attack window, with fades, s."""
STRETCH = 1 << 18
"""Samples of the low rate that are muted at a time."""
TINY = 1e-30


def mute_window(attack: Attack, sr: int) -> Attack:
    """Give the window round each hit in which the cancelling signal is silent.

    Parameters
    ----------
    attack : Attack
        Window in which the samples pass.
    sr : int
        Hz.

    Returns
    -------
    window : Attack
        In samples re the hit.
    """
    before, fade = round(MUTE_BEFORE_S * sr), max(round(MUTE_FADE_S * sr), 1)
    full = min(-before, attack.start)
    return Attack(full - fade, full, attack.stop, attack.stop + fade)


def muted(
    signal: NDArray[np.float32], hits: NDArray[np.int64], attack: Attack, sr: int, room: Room | None = None
) -> NDArray[np.float32]:
    """Silence a low-rate signal round every hit, as the render does at the full rate.

    Parameters
    ----------
    signal : ndarray, shape (n,), float32
        At the low rate.
    hits : ndarray, shape (n_hits,), int64
        Samples at the full rate, increasing.
    attack : Attack
        Window in which the samples pass, at the full rate.
    sr : int
        Full rate, Hz.
    room : callable, optional
        Makes a long array of a shape; default: in memory.

    Returns
    -------
    rest : ndarray, shape (n,), float32
    """
    factor = factor_of(sr)
    full = mute_window(attack, sr)
    start, rise, fall, stop = (v // factor for v in (full.start, full.full, full.fall, full.stop))
    low = Attack(start, max(rise, start + 1), fall, max(stop, fall + 1))
    rest = (room or in_memory)(signal.shape)
    for a in range(0, len(signal), STRETCH):
        part = signal[a : a + STRETCH]
        rest[a : a + STRETCH] = part * (1.0 - attack_window(hits // factor, low, a, len(part))).astype(np.float32)
    return rest


def powers_without(
    powers: NDArray[np.float32],
    own: NDArray[np.float32],
    signal: NDArray[np.float32],
    sr: int,
    room: Room | None = None,
) -> NDArray[np.float32]:
    """Give the band powers of a track from which a low-rate signal has been taken off.

    Parameters
    ----------
    powers : ndarray, shape (n_frames, n_bands), float32
        Band powers of the track as it was.
    own, signal : ndarray, shape (n,), float32
        The track, and what is taken off it, at the low rate.
    sr : int
        Full rate, Hz.
    room : callable, optional
        Makes a long array of a shape; default: in memory.

    Returns
    -------
    rest : ndarray, shape (n_frames, n_bands), float32
        Bands that reach beyond what is cancelled, and frames in which the signal is silent, keep their bits.
    """
    edges, length, hop = _low_bands(sr)
    n_low = len(edges) - 1
    if not n_low or length < OVERLAP:
        return powers
    w = window(length).astype(np.float32)
    rest = (room or in_memory)(powers.shape)
    for a in range(0, len(powers), BATCH):
        b = min(a + BATCH, len(powers))
        rest[a:b] = powers[a:b]
        x, taken = (transform(_frames(z, a, b, length, hop) * w) for z in (own, signal))
        before, after = (
            np.add.reduceat(np.square(v.real) + np.square(v.imag), edges[:-1], axis=1) for v in _lowest(x, taken, edges)
        )
        rest[a:b, :n_low] *= np.where(before > 0, after / np.where(before > 0, before, 1), 1).astype(np.float32)
    return rest


def bounded(
    signal: NDArray[np.float32],
    track: NDArray[np.float32],
    ring: NDArray[np.float32],
    bleed: NDArray[np.float32],
    sr: int,
    room: Room | None = None,
) -> NDArray[np.float32]:
    """Hold a low-rate signal that is to be taken off a track down to what can be bleed there.

    The filters are fitted where the drum is silent.  What they make of a drum that the other mics hear, or of a
    neighbour that was never heard alone, can be many times the bleed; here it is turned down, band by band.

    Parameters
    ----------
    signal : ndarray, shape (n,), float32
        At the low rate.
    track, ring, bleed : ndarray, shape (n_bands, n_frames), float32
        Powers of the track, of the drum and of its bleed.
    sr : int
        Full rate, Hz.
    room : callable, optional
        Makes a long array of a shape; default: in memory.

    Returns
    -------
    held : ndarray, shape (n,), float32
        In every frame and band at most as loud as the bleed, or as what the track has over the drum if that is more;
        the lowest gain of three frames holds.
    """
    edges, length, hop = _low_bands(sr)
    n_low = len(edges) - 1
    if not n_low or length < OVERLAP:
        return signal
    n_frames, n_bands = track.shape[1], track.shape[0]
    w = window(length).astype(np.float32)
    scale = np.float32(2.0 / (length * float(np.sum(w * w, dtype=np.float64))))  # as in `band_powers`
    laid = (room or in_memory)((n_frames - 1 + OVERLAP, hop))
    for a in range(0, n_frames, BATCH - 2):
        b = min(a + BATCH - 2, n_frames)
        p, q = max(a - 1, 0), min(b + 1, n_frames)
        bins = np.asarray(transform(_frames(signal, p, q, length, hop) * w), np.complex64)
        some = bins[:, : edges[-1]]
        power = scale * np.add.reduceat(np.square(some.real) + np.square(some.imag), edges[:-1], axis=1)
        low = slice(0, n_low), slice(p, q)
        most = np.maximum(bleed[low], track[low] - ring[low]).T
        share = np.sqrt(np.minimum(most / np.maximum(power, np.float32(TINY)), np.float32(1)))
        around = np.pad(share, ((int(a == p), int(b == q)), (0, 0)), mode="edge")
        least = np.minimum(np.minimum(around[:-2], around[1:-1]), around[2:])
        bins = bins[a - p : b - p]
        weigh(bins, np.pad(least, ((0, 0), (0, n_bands - n_low)), mode="edge"), sr)
        parts = np.asarray(back(bins, length), np.float32) * (w / np.float32(SQUARES))
        for k in range(OVERLAP):
            laid[a + k : b + k] += parts[:, k * hop : (k + 1) * hop]
    return laid.reshape(-1)[length // 2 :][: len(signal)]


def _low_bands(sr: int) -> tuple[NDArray[np.int64], int, int]:
    """Bins between the bands that are cancelled in, frame length and hop at the low rate."""
    g, factor = grid(sr), factor_of(sr)
    length, starts = g.frame_length // factor, band_starts(sr)
    top = int(TOP_END_HZ / sr * g.frame_length) + 2  # bins; two more for the window's main lobe
    n_low = int(np.searchsorted(starts, min(top, length // 2), side="left"))
    return np.minimum(starts[: n_low + 1], length // 2 + 1), length, g.hop // factor


def _lowest(
    x: NDArray[np.complexfloating], taken: NDArray[np.complexfloating], edges: NDArray[np.int64]
) -> tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]]:
    """The bins of the bands concerned, before and after."""
    before = x[:, : edges[-1]]
    return before, before - taken[:, : edges[-1]]


def _frames(z: NDArray[np.float32], first: int, stop: int, length: int, hop: int) -> NDArray[np.float32]:
    """Frames `first` to `stop` of a signal, frame k centred on sample k·hop; silence around it."""
    part = _piece(z, first * hop - length // 2, (stop - 1) * hop - length // 2 + length)
    return np.lib.stride_tricks.sliding_window_view(part, length)[::hop]


def _piece(z: NDArray[np.float32], a: int, b: int) -> NDArray[np.float32]:
    """Samples `a` to `b`, zero outside what there is."""
    part = np.zeros(b - a, np.float32)
    p, q = max(a, 0), min(b, len(z))
    if q > p:
        part[p - a : q - a] = z[p:q]
    return part


@dataclass(frozen=True)
class Spectra:
    """Low frequencies of several tracks in windows, laid out for fitting filters bin by bin.

    Attributes
    ----------
    bins : ndarray, shape (n_bins, n_windows, n_tracks), complex64
    centres_s : ndarray, shape (n_windows,)
        Middle of each window, s.
    length : int
        Samples in a window.
    """

    bins: NDArray[np.complex64]
    centres_s: NDArray[np.float64]
    length: int


def spectra_of(tracks: Sequence[NDArray[np.float32]], rate: float) -> Spectra:
    """Transform tracks at the low rate in sine windows half over each other.

    Parameters
    ----------
    tracks : sequence of ndarray, shape (n,), float32
    rate : float
        Hz.

    Returns
    -------
    spectra : Spectra
        Of long takes evenly spread stretches.
    """
    n = int(2 ** np.round(np.log2(WINDOW_S * rate)))
    hop = n // 2
    n_windows = len(tracks[0]) // hop + 1
    n_bins = min(int(TOP_END_HZ / rate * n) + 1, n // 2 + 1)
    chunks = np.arange(0, n_windows, CHUNK)
    if len(chunks) * CHUNK > MOST_WINDOWS:
        most = MOST_WINDOWS // CHUNK
        chunks = chunks[np.arange(most) * len(chunks) // most]
    spans = [(first, min(first + CHUNK, n_windows)) for first in chunks.tolist()]
    windows = np.concatenate([np.arange(a, b) for a, b in spans])
    bins = np.empty((n_bins, len(windows), len(tracks)), np.complex64)
    taper = np.sin(np.pi * (np.arange(n) + 0.5) / n).astype(np.float32)
    for k, z in enumerate(tracks):
        at = 0
        for a, b in spans:
            bins[:, at : at + b - a, k] = _spectra(z, a, b, n, hop, taper)[:, :n_bins].T
            at += b - a
    return Spectra(bins, windows * (hop / rate), n)


def cancelling_filters(
    spectra: Spectra,
    own: int,
    refs: Sequence[int],
    rate: float,
    track: NDArray[np.float32],
    ring: NDArray[np.float32],
    bleed: NDArray[np.float32],
    centres_hz: NDArray[np.float64],
    frame_s: float,
    hits_s: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Fit one filter per other mic so that their sum is the coherent part of the bleed.

    Parameters
    ----------
    spectra : Spectra
        Of all tracks concerned.
    own : int
        Which of them is the tom track.
    refs : sequence of int
        Which are the other mics.
    rate : float
        Hz.
    track, ring, bleed : ndarray, shape (n_bands, n_frames), float32
        Powers of the tom track, of the drum and of its bleed.
    centres_hz : ndarray, shape (n_bands,)
    frame_s : float
        Time from frame to frame, s.
    hits_s : ndarray, shape (n_hits,)
        The drum's own hits, s, increasing.

    Returns
    -------
    filters : ndarray, shape (n_refs, n_taps), float64
        The first tap lies 4 ms before the sample it is applied to.

    Notes
    -----
    Per bin, minimise Σ w·|X − Σ H·R|² + μ·Σ v·|Σ H·R|² over windows, with w = 1/(4·ring + 0.3·bleed + 0.3·mean bleed),
    0 where the window holds an own hit, and v growing with the share of the ring.
    """
    n, centre_s = spectra.length, spectra.centres_s
    n_bins = len(spectra.bins)
    hz = np.arange(n_bins) * rate / n
    band = np.abs(np.log(np.maximum(hz, 1.0))[:, None] - np.log(centres_hz)).argmin(axis=1)
    used = int(band.max()) + 1
    at = np.clip((centre_s / frame_s + 0.5).astype(np.int64), 0, ring.shape[1] - 1)
    reach = 2 * max(int(WINDOW_S / 2 / frame_s), 1) + 1
    rings, bleeds = np.empty((used, len(at)), np.float32), np.empty((used, len(at)), np.float32)
    for k in range(used):
        drum = np.maximum(ring[k], track[k] - np.float32(STRANGE) * bleed[k])
        rings[k] = maximum_filter1d(drum, reach)[at]
        bleeds[k] = np.float32(BETA) * uniform_filter1d(bleed[k], reach)[at]
    mean = bleeds.mean(axis=1, keepdims=True)
    half = n / rate / 2
    fresh = np.searchsorted(hits_s, centre_s - half, side="right") < np.searchsorted(hits_s, centre_s + half)
    fit = np.where(fresh, 0.0, 1.0 / (RING_WEIGHT * rings + BLEED_WEIGHT * bleeds + MEAN_WEIGHT * mean + TINY))
    hold = HOLD_DOWN * (rings / (rings + bleeds + TINY) / (rings + bleeds + mean + TINY))
    others = np.asarray(refs, np.int64)
    matrix = np.zeros((n_bins, len(refs), len(refs)), np.complex128)
    right = np.zeros((n_bins, len(refs)), np.complex128)
    weights = fit.astype(np.float64), hold.astype(np.float64)
    _accumulate(matrix, right, spectra.bins, own, others, band, *weights)
    diagonal = np.arange(len(refs))
    power = matrix[:, diagonal, diagonal].real
    matrix[:, diagonal, diagonal] += RIDGE * power + 1e-9 * power.max(initial=0.0) + TINY
    answers = np.linalg.solve(matrix, right[:, :, None])[:, :, 0]
    fade = np.clip((TOP_END_HZ - hz) / (TOP_END_HZ - TOP_HZ), 0.0, 1.0)
    full = np.zeros((n // 2 + 1, len(refs)), np.complex128)
    full[:n_bins] = answers * (0.5 - 0.5 * np.cos(np.pi * fade))[:, None]
    response = scipy.fft.irfft(full, n, axis=0)
    before, after = int(BEFORE_S * rate), int(AFTER_S * rate)
    filters = np.concatenate([response[n - before :], response[:after]])
    ends = np.ones(len(filters))
    ends[:before] = np.linspace(0, 1, before, endpoint=False)
    tail = after // 5
    ends[len(ends) - tail :] = 0.5 + 0.5 * np.cos(np.pi * np.arange(tail) / max(tail, 1))
    found: NDArray[np.float64] = (filters * ends[:, None]).T
    return found


def cancelling_signal(
    refs: Sequence[NDArray[np.float32]], filters: NDArray[np.float64], rate: float, room: Room | None = None
) -> NDArray[np.float32]:
    """Filter the other mics and add them up.

    Parameters
    ----------
    refs : sequence of ndarray, shape (n,), float32
    filters : ndarray, shape (n_refs, n_taps), float64
        From `cancelling_filters`.
    rate : float
        Hz.
    room : callable, optional
        Makes a long array of a shape; default: in memory.

    Returns
    -------
    s : ndarray, shape (n,), float32
        What is to be subtracted, at the low rate.
    """
    # overlap-save; the mics are added up before the way back
    before, n, n_taps = int(BEFORE_S * rate), len(refs[0]), filters.shape[1]
    block = BLOCK
    while block < 2 * n_taps:
        block *= 2
    step = block - n_taps + 1
    n_blocks = -(-n // step)
    lead = n_taps - 1 - before
    top = int(PASSED_HZ / rate * block) + 1
    spectra = scipy.fft.rfft(filters, block, axis=1).astype(np.complex64)
    out = (room or in_memory)((n_blocks, step))
    for a in range(0, n_blocks, CHUNK):
        b = min(a + CHUNK, n_blocks)
        total = np.zeros((b - a, block // 2 + 1), np.complex64)
        for ref, h in zip(refs, spectra, strict=True):
            held = _piece(ref, a * step - lead, (b - 1) * step - lead + block)
            frames = np.lib.stride_tricks.sliding_window_view(held, block)[::step]
            total[:, :top] += scipy.fft.rfft(frames, axis=1)[:, :top] * h[:top]
        out[a:b] = scipy.fft.irfft(total, block, axis=1)[:, n_taps - 1 :]
    return out.reshape(-1)[:n]


def _spectra(
    z: NDArray[np.float32], first: int, stop: int, n: int, hop: int, taper: NDArray[np.float32]
) -> NDArray[np.complex64]:
    """Spectra of windows `first` to `stop`, window k centred on sample k·hop."""
    frames = _frames(z, first, stop, n, hop) * taper
    spectra: NDArray[np.complex64] = scipy.fft.rfft(frames, axis=1)
    return spectra


@njit(nogil=True, cache=True)
def _accumulate(
    matrix: NDArray[np.complex128],
    right: NDArray[np.complex128],
    bins: NDArray[np.complex64],
    own: int,
    refs: NDArray[np.int64],
    band: NDArray[np.int64],
    fit: NDArray[np.float64],
    hold: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Fill the normal equations bin by bin."""
    n_refs = len(refs)
    r = np.empty(n_refs, np.complex128)
    for f in range(bins.shape[0]):
        for t in range(bins.shape[1]):
            w = fit[band[f], t]
            both = w + hold[band[f], t]
            target = w * np.complex128(bins[f, t, own])
            for i in range(n_refs):
                r[i] = bins[f, t, refs[i]]
            for i in range(n_refs):
                ri = np.conj(r[i])
                right[f, i] += ri * target
                weighted = both * ri
                for j in range(i):
                    matrix[f, i, j] += weighted * r[j]
                matrix[f, i, i] += both * (ri.real * ri.real + ri.imag * ri.imag)
        for i in range(n_refs):
            for j in range(i):
                matrix[f, j, i] = np.conj(matrix[f, i, j])
