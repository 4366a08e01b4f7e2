"""Waveforms as the page holds them: extremes of short pieces, and exact samples where decisions are close."""

from __future__ import annotations

import base64
import threading
import zlib
from collections.abc import Callable, Hashable, Sequence
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.audio.overview import Outline, piece_length
from spillgate.dsp.take.model import Take, Track

__all__ = ["SAME", "Pictures", "exact", "packed", "peaks", "signature", "without_same"]

SAME = -128
"""Stands in the picture of a cleaned track where it looks like its original: open stretches cost nothing."""

SAME_WITHIN = 2
"""Difference of companded extremes that no eye sees."""

BLOCK = 1 << 18

EXACT_BEFORE_S, EXACT_AFTER_S = 0.010, 0.050
"""Exact samples in the page around each question."""

T = TypeVar("T")


class Pictures:
    """What was drawn before, so that building a page again reads only what has changed.

    One entry per name; it is made anew when what it was made from has changed.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: dict[Hashable, tuple[Any, Any]] = {}

    def get(self, name: Hashable, made_from: Any, make: Callable[[], T]) -> T:
        """Return the entry, made now if need be; `made_from` None is never kept."""
        with self._lock:
            held = self._held.get(name)
        if held is None or made_from is None or held[0] != made_from:
            held = (made_from, make())
            if made_from is not None:
                with self._lock:
                    self._held[name] = held
        result: T = held[1]
        return result


def signature(track: Track) -> tuple[tuple[str, int, int], ...] | None:
    """Tell a state of a track's files from another; None for a take without files."""
    try:
        stats = [(f.name, f.path.stat()) for f in track.files]
    except OSError:
        return None
    return tuple((name, s.st_mtime_ns, s.st_size) for name, s in stats)


def peaks(take: Take, track: Track, shift: int) -> NDArray[np.int8]:
    """Smallest and largest sample of every piece, one byte each; `shift` samples are taken back."""
    outline = Outline(piece_length(take.sr, take.n_samples), take.n_samples, 0, take.n_samples)
    for a in range(0, take.n_samples, BLOCK):
        outline.push(take.read(track, a + shift, min(a + BLOCK, take.n_samples) + shift), a)
    return outline.small()


def without_same(after: NDArray[np.int8], before: NDArray[np.int8]) -> NDArray[np.int8]:
    """Put `SAME` where a cleaned track looks like its original."""
    far = np.abs(after.astype(np.int16) - before) > SAME_WITHIN
    return np.where(far.any(1, keepdims=True), after, np.int8(SAME))


def packed(pairs: NDArray[np.int8]) -> str:
    """All smallest values, then all largest, deflated, as base64."""
    return base64.b64encode(zlib.compress(np.ascontiguousarray(pairs.T).tobytes(), 6)).decode("ascii")


def exact(take: Take, track: Track, at_s: Sequence[float], shift: int) -> list[dict[str, Any]]:
    """Exact samples around some times, as base64 of int16; `shift` samples are taken back.

    Parameters
    ----------
    take : Take
    track : Track
    at_s : sequence of float
        On the take's timeline.
    shift : int

    Returns
    -------
    pieces : list of dict
        ``start`` (sample on the take's timeline) and ``samples``.
    """
    pieces = []
    n = round((EXACT_BEFORE_S + EXACT_AFTER_S) * take.sr)
    for time in sorted(at_s):
        start = round((time - EXACT_BEFORE_S) * take.sr)
        x = np.clip(take.read(track, start + shift, start + shift + n, "float64"), -1.0, 1.0)
        small = np.round(x * 32767).astype("<i2")
        pieces.append({"start": start, "samples": base64.b64encode(small.tobytes()).decode("ascii")})
    return pieces
