"""Energy of one track in six bands per millisecond: what hit detection looks at.

The bands come from a ladder of second-order Butterworth filters: a high-pass takes what lies under the kit, then at
each edge a low-pass gives the band and a high-pass the rest.  The first high-pass also removes the track's mean
exactly (its gain at 0 Hz is zero), so no pass over the whole track is needed for that; the first sample is taken off
so that an offset makes no step at the start.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["EDGES_HZ", "N_BANDS", "BandEnvelopes", "frame_length"]

EDGES_HZ = (40.0, 100.0, 220.0, 600.0, 1800.0, 6000.0)
"""Lower edges of the bands; under the first is rumble.  Tuned on multitrack takes of three kits."""

N_BANDS = len(EDGES_HZ)
"""Number of bands."""

TINY = 1e-30
"""States smaller than this are set to zero at the end of a frame: numbers near the limit of float64 are slow."""


def frame_length(sr: int) -> int:
    """Samples per frame: a millisecond, rounded to whole samples.

    Parameters
    ----------
    sr : int
        Sample rate in Hz.

    Returns
    -------
    hop : int
    """
    return max(round(sr / 1000), 1)


@dataclass(frozen=True)
class _State:
    """What is remembered between blocks; `sums` and `filled` are of the frame under way, `offset` the first sample."""

    coefficients: NDArray[np.float64]
    memory: NDArray[np.float64]
    sums: NDArray[np.float64]
    filled: int
    hop: int
    offset: float | None = None


def _ladder(sr: int) -> NDArray[np.float64]:
    """Feedback a1, a2 and the gains of low-pass and high-pass at each edge, shape (6, 4).

    Bilinear transform of the Butterworth prototype with pre-warped edge; low-pass and high-pass of one edge share
    their poles and so one recursion.
    """
    rows = []
    for edge in EDGES_HZ:
        k = np.tan(np.pi * edge / sr)
        norm = 1.0 / (1.0 + np.sqrt(2.0) * k + k * k)
        rows.append((2.0 * (k * k - 1.0) * norm, (1.0 - np.sqrt(2.0) * k + k * k) * norm, k * k * norm, norm))
    return np.array(rows)


class BandEnvelopes:
    """Streaming energies in six bands, one row per millisecond.

    Row k is the mean square in each band over the samples k·hop … (k + 1)·hop − 1, hop = `frame_length`.

    Notes
    -----
    Filters run in float64 in direct form II; the sums of a frame run sample by sample and are kept between blocks,
    so the cutting of the audio changes no bit.
    """

    roles: ClassVar[frozenset[str]] = frozenset({"kick", "snare", "hat", "tom", "cymbal", "overhead", "trigger"})

    def shape(self, sr: int, n_samples: int) -> tuple[int, int]:
        """Give (n_frames, 6) for a track of this length; a last frame that is not full counts."""
        return -(-n_samples // frame_length(sr)), N_BANDS

    def start(self, sr: int) -> _State:
        """State before the first block: silence."""
        return _State(_ladder(sr), np.zeros((N_BANDS, 2)), np.zeros(N_BANDS), 0, frame_length(sr))

    def push(self, x: NDArray[Any], state: _State) -> tuple[NDArray[np.float32], _State]:
        """Filter one block.

        Parameters
        ----------
        x : ndarray, shape (n,)
            Audio; zero samples are allowed.
        state : _State
            From `start` or the block before; not changed.

        Returns
        -------
        rows : ndarray, shape (n_rows, 6), float32
            Mean squares of the frames that are full now.
        state : _State
        """
        memory, sums = state.memory.copy(), state.sums.copy()
        rows = np.empty(((state.filled + len(x)) // state.hop, N_BANDS), np.float32)
        samples = np.ascontiguousarray(x)
        offset = float(samples[0]) if state.offset is None and len(samples) else state.offset
        filled = int(_energies(samples, offset or 0.0, state.coefficients, memory, sums, state.filled, state.hop, rows))
        return rows, _State(state.coefficients, memory, sums, filled, state.hop, offset)

    def finish(self, state: _State) -> NDArray[np.float32]:
        """Give the last, unfinished row as if nothing followed; no row if the last frame was full."""
        if state.filled == 0:
            return np.empty((0, N_BANDS), np.float32)
        return (state.sums[None] / state.hop).astype(np.float32)


@njit(nogil=True, cache=True)
def _energies(x, offset, coefficients, memory, sums, filled, hop, rows):  # type: ignore[no-untyped-def]
    """Fill `rows`; `memory` and `sums` are changed in place; gives the samples in the unfinished frame.

    Written out band by band so that all filter memories stay in registers.
    """
    p0, q0, _, h0 = coefficients[0]
    p1, q1, l1, h1 = coefficients[1]
    p2, q2, l2, h2 = coefficients[2]
    p3, q3, l3, h3 = coefficients[3]
    p4, q4, l4, h4 = coefficients[4]
    p5, q5, l5, h5 = coefficients[5]
    u0, v0 = memory[0]
    u1, v1 = memory[1]
    u2, v2 = memory[2]
    u3, v3 = memory[3]
    u4, v4 = memory[4]
    u5, v5 = memory[5]
    s0, s1, s2, s3, s4, s5 = sums[0], sums[1], sums[2], sums[3], sums[4], sums[5]
    row = 0
    n, a = len(x), 0
    while a < n:
        b = min(a + hop - filled, n)
        for i in range(a, b):
            w = (np.float64(x[i]) - offset) - p0 * u0 - q0 * v0
            y = h0 * ((w + v0) - 2.0 * u0)
            v0, u0 = u0, w
            w = y - p1 * u1 - q1 * v1
            both, twice = w + v1, 2.0 * u1
            band, y = l1 * (both + twice), h1 * (both - twice)
            s0 += band * band
            v1, u1 = u1, w
            w = y - p2 * u2 - q2 * v2
            both, twice = w + v2, 2.0 * u2
            band, y = l2 * (both + twice), h2 * (both - twice)
            s1 += band * band
            v2, u2 = u2, w
            w = y - p3 * u3 - q3 * v3
            both, twice = w + v3, 2.0 * u3
            band, y = l3 * (both + twice), h3 * (both - twice)
            s2 += band * band
            v3, u3 = u3, w
            w = y - p4 * u4 - q4 * v4
            both, twice = w + v4, 2.0 * u4
            band, y = l4 * (both + twice), h4 * (both - twice)
            s3 += band * band
            v4, u4 = u4, w
            w = y - p5 * u5 - q5 * v5
            both, twice = w + v5, 2.0 * u5
            band, y = l5 * (both + twice), h5 * (both - twice)
            s4 += band * band
            s5 += y * y
            v5, u5 = u5, w
        filled += b - a
        a = b
        if filled == hop:
            rows[row, 0], rows[row, 1], rows[row, 2] = s0 / hop, s1 / hop, s2 / hop
            rows[row, 3], rows[row, 4], rows[row, 5] = s3 / hop, s4 / hop, s5 / hop
            row += 1
            filled = 0
            s0 = s1 = s2 = s3 = s4 = s5 = 0.0
            if abs(u0) + abs(v0) < TINY:
                u0 = v0 = 0.0
            if abs(u1) + abs(v1) < TINY:
                u1 = v1 = 0.0
            if abs(u2) + abs(v2) < TINY:
                u2 = v2 = 0.0
            if abs(u3) + abs(v3) < TINY:
                u3 = v3 = 0.0
            if abs(u4) + abs(v4) < TINY:
                u4 = v4 = 0.0
            if abs(u5) + abs(v5) < TINY:
                u5 = v5 = 0.0
    memory[0, 0], memory[0, 1] = u0, v0
    memory[1, 0], memory[1, 1] = u1, v1
    memory[2, 0], memory[2, 1] = u2, v2
    memory[3, 0], memory[3, 1] = u3, v3
    memory[4, 0], memory[4, 1] = u4, v4
    memory[5, 0], memory[5, 1] = u5, v5
    sums[0], sums[1], sums[2], sums[3], sums[4], sums[5] = s0, s1, s2, s3, s4, s5
    return filled
