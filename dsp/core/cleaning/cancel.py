"""Cancelling that part of a tom's bleed which is a filtered copy of what the other mics hear.

One filter per other mic is fitted by least squares where the drum is silent.  Where it rings, whatever the filters
would give is held down instead, since a part of the drum in the other mics must not be used to cancel the drum itself.
Everything happens at a low rate: only low frequencies stay coherent between mics.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.fft
import scipy.signal
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from spillgate.dsp.core.cleaning.bandmask import Attack

__all__ = ["MARGIN", "cancelling_filters", "cancelling_signal", "decimate", "factor_of", "interpolate", "mute_window"]

RATE_HZ = 5512.5
"""Rate near which the filters are fitted, Hz: an eighth of 44.1 kHz."""
TOP_HZ, TOP_END_HZ = 1500.0, 1800.0
"""Nothing is cancelled above; the filters fade out between (1000 to 2200 Hz score the same)."""
PASS = 1.0
"""Edge of the rate-changing low-pass re half the low rate."""
MARGIN = 8
"""Its reach to either side, in samples of the low rate."""
KAISER = 8.0
"""Its window: 80 dB of rejection; flat to TOP_END_HZ and closed where images of it begin (Kaiser's formulas)."""
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
MOST_WINDOWS = 1536
"""A fit uses at most so many windows, in evenly spread chunks."""
MUTE_BEFORE_S, MUTE_FADE_S = 0.006, 0.001
"""The cancelling signal is silent from so long before a hit to the end of its attack window, with fades, s."""
TINY = 1e-30


def factor_of(sr: int) -> int:
    """Tell by which whole number the rate is lowered.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    factor : int
        8 at 44.1 and 48 kHz, 16 at 88.2 and 96.
    """
    return max(int(sr / RATE_HZ + 0.5), 1)


def lowpass(factor: int) -> NDArray[np.float64]:
    """Low-pass for lowering and raising the rate, symmetric, unit gain at 0 Hz."""
    n = np.arange(-MARGIN * factor, MARGIN * factor + 1)
    h: NDArray[np.float64] = np.sinc(PASS * n / factor) * np.kaiser(len(n), KAISER)
    unit: NDArray[np.float64] = h / h.sum()
    return unit


def decimate(x: NDArray[np.floating], factor: int) -> NDArray[np.float32]:
    """Lower the rate without moving anything.

    Parameters
    ----------
    x : ndarray, shape (n + 2·MARGIN·factor,)
        With so many samples more on either side.
    factor : int

    Returns
    -------
    y : ndarray, shape (⌈n / factor⌉,), float32
        y[k] lies on sample k·factor of the inner part.
    """
    if factor == 1:
        return x[MARGIN : len(x) - MARGIN].astype(np.float32)
    n = -(-(len(x) - 2 * MARGIN * factor) // factor)
    y: NDArray[np.float64] = scipy.signal.upfirdn(lowpass(factor), x, 1, factor)
    return y[2 * MARGIN : 2 * MARGIN + n].astype(np.float32)


def interpolate(y: NDArray[np.float32], factor: int, start: int, stop: int) -> NDArray[np.float64]:
    """Raise the rate again, for any stretch of the full-rate timeline.

    Parameters
    ----------
    y : ndarray, shape (n,), float32
        Sample k lies on sample k·factor.
    factor : int
    start, stop : int
        Stretch wanted; y is zero outside what is given.

    Returns
    -------
    x : ndarray, shape (stop - start,), float64
        The same bits however the timeline is cut.
    """
    first, last = start // factor - MARGIN, -(-stop // factor) + MARGIN
    part = np.zeros(last - first)
    a, b = max(first, 0), min(last, len(y))
    if b > a:
        part[a - first : b - first] = y[a:b]
    if factor == 1:
        return part[MARGIN : MARGIN + stop - start]
    x: NDArray[np.float64] = scipy.signal.upfirdn(lowpass(factor) * factor, part, factor, 1)
    at = MARGIN * factor + start - first * factor
    return x[at : at + stop - start]


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


def cancelling_filters(
    x: NDArray[np.float32],
    refs: Sequence[NDArray[np.float32]],
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
    x : ndarray, shape (n,), float32
        The tom track at the low rate.
    refs : sequence of ndarray, shape (n,), float32
        The other mics at the low rate.
    rate : float
        Hz.
    track, ring, bleed : ndarray, shape (n_bands, n_frames), float32
        Powers of the tom track, of the drum and of its bleed.
    centres_hz : ndarray, shape (n_bands,)
    frame_s : float
        Time from frame to frame, s.
    hits_s : ndarray, shape (n_hits,)
        The drum's own hits, s.

    Returns
    -------
    filters : ndarray, shape (n_refs, n_taps), float64
        The first tap lies 4 ms before the sample it is applied to.

    Notes
    -----
    Per bin, minimise Σ w·|X − Σ H·R|² + μ·Σ v·|Σ H·R|² over windows, with w = 1/(4·ring + 0.3·bleed + 0.3·mean bleed),
    0 where the window holds an own hit, and v growing with the share of the ring.
    """
    ring = np.maximum(ring, track - np.float32(STRANGE) * bleed)
    n = int(2 ** np.round(np.log2(WINDOW_S * rate)))
    hop = n // 2
    n_windows = len(x) // hop + 1
    n_bins = min(int(TOP_END_HZ / rate * n) + 1, n // 2 + 1)
    hz = np.arange(n_bins) * rate / n
    band = np.abs(np.log(np.maximum(hz, 1.0))[:, None] - np.log(centres_hz)).argmin(axis=1)
    centre_s = np.arange(n_windows) * hop / rate
    at = np.clip((centre_s / frame_s + 0.5).astype(np.int64), 0, ring.shape[1] - 1)
    reach = 2 * max(int(WINDOW_S / 2 / frame_s), 1) + 1
    rings = maximum_filter1d(ring, reach, axis=1)[:, at]
    bleeds = np.float32(BETA) * uniform_filter1d(bleed, reach, axis=1)[:, at]
    mean = bleeds.mean(axis=1, keepdims=True)
    fresh = np.asarray([bool(np.any(np.abs(hits_s - c) < n / rate / 2)) for c in centre_s])
    fit = np.where(fresh, 0.0, 1.0 / (RING_WEIGHT * rings + BLEED_WEIGHT * bleeds + MEAN_WEIGHT * mean + TINY))
    hold = rings / (rings + bleeds + TINY) / (rings + bleeds + mean + TINY)
    matrix = np.zeros((n_bins, len(refs), len(refs)), np.complex128)
    right = np.zeros((n_bins, len(refs)), np.complex128)
    taper = np.sin(np.pi * (np.arange(n) + 0.5) / n).astype(np.float32)
    chunks = np.arange(0, n_windows, CHUNK)
    if len(chunks) * CHUNK > MOST_WINDOWS:
        most = MOST_WINDOWS // CHUNK
        chunks = chunks[np.arange(most) * len(chunks) // most]
    for first in chunks.tolist():
        stop = min(first + CHUNK, n_windows)
        spectra = [_spectra(z, first, stop, n, hop, taper)[:, :n_bins] for z in (x, *refs)]
        others = np.ascontiguousarray(np.stack(spectra[1:], axis=-1).transpose(1, 0, 2))
        own = np.ascontiguousarray(spectra[0].T)
        fits, holds = fit[band, first:stop], HOLD_DOWN * hold[band, first:stop]
        _accumulate(matrix, right, others, own, fits.astype(np.float64), holds.astype(np.float64))
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
    refs: Sequence[NDArray[np.float32]], filters: NDArray[np.float64], rate: float
) -> NDArray[np.float32]:
    """Filter the other mics and add them up.

    Parameters
    ----------
    refs : sequence of ndarray, shape (n,), float32
    filters : ndarray, shape (n_refs, n_taps), float64
        From `cancelling_filters`.
    rate : float
        Hz.

    Returns
    -------
    s : ndarray, shape (n,), float32
        What is to be subtracted, at the low rate.
    """
    before = int(BEFORE_S * rate)
    total = np.zeros(len(refs[0]))
    for ref, taps in zip(refs, filters, strict=True):
        total += scipy.signal.oaconvolve(ref.astype(np.float64), taps)[before : before + len(ref)]
    return total.astype(np.float32)


def _spectra(
    z: NDArray[np.float32], first: int, stop: int, n: int, hop: int, taper: NDArray[np.float32]
) -> NDArray[np.complex64]:
    """Spectra of windows `first` to `stop`, window k centred on sample k·hop."""
    a, b = first * hop - n // 2, (stop - 1) * hop + n // 2
    part = np.zeros(b - a, np.float32)
    p, q = max(a, 0), min(b, len(z))
    if q > p:
        part[p - a : q - a] = z[p:q]
    frames = np.lib.stride_tricks.sliding_window_view(part, n)[::hop] * taper
    spectra: NDArray[np.complex64] = scipy.fft.rfft(frames, axis=1)
    return spectra


@njit(nogil=True, cache=True)
def _accumulate(
    matrix: NDArray[np.complex128],
    right: NDArray[np.complex128],
    others: NDArray[np.complex64],
    own: NDArray[np.complex64],
    fit: NDArray[np.float64],
    hold: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Add a chunk of windows to the normal equations, bin by bin."""
    n_bins, n_windows, n_refs = others.shape
    for f in range(n_bins):
        for t in range(n_windows):
            both = fit[f, t] + hold[f, t]
            target = fit[f, t] * own[f, t]
            for i in range(n_refs):
                ri = np.conj(others[f, t, i])
                right[f, i] += ri * target
                for j in range(i):
                    c = both * ri * others[f, t, j]
                    matrix[f, i, j] += c
                    matrix[f, j, i] += np.conj(c)
                matrix[f, i, i] += both * (ri.real * ri.real + ri.imag * ri.imag)
