"""FIR filters on an absolute grid, so that cutting the audio into blocks changes no bit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

__all__ = ["SEGMENT", "fir_block", "fir_margins", "low_cut_taps"]

SEGMENT = 1 << 15
"""Samples that one transform gives; segment k starts at sample k × SEGMENT of the timeline."""

TAIL_DB = 150.0
"""Where an impulse response is cut off, re its peak: under the last bit of 24."""


def low_cut_taps(cut_hz: float, sr: int) -> NDArray[np.float64]:
    """Impulse response of a low cut without pre-ring.

    Parameters
    ----------
    cut_hz : float
        −3 dB point.
    sr : int

    Returns
    -------
    taps : ndarray, shape (n_taps,), float64
        Causal: nothing of it lies before the attack.

    Notes
    -----
    Second-order Butterworth high-pass (12 dB per octave), cut off 150 dB under its peak.
    """
    # the envelope of the response falls by e every 1/(2π f sin 45°) seconds
    fall_s = 1.0 / (2.0 * np.pi * cut_hz * np.sqrt(0.5))
    n = int(np.ceil(sr * fall_s * TAIL_DB / (20.0 * np.log10(np.e)))) + 1
    impulse = np.zeros(n)
    impulse[0] = 1.0
    return np.asarray(signal.sosfilt(signal.butter(2, cut_hz, "highpass", fs=sr, output="sos"), impulse), np.float64)


def fir_margins(n_taps: int) -> tuple[int, int]:
    """Tell how much input `fir_block` needs around its output.

    Parameters
    ----------
    n_taps : int
        Length of the impulse response.

    Returns
    -------
    before, after : int
        Samples before the first and after the last output sample.
    """
    return SEGMENT + n_taps - 2, SEGMENT - 1


def fir_block(x: NDArray[np.float64], taps: NDArray[np.float64], start: int, n_out: int) -> NDArray[np.float64]:
    """Filter one block of a long signal.

    Parameters
    ----------
    x : ndarray, shape (before + n_out + after,), float64
        Input with the margins of `fir_margins`.
    taps : ndarray, shape (n_taps,), float64
        Causal impulse response.
    start : int
        Number on the timeline of the first sample that is given back.
    n_out : int

    Returns
    -------
    y : ndarray, shape (n_out,), float64
        The same samples however the signal is cut into blocks.
    """
    before, _ = fir_margins(len(taps))
    first = start - before
    size = fft.next_fast_len(SEGMENT + len(taps) - 1, real=True)
    response = fft.rfft(taps, size)
    y = np.empty(n_out)
    for k in range(start // SEGMENT, -(-(start + n_out) // SEGMENT)):
        a = k * SEGMENT - (len(taps) - 1)  # timeline number of the segment's first input sample
        piece = np.zeros(SEGMENT + len(taps) - 1)
        lo, hi = max(a, first), min((k + 1) * SEGMENT, first + len(x))
        piece[lo - a : hi - a] = x[lo - first : hi - first]
        whole = fft.irfft(fft.rfft(piece, size) * response, size)[len(taps) - 1 : len(taps) - 1 + SEGMENT]
        # where nothing but exact zeros went in nothing comes out: the transform's rounding would be dithered
        heard = np.cumsum(np.r_[0, piece != 0.0])
        whole[heard[len(taps) :] == heard[: -len(taps)]] = 0.0
        lo, hi = max(k * SEGMENT, start), min((k + 1) * SEGMENT, start + n_out)
        y[lo - start : hi - start] = whole[lo - k * SEGMENT : hi - k * SEGMENT]
    return y
