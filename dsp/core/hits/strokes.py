"""Playing without clear strokes: mallet rolls, swells, brushes.

A stroke begins suddenly and then only dies away.  Where a drum sounds on, louder than the ring of its latest clear
stroke can still be, and no other mic hears it as loud, it is being played in a way that cannot be cut into strokes.
Such a passage is left open.

Two things tell whose sound it is.  In the low bands a drum's own mic hears it far louder than any other close mic does;
a brush rustles in the upper bands, where cymbals are everywhere, but in one tom's mic more than in all the others.
Both compare levels as they are in the files: preamps are set by full strokes, and a few decibels do not matter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.hits.novelty import Novelty, gather

__all__ = ["FRAMES", "LEAST_LEAD_DB", "Passages", "Strokes", "averaged", "clicks", "lead_db", "passages"]

FRAMES = 20
"""Frames of a millisecond that are averaged: slower than an attack, faster than a roll."""
LOW, HIGH = slice(0, 3), slice(2, 6)
"""Bands of a head's tones (40–600 Hz) and of a brush's rustle (220 Hz upwards)."""
LOWS, HIGHS = 0, 1
"""Columns of the averages of those."""
AT_ONCE = 1 << 14
"""Averages worked out at a time."""
CLICK = slice(3, 6)
"""Bands of a stick's click (600 Hz upwards): felt touches the head too long to shake anything up there."""
CLEAR_CLICK_DB = -16.0
"""A stroke is clear if what is new in those bands has so much of all that sounds then (95 % of the sure strokes
of sticks on recorded and made kits: over −18, half of them over −10; of made felt mallets half under −28…−20)."""
CLEAR = 0.8
"""…and if it is a hit with this probability."""
ATTACK = 4
"""Averages after a clear stroke over which the ring's start is read."""
RING_LOW_DB_S, RING_HIGH_DB_S = 10.0, 30.0
"""Slowest decay of a ring: toms ring 2 to 5 s (60 dB), their upper partials shorter."""
OVER_RING_DB = 6.0
"""The drum sounds on where it is so much over what the latest clear stroke may have left."""
OWN_DB = 6.0
"""Its mic is so much louder than every other: 12 to 19 in made mallet rolls, while other drums and cymbals put a tom's
mic over all others only in ringing toms."""
LEAST_LEAD_DB = -15.0
"""A tom whose mic is so far under another tom's at every one of its likely strokes was not struck: what it hears is the
neighbour (made and recorded takes: −20 and less; the best of a struck one's strokes −3 and more)."""
FAINTEST_DBFS, UNDER_LOUDEST_DB = -60.0, 30.0
"""Nothing fainter than this is a passage, nor than that re the track's loudest."""
GAP_S, TOGETHER_S = 0.25, 1.5
"""Interruptions that a passage bridges, and passages that are one, s."""
HELD_PERCENTILE, HELD_DB, HELD_S = 95.0, 12.0, 0.8
"""It holds its level (this percentile) within so many dB for so long: a ring alone, which takes 3.3 s for 60 dB or
less, has sunk further by then.  The longer ring of a stroke that was missed is left open, too, which does no harm."""
EVEN_DB, EVEN_S, EVEN_SHARE = 10.0, 2.0, 0.8
"""Brushes hold their level within so much (10th to 90th percentile) for at least so long, and are the louder ones in
this share of the time; cymbals come in strokes."""
LEAST_DB = 40.0
LEAD_S, LONGEST_LEAD_S, TAIL_S = 0.15, 3.0, 4.0
"""A passage begins so long before the sound stands out, or as far back as the drum leads at all and is no more than
40 dB under the passage's loudest, and ends when that is no longer so; at most so far."""


@dataclass(frozen=True)
class Strokes:
    """Candidates of one drum.

    Attributes
    ----------
    frame : ndarray, shape (n,), int64
        Milliseconds.
    probability : ndarray, shape (n,)
        That each is a hit.
    click_db : ndarray, shape (n,)
        From `clicks`.
    """

    frame: NDArray[np.int64]
    probability: NDArray[np.float64]
    click_db: NDArray[np.float64]


@dataclass(frozen=True)
class Passages:
    """Where a drum is played without clear strokes.

    Attributes
    ----------
    spans : ndarray, shape (n, 2), int64
        First frame and one past the last, milliseconds, increasing.
    clear_outside : int
        Clear strokes that lie in none of them.
    """

    spans: NDArray[np.int64]
    clear_outside: int


