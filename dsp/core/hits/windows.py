"""Mean energies after and before every moment of a mic, stretch by stretch, so that no long take needs long arrays."""

from __future__ import annotations

import mmap
from collections.abc import Iterator

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["STRETCH", "greatest", "let_go", "means", "peaks_of_fresh", "stretches"]

STRETCH = 1 << 14
"""Frames worked on at a time; their sums stay in the cache."""

_CHUNK = 2048
"""Values summed at a time; changes no result."""


def stretches(n: int) -> Iterator[tuple[int, int]]:
    """Cut a track into stretches.

    Parameters
    ----------
    n : int
        Frames.

    Returns
    -------
    stretches : iterator of (int, int)
        First frame of each and one past its last.
    """
    for a in range(0, n, STRETCH):
        yield a, min(a + STRETCH, n)


def let_go(*arrays: NDArray[np.float32]) -> None:
    """Tell the system that these will not be looked at for a while, so that a long take does not fill the memory.

    Parameters
    ----------
    *arrays : ndarray
        Those that lie in files keep their values there; for others nothing happens.
    """
    for x in arrays:
        mapped = getattr(x, "_mmap", None)
        if isinstance(mapped, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED") and len(mapped):
            mapped.madvise(mmap.MADV_DONTNEED)


def means(
    energy: NDArray[np.float32],
    quiet: NDArray[np.float64],
    a: int,
    b: int,
    n_after: int,
    from_before: int,
    to_before: int,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Mean energy from each frame on and before it, for some of the frames.

    Parameters
    ----------
    energy : ndarray, shape (n_frames, n_bands), float32
    quiet : ndarray, shape (n_bands,)
        Stands for what was before the first frame; behind the last one there is nothing.
    a, b : int
        First frame wanted and one past the last; may lie outside.
    n_after : int
        Frames 0…n_after − 1 from the frame on.
    from_before, to_before : int
        Frames −from_before…−to_before.

    Returns
    -------
    after, before : ndarray, shape (b - a, n_bands), float32
        Sums run in float64 in the order of the frames: the same however the frames are cut.
    """
    n, n_bands = energy.shape
    first, stop = a - from_before, b + n_after - 1
    held = np.zeros((stop - first, n_bands))
    held[: max(-first, 0)] = quiet
    lo, hi = max(first, 0), min(stop, n)
    if hi > lo:
        held[lo - first : hi - first] = energy[lo:hi]
    after, before = np.empty((b - a, n_bands), np.float32), np.empty((b - a, n_bands), np.float32)
    flat = held.reshape(-1)
    _means(flat, from_before * n_bands, n_bands, n_after, after.reshape(-1))
    _means(flat, 0, n_bands, from_before - to_before + 1, before.reshape(-1))
    return after, before


def peaks_of_fresh(fresh: NDArray[np.float32], reach: int, inner: int, count: int) -> list[NDArray[np.float64]]:
    """Values of the local maxima of each band that nothing within `reach` exceeds.

    Parameters
    ----------
    fresh : ndarray, shape (n, n_bands), float32
        With `reach` frames more on either side where the track has them.
    reach : int
    inner, count : int
        First of the rows that are asked about, and their number.

    Returns
    -------
    values : list of ndarray, float64
        One per band, in the order of time.
    """
    return [
        np.asarray(_peak_values(np.ascontiguousarray(fresh[:, b]), reach, inner, count), np.float64)
        for b in range(fresh.shape[1])
    ]


def greatest(x: NDArray[np.float32], first: NDArray[np.int64], last: NDArray[np.int64]) -> NDArray[np.float32]:
    """Greatest value of each band between two frames; at least 0.

    Parameters
    ----------
    x : ndarray, shape (n, n_bands), float32
    first, last : ndarray, shape (n_stretches,), int64
        Both count; what lies outside `x` is ignored.

    Returns
    -------
    greatest : ndarray, shape (n_stretches, n_bands), float32
    """
    return np.asarray(_greatest_between(x, first, last))


@njit(nogil=True, cache=True)
def _means(x, offset, step, count, out):  # type: ignore[no-untyped-def]
    # out[m] = mean of x[offset + m + j·step], j < count: side by side in memory, so many at a time
    total = np.empty(_CHUNK)
    n = len(out)
    for c in range(0, n, _CHUNK):
        m = min(_CHUNK, n - c)
        for i in range(m):
            total[i] = 0.0
        for j in range(count):
            at = x[offset + c + j * step : offset + c + j * step + m]
            for i in range(m):
                total[i] += at[i]
        for i in range(m):
            out[c + i] = total[i] / count


@njit(nogil=True, cache=True)
def _peak_values(x, reach, inner, count):  # type: ignore[no-untyped-def]
    n = len(x)
    found = np.empty(count, np.float32)
    kept = 0
    for k in range(inner, inner + count):
        top = True
        for i in range(k + 1, min(k + reach + 1, n)):
            if x[i] > x[k]:
                top = False
                break
        if top:
            for i in range(max(k - reach, 0), k):
                if x[i] >= x[k]:
                    top = False
                    break
        if top:
            found[kept] = x[k]
            kept += 1
    return found[:kept].copy()


@njit(nogil=True, cache=True)
def _greatest_between(x, first, last):  # type: ignore[no-untyped-def]
    n, n_bands = x.shape
    out = np.zeros((len(first), n_bands), np.float32)
    for j in range(len(first)):
        for i in range(max(first[j], 0), min(last[j] + 1, n)):
            for b in range(n_bands):
                out[j, b] = max(out[j, b], x[i, b])
    return out
