"""What the lags of all drums say together: signs, confidence, overhead distances, and what moves by how much."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = [
    "Lag",
    "Mismatch",
    "Moved",
    "Mover",
    "confidence",
    "drum_sign",
    "move_kit",
    "odd_sign_out",
    "overhead_mismatch",
    "pair_sign",
    "relative_sign",
    "sides",
    "swapped",
    "usual_sign",
]

Confidence = Literal["sure", "likely", "unsure"]

SURE_MARGIN, LIKELY_MARGIN = 4.0, 1.0
"""Lead of the best answer over those farther than 0.3 ms or of the other sign, natural log units (tuned on recorded
hits)."""
SHARP, SHARP_COHERENCE = 4.5, 0.68
"""Lead over answers farther than 0.15 ms, or coherence of the attack, either of which makes the place itself sure."""
FEWEST_HITS = 3
SHY_ROLES = ("kick", "hat", "cymbal")
"""Drums whose attack sounds different above and close by: only sure with a coherent attack."""
SHY_COHERENCE = 0.7
SIGN_CLIP, SIGN_FLIPPED = 6.0, -6.0
SOUND_CM_PER_S = 34_320.0
"""In dry air of 20 °C."""
SIDE_S = 0.00025
"""Difference of lags under which a side is not called."""
MISMATCH_COHERENT_CM, MISMATCH_WAYS_CM, MISMATCH_CM = 2.0, 3.0, 6.0
"""Uncertainty with a coherent attack, where the ways by other microphones agree, and otherwise.  On made takes with
drums of real size it was off by 1.0 cm at most; on a recorded kit, against the first sample over a threshold, by 1.5 cm
where the ways agreed and by 5.5 cm without them."""
MISMATCH_COHERENCE = 0.85
SWAPPED_POINTS = -2
ODD_SIGN_MARGIN, ODD_LEAD = 6.0, 3.0


@dataclass(frozen=True)
class Lag:
    """One microphone against one overhead, with the sign decided.

    Attributes
    ----------
    lag_samples : float
        By how much the sound is later in the overhead; samples at the take's rate.
    sign : int
        1 or −1.
    lead : float
        Of the lag over other lags of the same sign farther than 0.3 ms, natural log units.
    sharpness : float
        The same for 0.15 ms.
    margin : float
        Lead over every other answer, other sign included; 0 where the lag lies at an end of the range.
    coherence : float
    n_hits : int
    confidence : {'sure', 'likely', 'unsure'}
    ways : int
        Ways by other drums' microphones and its own that agree on it; 0 if only its own is known.
    """

    lag_samples: float
    sign: int
    lead: float
    sharpness: float
    margin: float
    coherence: float
    n_hits: int
    confidence: Confidence
    ways: int = 0


@dataclass(frozen=True)
class Mismatch:
    """How much farther the right overhead is from the snare than the left one.

    Attributes
    ----------
    samples, cm : float
        Positive: the right one is farther.
    uncertainty_cm : float
    confidence : {'sure', 'likely', 'unsure'}
    """

    samples: float
    cm: float
    uncertainty_cm: float
    confidence: Confidence


def confidence(
    margin: float, sharpness: float, role: str, coherence: float, n_hits: int, hits_in_doubt: bool
) -> Confidence:
    """Turn a margin into a word.

    Parameters
    ----------
    margin : float
        Natural log units.
    sharpness : float
        Lead over answers farther than 0.15 ms, natural log units.
    role : str
        Of the close microphone.
    coherence : float
        0…1.
    n_hits : int
        Hits that voted.
    hits_in_doubt : bool
        Whether it is not certain that the hits are this drum's.

    Returns
    -------
    word : {'sure', 'likely', 'unsure'}
    """
    if margin < LIKELY_MARGIN:
        return "unsure"
    shy = role in SHY_ROLES and coherence < SHY_COHERENCE
    sharp = sharpness > SHARP or coherence >= SHARP_COHERENCE
    if margin > SURE_MARGIN and sharp and n_hits >= FEWEST_HITS and not shy and not hits_in_doubt:
        return "sure"
    return "likely"


def relative_sign(evidence: Sequence[tuple[float, float]]) -> tuple[int, float]:
    """Tell whether two overheads have the same polarity.

    Parameters
    ----------
    evidence : sequence of (left, right)
        Per drum and overhead: score in phase minus score in opposite phase.

    Returns
    -------
    sign : int
        −1 only if the drums say so clearly.
    evidence : float
        Sum of the products; −1 is said below −6.
    """
    total = float(sum(np.clip(a, -SIGN_CLIP, SIGN_CLIP) * np.clip(b, -SIGN_CLIP, SIGN_CLIP) for a, b in evidence))
    return (-1 if total < SIGN_FLIPPED else 1), total


def pair_sign(evidence: Sequence[float]) -> tuple[int, float]:
    """Tell whether two overheads have the same polarity, from what they have in common.

    Parameters
    ----------
    evidence : sequence of float
        Per drum: votes for the same polarity minus votes for the opposite one.

    Returns
    -------
    sign : int
        −1 only if the drums say so clearly.
    evidence : float
        −1 is said below −6.
    """
    total = float(sum(np.clip(e, -SIGN_CLIP, SIGN_CLIP) for e in evidence))
    return (-1 if total < SIGN_FLIPPED else 1), total


def drum_sign(evidence: Sequence[float], overhead_signs: Sequence[int]) -> tuple[int, float]:
    """Decide one drum's sign by all overheads together.

    Parameters
    ----------
    evidence : sequence of float
        Per overhead: score in phase minus score in opposite phase.
    overhead_signs : sequence of int
        Sign of each overhead against the first.

    Returns
    -------
    sign : int
        Against the first overhead.
    margin : float
    """
    total = float(sum(e * s for e, s in zip(evidence, overhead_signs, strict=True)))
    return (1 if total >= 0 else -1), abs(total)


def overhead_mismatch(left: Lag, right: Lag, sr: int) -> Mismatch:
    """Compare the snare's way to both overheads.

    Parameters
    ----------
    left, right : Lag
        Of the snare's top microphone.
    sr : int
        Hz.

    Returns
    -------
    mismatch : Mismatch
        Right minus left, with its uncertainty.
    """
    samples = right.lag_samples - left.lag_samples
    coherent = min(left.coherence, right.coherence) >= MISMATCH_COHERENCE
    rank = {"sure": 2, "likely": 1, "unsure": 0}
    worst = min(left.confidence, right.confidence, key=lambda c: rank[c])
    agreed = min(left.ways, right.ways) > 0
    uncertainty = MISMATCH_COHERENT_CM if coherent else MISMATCH_WAYS_CM if agreed else MISMATCH_CM
    return Mismatch(samples, samples / sr * SOUND_CM_PER_S, uncertainty, worst)


def sides(lags: Mapping[str, tuple[Lag, Lag]], sr: int) -> dict[str, str]:
    """Tell on which side each track's drum is: that of the nearer overhead.

    Parameters
    ----------
    lags : mapping of track to (left, right)
    sr : int
        Hz.

    Returns
    -------
    side : dict of track to {'L', 'R'}
        Left out where the difference is under 0.25 ms or one of both lags is unsure.
    """
    out = {}
    for track, (left, right) in lags.items():
        step = right.lag_samples - left.lag_samples
        if "unsure" not in (left.confidence, right.confidence) and abs(step) >= SIDE_S * sr:
            out[track] = "L" if step > 0 else "R"
    return out


def swapped(side_of: Mapping[str, str], hat_side: str = "L") -> int:
    """Count for and against the overheads being the right way round.

    Parameters
    ----------
    side_of : mapping of drum to {'L', 'R'}
    hat_side : {'L', 'R'}
        Where a right-handed drummer's hat and high tom are, seen as left and right are meant.

    Returns
    -------
    points : int
        Floor tom 2, hat and first rack tom 1 each; −2 or less: left and right are swapped.
    """
    points = 0
    for drum, weight, expected in (("floor", 2, False), ("hat", 1, True), ("tom1", 1, True)):
        if drum in side_of:
            points += weight if (side_of[drum] == hat_side) == expected else -weight
    return points


def usual_sign(signs: Iterable[tuple[str, str | None, int, float, float]], overheads: Sequence[int]) -> int:
    """Tell which sign against the first overhead is the right one.

    Parameters
    ----------
    signs : iterable of (role, position, sign, sign margin, greatest lead of its lags)
        Of the close microphones; snare and toms vote, a bottom microphone the other way round.
    overheads : sequence of int
        Sign of each overhead against the first.

    Returns
    -------
    sign : int
        1 as long as the overheads agree: heads move away from close microphone and overhead alike.  Else one of them is
        reversed, and the drums say which by their majority.  −1 too if all drums say so: then both overheads are.
    """
    told = [
        (-sign if position == "bottom" else sign) * min(margin, SIGN_CLIP)
        for role, position, sign, margin, _ in signs
        if role in ("snare", "tom")
    ]
    if all(s > 0 for s in overheads):
        return -1 if len(told) > 1 and max(told) < 0.0 else 1
    return 1 if sum(told) >= 0.0 else -1


def odd_sign_out(
    signs: Mapping[str, tuple[str, str | None, int, float, float]], overheads: Sequence[int] = (1,)
) -> list[str]:
    """Find microphones whose polarity is not what it should be.

    Parameters
    ----------
    signs : mapping of track to (role, position, sign, sign margin, greatest lead of its lags)
    overheads : sequence of int
        Sign of each overhead against the first.

    Returns
    -------
    tracks : list of str
        Snare and toms only: of kick and hat the sign is never judged. A bottom microphone counts the other way round
        and is never accused itself: it usually was turned at the desk if it is not opposite.
    """
    normal = usual_sign(signs.values(), overheads)
    return [
        track
        for track, (role, position, sign, margin, lead) in signs.items()
        if role in ("snare", "tom")
        and position != "bottom"
        and sign != normal
        and margin > ODD_SIGN_MARGIN
        and lead > ODD_LEAD
    ]


@dataclass(frozen=True)
class Mover:
    """One close microphone before it is decided what moves.

    Attributes
    ----------
    track, drum : str
    delay : float
        Measured delay to its target, samples.
    polarity : int
        Measured sign against it.
    accepted : bool
        Whether the delay is sure enough to be used.
    polarity_accepted : bool
    after_first : float or None
        By how much the sound is later than in the first microphone of the drum, samples; None if that is unknown.
    """

    track: str
    drum: str
    delay: float
    polarity: int
    accepted: bool
    polarity_accepted: bool
    after_first: float | None = 0.0


@dataclass(frozen=True)
class Moved:
    """What is done to one track.

    Attributes
    ----------
    delay : float
        Samples, positive = later.
    polarity : int
    reason : str
        In plain words.
    """

    delay: float
    polarity: int
    reason: str


def _unit(mics: Sequence[Mover], snare: float) -> dict[str, Moved]:
    """Delays of one drum's microphones, which move as one."""
    good = [m for m in mics if m.accepted]
    out: dict[str, Moved] = {}
    for m in mics:
        turn = m.polarity if m.polarity_accepted else 1
        if m.accepted:
            out[m.track] = Moved(m.delay, turn, "own delay")
        elif good:
            lead = good[0]
            if m.after_first is not None and lead.after_first is not None:
                delay = lead.delay + lead.after_first - m.after_first
                out[m.track] = Moved(delay, turn, f"moves with the drum's other microphone ({lead.track})")
            else:
                out[m.track] = Moved(lead.delay, turn, f"same delay as the drum's other microphone ({lead.track})")
        elif len(mics) > 1 and all(v.after_first is not None for v in mics):
            last = max(v.after_first or 0.0 for v in mics)
            step = last - (m.after_first or 0.0)
            reason = "moves with the snare" + (", lined up with the drum's other microphone" if step else "")
            out[m.track] = Moved(snare + step, turn, reason)
        else:
            out[m.track] = Moved(snare, turn, "moves with the snare, own delay not sure")
    return out


