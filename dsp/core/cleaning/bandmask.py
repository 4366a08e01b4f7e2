"""Rendering a mask of band gains, with every attack left as it was.

``y = x − u · E{u · x}`` with ``u² = 1 − c``.  c is the attack window: 1 round every hit, where the samples pass bit for
bit.  E transforms the rest and keeps of each frame what the gains take away; frames in which no band is turned down
need no transform and leave the samples alone, and where all gains are 0 the result is exactly c · x.

The track is cut at every hit and each piece transformed by itself, so that no frame sees both the old ring's gains and
the new hit: in one piece, up to a third of the attacks were hurt and sounded before the stroke.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from spillgate.dsp.core.cleaning.bandgrid import BATCH, SQUARES, Grid, back, grid, transform, weigh, window

__all__ = ["FULL", "Attack", "attack_window", "dequantise", "quantise", "render_mask"]

FULL = 65535
"""Stored value of a gain of 1."""
RISE_MS = 1.0
"""The window opens over this time (the opening is done half a millisecond before the onset by default)."""
OVERLAP_HALF = 2
"""Hops from a frame's start to its centre."""
FALL_MS = 5.0
"""It closes over this time (a kick under the tom comes through as long as it is open: with 18 ms the stems of four
takes were 0.1 to 1.0 dB worse; with 3 ms they gain another 0.1 and the end of the first 10 ms suffers by 0.1 dB)."""


@dataclass(frozen=True)
class Attack:
    """The window round a hit, in samples re the hit.

    Attributes
    ----------
    start, full : int
        It rises from 0 at `start` to 1 at `full`.
    fall, stop : int
        It is 1 until `fall` and back at 0 at `stop`.
    """

    start: int
    full: int
    fall: int
    stop: int

    @classmethod
    def of(cls, open_before_ms: float, attack_ms: float, sr: int) -> Attack:
        """Make the window from times in ms at `sr` Hz."""
        start = -round(open_before_ms * sr / 1000)
        full = min(start + max(round(RISE_MS * sr / 1000), 1), 0)
        fall = max(round(attack_ms * sr / 1000), full) + 1
        return cls(min(start, full - 1), full, fall, fall + max(round(FALL_MS * sr / 1000), 1))


def quantise(gains: NDArray[np.floating]) -> NDArray[np.uint16]:
    """Store linear gains in 16 bits.

    Parameters
    ----------
    gains : ndarray
        Linear; clipped to 0…1.

    Returns
    -------
    stored : ndarray, same shape, uint16
        0 and 1 exactly, the rest to 2⁻¹⁷.
    """
    stored: NDArray[np.uint16] = np.floor(np.clip(gains, 0.0, 1.0) * FULL + 0.5).astype(np.uint16)
    return stored


def dequantise(stored: NDArray[np.uint16]) -> NDArray[np.float64]:
    """Give the linear gains of stored ones.

    Parameters
    ----------
    stored : ndarray, uint16
        As `quantise` makes them.

    Returns
    -------
    gains : ndarray, same shape, float64
        0…1.
    """
    return stored / np.float64(FULL)


def attack_window(hits: NDArray[np.int64], attack: Attack, start: int, n: int) -> NDArray[np.float64]:
    """The window c over a stretch of the timeline.

    Parameters
    ----------
    hits : ndarray, shape (n_hits,), int64
        Samples on the timeline, increasing.
    attack : Attack
    start, n : int
        First sample and length of the stretch.

    Returns
    -------
    c : ndarray, shape (n,), float64
        0…1; raised cosines at the ends.
    """
    c = np.zeros(n)
    low = np.searchsorted(hits, start - attack.stop)
    high = np.searchsorted(hits, start + n - attack.start)
    up = 0.5 - 0.5 * np.cos(np.pi * np.arange(attack.full - attack.start) / (attack.full - attack.start))
    down = 0.5 + 0.5 * np.cos(np.pi * np.arange(attack.stop - attack.fall) / (attack.stop - attack.fall))
    shape = np.concatenate([up, np.ones(attack.fall - attack.full), down])
    for hit in hits[low:high]:
        first = int(hit) + attack.start - start
        a, b = max(first, 0), min(first + len(shape), n)
        if b > a:
            np.maximum(c[a:b], shape[a - first : b - first], out=c[a:b])
    return c


def render_mask(
    x: NDArray[np.float64],
    x_start: int,
    start: int,
    n_out: int,
    gains: NDArray[np.uint16],
    hits: NDArray[np.int64],
    attack: Attack,
    sr: int,
) -> NDArray[np.float64]:
    """Multiply a stretch of audio by a mask.

    Parameters
    ----------
    x : ndarray, shape (n,), float64
        Input from sample `x_start` on; a frame's length more than the output on either side.
    x_start, start, n_out : int
        Place of the input on the timeline, and the stretch wanted.
    gains : ndarray, shape (n_frames, n_bands), uint16
        As `quantise` makes them, on the band grid.
    hits : ndarray, shape (n_hits,), int64
        Samples at which the track is cut and the attack left alone, increasing.
    attack : Attack
    sr : int
        Hz.

    Returns
    -------
    y : ndarray, shape (n_out,), float64
        The same bits however the timeline is cut into stretches.
    """
    g = grid(sr)
    stop = start + n_out
    inner = np.array(x[start - x_start : stop - x_start])
    if not len(gains) or not n_out:
        return inner
    y = inner.copy()
    c = attack_window(hits, attack, x_start, len(x))
    pieces = hits + attack.full  # c is 1 there: nothing is cut in two that is to be transformed
    first = int(np.searchsorted(pieces, start, side="right")) - 1
    last = int(np.searchsorted(pieces, stop, side="left")) - 1
    for j in range(first, last + 1):
        a = int(pieces[j]) if j >= 0 else x_start
        b = int(pieces[j + 1]) if j + 1 < len(pieces) else x_start + len(x)
        rows = _rows_of_piece(j, hits + attack.start, len(gains), g)
        _piece(y, inner, start, x, x_start, c, max(a, x_start), min(b, x_start + len(x)), gains, rows, g)
    return y