def clicks(energy: NDArray[np.float32], known: Novelty, frames: NDArray[np.int64]) -> NDArray[np.float64]:
    """Measure how much of a stroke is click.

    Parameters
    ----------
    energy : ndarray, shape (n_frames, 6), float32
        Of the drum's mic, from `BandEnvelopes`.
    known : Novelty
        Of the same mic.
    frames : ndarray, shape (n,), int64

    Returns
    -------
    click_db : ndarray, shape (n,)
        What is new over 600 Hz re all that sounds then.
    """
    after, before, _, _ = gather(energy, known, frames)
    fresh = np.maximum(after - before, 0.0)[:, CLICK] * known.reference[CLICK]
    whole = (after * known.reference).sum(axis=1)
    share = np.where(whole > 0, fresh.sum(axis=1) / np.where(whole > 0, whole, 1.0), 0.0)
    return np.asarray(10.0 * np.log10(np.maximum(share, 1e-12)))


def averaged(energy: NDArray[np.float32]) -> NDArray[np.float64]:
    """Average the low and the high bands of envelopes over 20 ms.

    Parameters
    ----------
    energy : ndarray, shape (n_frames, 6), float32
        From `BandEnvelopes`.

    Returns
    -------
    averages : ndarray, shape (n_frames // 20, 2), float64
        Summed over the bands that mallets and those that brushes are told by.
    """
    n = len(energy) // FRAMES
    found = np.empty((n, 2))
    for a in range(0, n, AT_ONCE):
        b = min(a + AT_ONCE, n)
        some = energy[a * FRAMES : b * FRAMES].reshape(b - a, FRAMES, energy.shape[1]).mean(axis=1, dtype=np.float64)
        found[a:b, LOWS], found[a:b, HIGHS] = some[:, LOW].sum(axis=1), some[:, HIGH].sum(axis=1)
    return found