def move_kit(
    movers: Sequence[Mover], far: Sequence[str], move: str, snare_drum: str = "snare"
) -> tuple[dict[str, Moved], float | None]:
    """Decide what moves so that the kit is never torn apart.

    Parameters
    ----------
    movers : sequence of Mover
        Close microphones in kit order; the first of each drum is the one the others are measured against.
    far : sequence of str
        Overheads, rooms and front microphones, which only move together.
    move : {'close', 'overheads', 'none'}
    snare_drum : str
        Drum whose delay the unsure ones take.

    Returns
    -------
    moved : dict of track to Moved
        Every close microphone, and the far ones if `move` is 'overheads'.
    snare : float or None
        The snare's delay in samples; None if it is not sure, and then nothing moves.
    """
    units: dict[str, list[Mover]] = {}
    for m in movers:
        units.setdefault(m.drum, []).append(m)
    snare = next((m.delay for m in units.get(snare_drum, ()) if m.accepted), None)
    out: dict[str, Moved] = {}
    if move == "none":
        return {m.track: Moved(0.0, 1, "only measured") for m in movers}, snare
    if snare is None:
        why = "nothing moves: the snare's delay is not sure" if snare_drum in units else "nothing moves: no snare"
        for m in movers:
            out[m.track] = Moved(0.0, m.polarity if m.polarity_accepted else 1, why)
        return out, None
    if move == "close":
        for mics in units.values():
            out.update(_unit(mics, snare))
        return out, snare
    for m in movers:
        out[m.track] = Moved(0.0, m.polarity if m.polarity_accepted else 1, "stays; the overheads move")
    for track in far:
        out[track] = Moved(-snare, 1, "comes earlier by the snare's delay")
    return out, snare