def _rows_of_piece(j: int, cuts: NDArray[np.int64], n_frames: int, g: Grid) -> tuple[int, int]:
    """First and last row of gains that belong to piece j; held beyond its ends."""
    first = max(-(-int(cuts[j]) // g.hop), 0) if j >= 0 else 0
    last = (int(cuts[j + 1]) - 1) // g.hop if j + 1 < len(cuts) else n_frames - 1
    first = min(first, n_frames - 1)
    return first, min(max(last, first), n_frames - 1)


def _piece(
    y: NDArray[np.float64],
    inner: NDArray[np.float64],
    start: int,
    x: NDArray[np.float64],
    x_start: int,
    c: NDArray[np.float64],
    a: int,
    b: int,
    gains: NDArray[np.uint16],
    rows: tuple[int, int],
    g: Grid,
) -> None:
    """Clean the samples a…b of one piece, as far as they are wanted, in place in y."""
    lo, hi = max(a, start), min(b, start + len(y))
    if hi <= lo:
        return
    half = OVERLAP_HALF * g.hop
    cells = np.arange(lo // g.hop, (hi - 1) // g.hop + 1)
    frames = np.arange(cells[0] - 1, cells[-1] + 3)
    row = np.clip(frames, rows[0], rows[1])
    stored = gains[row]
    low, high = stored.min(axis=1).astype(np.int64), stored.max(axis=1).astype(np.int64)
    flat = np.where(low == high, low, -1)  # one gain for all bands, else -1
    around = np.lib.stride_tricks.sliding_window_view(flat, 4)
    simple = (around == around[:, :1]).all(axis=1) & (around[:, 0] >= 0)
    for cell, level in zip(cells[simple], around[simple, 0], strict=True):
        if level != FULL:
            p, q = max(lo, int(cell) * g.hop), min(hi, (int(cell) + 1) * g.hop)
            cc = c[p - x_start : q - x_start]
            gain = cc if level == 0 else 1.0 - (1.0 - level / FULL) * (1.0 - cc)
            y[p - start : q - start] = inner[p - start : q - start] * gain + 0.0  # no negative zeros
    if simple.all():
        return
    wanted = np.zeros(len(frames), bool)
    for k in range(4):
        wanted[k : k + len(cells)] |= ~simple
    wanted &= flat != FULL
    todo = np.flatnonzero(wanted)
    u = np.sqrt(1.0 - c[a - x_start : b - x_start])
    held = np.zeros(max((len(frames) + 3) * g.hop, 1))  # what is taken away, from (frames[0] − 2) · hop on
    origin = (int(frames[0]) - OVERLAP_HALF) * g.hop
    source = np.zeros(len(held))
    p, q = max(a, origin), min(b, origin + len(source))
    source[p - origin : q - origin] = x[p - x_start : q - x_start] * u[p - a : q - a]
    w = window(g.frame_length)
    for batch in range(0, len(todo), BATCH):
        some = todo[batch : batch + BATCH]
        at = (frames[some] * g.hop - half - origin).astype(np.int64)
        mixed = flat[some] < 0
        rows_of_frames = np.zeros((int(mixed.sum()), g.frame_length), np.float32)
        if len(rows_of_frames):
            _cut_out(rows_of_frames, source, at[mixed], w)
            bins = np.asarray(transform(rows_of_frames), np.complex64)
            weigh(bins, (1.0 - dequantise(stored[some[mixed]])).astype(np.float32), g.sr)
            rows_of_frames = np.asarray(back(bins, g.frame_length), np.float32)
        _lay(held, source, at, np.where(mixed, 0.0, 1.0 - flat[some] / FULL), mixed, rows_of_frames, w, w / SQUARES)
    for cell in cells[~simple]:
        p, q = max(lo, int(cell) * g.hop), min(hi, (int(cell) + 1) * g.hop)
        taken = held[p - origin : q - origin] * u[p - a : q - a]
        y[p - start : q - start] = inner[p - start : q - start] - taken


@njit(nogil=True, cache=True)
def _cut_out(
    frames: NDArray[np.float32], source: NDArray[np.float64], at: NDArray[np.int64], w: NDArray[np.float64]
) -> None:  # pragma: no cover - compiled
    """Fill the frames with windowed stretches of the source."""
    n = frames.shape[1]
    for r in range(len(at)):
        piece, out = source[at[r] : at[r] + n], frames[r]
        for i in range(n):
            out[i] = piece[i] * w[i]


@njit(nogil=True, cache=True)
def _lay(
    held: NDArray[np.float64],
    source: NDArray[np.float64],
    at: NDArray[np.int64],
    level: NDArray[np.float64],
    mixed: NDArray[np.bool_],
    frames: NDArray[np.float32],
    w: NDArray[np.float64],
    v: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Add frames up in order of time: transformed ones, and of the others the source times one gain."""
    n = len(w)
    k = 0
    for r in range(len(at)):
        out = held[at[r] : at[r] + n]
        if mixed[r]:
            row = frames[k]
            for i in range(n):
                out[i] += row[i] * v[i]
            k += 1
        else:
            piece, gain = source[at[r] : at[r] + n], level[r]
            for i in range(n):
                out[i] += piece[i] * w[i] * gain * v[i]
