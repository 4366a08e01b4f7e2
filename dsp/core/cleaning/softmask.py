"""Turning the bleed down under the ring: a gain per band that follows how much of the sound is the drum."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.cleaning.closing import GONE_DB, HELD_S, LOOK_S, Closing, first_run

__all__ = ["gain_jump_db", "lowering_gains", "ring_gains", "silences", "soft_mask"]

BURIED_DB = 14.0
"""The drum is given up for silence when its ring is so far under the bleed for 45 ms, dB: before that the gains do
better than silence."""
SMOOTH = 3
"""Frames over which the bleed is averaged."""
AUDIBLE = 1e-5
"""Share of the loudest power from which on a cell counts for the restlessness: −50 dB."""
LOWERED_FROM_HZ = 200.0
"""What hats and cymbals leave in a snare mic lies above; below, what looks like it is another drum (at 0 Hz 2.5 dB were
lost on one of four made takes)."""
RISE_SHARE = 1 / 3
"""Nothing is lowered for the first third of the time after a hit that goes by until all may be (on four made takes what
is lost of the first 250 ms after a hit fell from 0.9 to 0.07 dB, of a ghost note's from 2.5 to 0.3 dB)."""
TINY = 1e-30


def ring_gains(ring: NDArray[np.float32], bleed: NDArray[np.float32], strength: float) -> NDArray[np.float32]:
    """Weigh the ring against the bleed.

    Parameters
    ----------
    ring, bleed : ndarray, shape (n_bands, n_frames), float32
        Powers.
    strength : float
        How much the bleed counts; 1 is Wiener's filter.

    Returns
    -------
    gains : ndarray, shape (n_bands, n_frames), float32
        ring / (ring + strength · bleed), 0…1.

    References
    ----------
    Wiener gain of a single channel, as in Kokkinis, Reiss & Mourjopoulos, IEEE TASLP 20(3), 2012.
    """
    n = ring.shape[1]
    padded = np.pad(bleed, ((0, 0), (SMOOTH // 2, SMOOTH // 2)), mode="edge")
    mean = np.zeros_like(bleed)
    for k in range(SMOOTH):
        mean += padded[:, k : k + n]
    mean *= np.float32(strength / SMOOTH)
    gains: NDArray[np.float32] = ring / np.maximum(ring + mean, np.float32(TINY))
    return gains


def lowering_gains(
    x: NDArray[np.float32],
    rest: NDArray[np.float32],
    spill: NDArray[np.float32],
    age_s: NDArray[np.float64],
    full_s: float,
    centres_hz: NDArray[np.float64],
    least: float,
) -> NDArray[np.float32]:
    """Turn down one part of the bleed and nothing else.

    Parameters
    ----------
    x : ndarray, shape (n_bands, n_frames), float32
        Power of the track.
    rest : ndarray, shape (n_bands, n_frames), float32
        What is known of the power that stays: the drum, and other bleed.
    spill : ndarray, shape (n_bands, n_frames), float32
        Power of the part to be turned down.
    age_s : ndarray, shape (n_frames,), float64
        Time since the latest own hit, s; infinite before the first.
    full_s : float
        From so long after a hit all of the spill counts; before, a share of it that grows from a third of that time on.
    centres_hz : ndarray, shape (n_bands,)
        Bands under 200 Hz are left alone.
    least : float
        Linear gain that no band goes below.

    Returns
    -------
    gains : ndarray, shape (n_bands, n_frames), float32
        √(stays / (stays + spill)), `least`…1, where what stays is at least what the track has over the spill: a stroke
        that nobody found keeps most of its level.

    References
    ----------
    The square root of Wiener's gain (power subtraction): half its dB, for estimates that err by some dB.
    """
    counted = np.clip((age_s / max(full_s, TINY) - RISE_SHARE) / (1.0 - RISE_SHARE), 0.0, 1.0).astype(np.float32)
    n = spill.shape[1]
    padded = np.pad(spill, ((0, 0), (SMOOTH // 2, SMOOTH // 2)), mode="edge")
    mean = np.zeros_like(spill)
    for k in range(SMOOTH):
        mean += padded[:, k : k + n]
    mean *= counted / np.float32(SMOOTH)
    stays = np.maximum(rest, x - mean)
    gains: NDArray[np.float32] = np.sqrt(np.maximum(stays, 0) / np.maximum(stays + mean, np.float32(TINY)))
    gains[mean <= 0] = 1.0
    gains[centres_hz < LOWERED_FROM_HZ] = 1.0
    return np.maximum(gains, np.float32(least))


def silences(
    ring: NDArray[np.float32],
    bleed: NDArray[np.float32],
    firsts: NDArray[np.int64],
    frame_s: float,
    hold_s: float = 0.0,
) -> Closing:
    """Find where the drum is given up for silence after each hit.

    Parameters
    ----------
    ring, bleed : ndarray, shape (n_bands, n_frames), float32
        Powers.
    firsts : ndarray, shape (n_hits,), int64
        First frame after each hit, not decreasing.
    frame_s : float
        Time from frame to frame, s.
    hold_s : float, optional
        Close this much later.

    Returns
    -------
    closing : Closing
        With a single group: all bands close together.
    """
    n_frames = ring.shape[1]
    total, rest = ring.sum(axis=0, dtype=np.float64), bleed.sum(axis=0, dtype=np.float64)
    stops = np.append(firsts, n_frames)[1:]
    held = int(np.ceil(HELD_S / frame_s))
    look = max(int(LOOK_S / frame_s + 0.5), 1)
    hold = int(hold_s / frame_s + 0.5)
    closes = np.empty((len(firsts), 1), np.int64)
    for i, (a, b) in enumerate(zip(firsts, stops, strict=True)):
        low = total[a:b] < rest[a:b] * 10 ** (-BURIED_DB / 10)
        low |= total[a:b] <= 10 ** (-GONE_DB / 10) * np.maximum.accumulate(total[a:b])
        closes[i] = min(a + int(first_run(low[None, :], held, look)[0]) + hold, b)
    return Closing(np.asarray(firsts, np.int64), closes, n_frames)


def soft_mask(gains: NDArray[np.float32], curve: NDArray[np.float32], floor: float = 0.0) -> NDArray[np.float32]:
    """Let the gains hold from each hit until it is given up for silence.

    Parameters
    ----------
    gains : ndarray, shape (n_bands, n_frames), float32
        From `ring_gains`.
    curve : ndarray, shape (n_frames,), float32
        1 from each hit on, with a fade to 0 where all bands close (`silences`, `mask_of`).
    floor : float, optional
        Linear gain while closed; nothing is turned down further.

    Returns
    -------
    mask : ndarray, shape (n_frames, n_bands), float32
        Linear, `floor`…1.
    """
    mask: NDArray[np.float32] = np.maximum(gains.T * curve[:, None], np.float32(floor))
    return mask


def gain_jump_db(mask: NDArray[np.floating], x: NDArray[np.float32]) -> float:
    """Tell how restless a mask is: watery noise comes from gains that jump from frame to frame.

    Parameters
    ----------
    mask : ndarray, shape (n_frames, n_bands)
        Linear gains.
    x : ndarray, shape (n_bands, n_frames), float32
        Power of the track.

    Returns
    -------
    jump_db : float
        Mean change of gain from one frame to the next, dB, over all cells that come through above −50 dB re the
        loudest, fades to silence left out.  Spectral subtraction, known to sound watery, has 10 to 24 dB.
    """
    loudest = max((float(np.max(power * np.square(mask[:, k]), initial=0.0)) for k, power in enumerate(x)), default=0.0)
    total, n = 0.0, 0
    for k, power in enumerate(x if loudest > 0.0 else ()):
        gain = mask[:, k]
        passed = power * np.square(gain)
        both = np.minimum(passed[1:], passed[:-1])
        heard = (both > AUDIBLE * loudest) & (gain[1:] < 1) & (gain[:-1] < 1)
        jumps = 20 * np.abs(np.log10(gain[1:][heard] / gain[:-1][heard]))
        total, n = total + float(np.sum(jumps, dtype=np.float64)), n + len(jumps)
    return total / n if n else 0.0