def lead_db(
    own: NDArray[np.float64], other_toms: Sequence[NDArray[np.float64]], frames: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Measure by how much a tom's mic is louder than all other toms' mics just after some moments.

    Parameters
    ----------
    own : ndarray, shape (n, 2)
        Averages of its mic.
    other_toms : sequence of ndarray, shape (n, 2)
    frames : ndarray, shape (n_moments,), int64
        Milliseconds.

    Returns
    -------
    lead_db : ndarray, shape (n_moments,)
        In the low bands; infinite without other toms.
    """
    if not other_toms or not len(own):
        return np.full(len(frames), np.inf)
    at = np.minimum(frames[:, None] // FRAMES + 1 + np.arange(ATTACK), len(own) - 1)
    levels = [10.0 * np.log10(x[:, LOWS][at].mean(axis=1) + 1e-20) for x in (own, *other_toms)]
    return np.asarray(levels[0] - np.max(levels[1:], axis=0))


def passages(
    own: NDArray[np.float64],
    others: Sequence[NDArray[np.float64]],
    other_toms: Sequence[NDArray[np.float64]],
    strokes: Strokes,
    frame_s: float,
) -> Passages:
    """Find where one tom is played without clear strokes.

    Parameters
    ----------
    own : ndarray, shape (n, 2)
        Averages of the drum's mic.
    others : sequence of ndarray, shape (n, 2)
        Of the other drums' close mics; without any nothing is found.
    other_toms : sequence of ndarray, shape (n, 2)
        Those of them that stand at toms.
    strokes : Strokes
        Of this drum.
    frame_s : float
        Length of a frame of the strokes, s.

    Returns
    -------
    passages : Passages
    """
    step_s = FRAMES * frame_s
    clear = strokes.frame[(strokes.probability >= CLEAR) & (strokes.click_db >= CLEAR_CLICK_DB)]
    spans: list[tuple[int, int]] = []
    if others and len(own):
        spans += _rolls(own, others, clear, step_s)
    if other_toms and len(own):
        spans += _brushes(own, other_toms, clear, step_s)
    joined = np.array(_joined(sorted(spans), TOGETHER_S / step_s), np.int64).reshape(-1, 2) * FRAMES
    inside = np.zeros(len(clear), bool)
    for a, b in joined:
        inside |= (clear >= a) & (clear < b)
    return Passages(joined, int(np.sum(~inside)))


def _rolls(
    own: NDArray[np.float64], others: Sequence[NDArray[np.float64]], clear: NDArray[np.int64], step_s: float
) -> list[tuple[int, int]]:
    """Mallets: the head sounds on, in its own mic above all."""
    level, rest = _db(own, LOWS), _loudest(others, LOWS)
    stands_out = _sounds_on(level, clear, RING_LOW_DB_S * step_s) & (level > rest + OWN_DB)
    found = []
    for a, b in _runs(stands_out, GAP_S / step_s):
        sounding = level[a:b][stands_out[a:b]]
        held = np.sum(sounding >= np.percentile(sounding, HELD_PERCENTILE) - HELD_DB)
        if held * step_s >= HELD_S:
            leads = (level > rest) & (level > level[a:b].max() - LEAST_DB)
            found.append(_whole(a, b, leads, step_s))
    return found


def _brushes(
    own: NDArray[np.float64], toms: Sequence[NDArray[np.float64]], clear: NDArray[np.int64], step_s: float
) -> list[tuple[int, int]]:
    """Brushes: an even rustle that one tom's mic hears more than all the others."""
    level, rest = _db(own, HIGHS), _loudest(toms, HIGHS)
    stands_out = _sounds_on(level, clear, RING_HIGH_DB_S * step_s) & (level > rest + OWN_DB)
    found = []
    for a, b in _runs(stands_out, GAP_S / step_s):
        low, high = np.percentile(level[a:b], (10, 90))
        if (b - a) * step_s >= EVEN_S and np.mean(stands_out[a:b]) >= EVEN_SHARE and high - low <= EVEN_DB:
            leads = (level > rest) & (level > level[a:b].max() - LEAST_DB)
            found.append(_whole(a, b, leads, step_s))
    return found


def _db(averages: NDArray[np.float64], which: int) -> NDArray[np.float64]:
    return np.asarray(10.0 * np.log10(np.maximum(averages[:, which], 1e-20)))


def _loudest(mics: Sequence[NDArray[np.float64]], which: int) -> NDArray[np.float64]:
    """Level of the loudest of some mics, dB."""
    level = _db(mics[0], which)
    for averages in mics[1:]:
        np.maximum(level, _db(averages, which), out=level)
    return level


def _sounds_on(level: NDArray[np.float64], clear: NDArray[np.int64], decay_db: float) -> NDArray[np.bool_]:
    """Tell where the level is over what the latest clear strokes can have left, and no mere noise."""
    start = np.full(len(level), -np.inf)
    for k in range(ATTACK):
        at = np.minimum(clear // FRAMES + k, len(level) - 1)
        start[at] = level[at]
    # the ring so far is the greatest of all starts less their decays: a running maximum on a falling line
    line = decay_db * np.arange(len(level))
    ring = np.maximum.accumulate(start + line) - line
    faintest = max(FAINTEST_DBFS, float(level.max(initial=-np.inf)) - UNDER_LOUDEST_DB)
    return np.asarray((level > ring + OVER_RING_DB) & (level > faintest))


def _runs(true: NDArray[np.bool_], gap: float) -> list[tuple[int, int]]:
    """First and one past the last of each run of true values, shorter gaps bridged."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(np.int8)))
    return _joined([(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)], gap)


def _joined(spans: Sequence[tuple[int, int]], gap: float) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for a, b in spans:
        if joined and a - joined[-1][1] <= gap:
            joined[-1] = (joined[-1][0], max(b, joined[-1][1]))
        else:
            joined.append((a, b))
    return joined


def _whole(a: int, b: int, leads: NDArray[np.bool_], step_s: float) -> tuple[int, int]:
    """Widen a passage to where its sound begins and ends."""
    gap = GAP_S / step_s
    first = max(a - int(LONGEST_LEAD_S / step_s), 0)
    before = [x for x, y in _runs(leads[first:a], gap) if y >= a - first - gap]
    start = first + before[-1] if before else a
    last = min(b + int(TAIL_S / step_s), len(leads))
    after = [y for x, y in _runs(leads[b:last], gap) if x <= gap]
    stop = b + after[0] if after else b
    return max(start - int(LEAD_S / step_s), 0), stop
