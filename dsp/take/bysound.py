"""Role of a mic by its sound: figures of `spillgate.dsp.core.audio.character`, weighed by what each place is like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spillgate.dsp.core.audio.character import Character

__all__ = ["Verdict", "judge", "scores"]

SILENT_DB = -70.0
"""A track whose third loudest hit is softer than this tells nothing."""
CLEAR = 1.0
"""Lead of the best role over the second from which the sound alone is called clear (tuned on made takes)."""
MOST = {"hat": 1, "overhead": 3, "kick": 3, "snare": 4}
"""More tracks of a role than that are improbable (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What the sound of a track says.

    Attributes
    ----------
    role : str
        ``kick``, ``snare``, ``hat``, ``tom``, ``overhead``, ``room``, ``other``, or empty for a silent track.
    lead : float
        How far it is ahead of the next role; `CLEAR` or more is clear.
    partial_hz : float
        Strongest partial of its loud hits: orders the toms.
    struck : bool
        Whether strokes of its own stand out of the bleed.
    """

    role: str
    lead: float = 0.0
    partial_hz: float = 0.0
    struck: bool = True

    @property
    def clear(self) -> bool:
        """Whether the role can be relied on."""
        return self.lead >= CLEAR


def _ramp(value: float, low: float, high: float) -> float:
    """0 at `low`, 1 at `high`, straight between; falls if `low` > `high`."""
    return float(np.clip((value - low) / (high - low), 0.0, 1.0))


def scores(c: Character, together: float) -> dict[str, float]:
    """Weigh the figures of one track for every role.

    Parameters
    ----------
    c : Character
    together : float
        `Character.together` re the greatest of the take.

    Returns
    -------
    scores : dict of str to float
        About 4 for a typical mic of that role.

    Notes
    -----
    Kick: energy under 125 Hz, short. Snare: nothing down there, short, with rattle above 2 kHz. Hat: treble that stops
    soon, nearly always played. Toms: under 500 Hz, long. Overheads: hear everything as the rest of the kit does, and
    cymbals ring in them. Rooms: late. Others: do not hear the kit. Weights and corners set by hand on ten made takes;
    the weight of ringing treble was raised after a look at recordings, whose cymbals ring longer than made ones.
    """
    low, under_500 = float(np.sum(c.shares[:2])), float(np.sum(c.shares[:4]))
    rattle, air = float(np.sum(c.shares[6:])), float(np.sum(c.shares[7:]))
    above_500 = 1.0 - under_500
    ring = _ramp(c.high_decay_s, 0.2, 0.45)
    late = _ramp(c.lag_ms, 6.5, 8.5) * _ramp(c.share_of_events, 0.5, 0.75) * _ramp(c.answers, 0.25, 0.4)
    return {
        "kick": 3.0 * _ramp(low, 0.6, 0.78) + _ramp(c.partial_hz, 130, 100) + 0.5 * _ramp(c.decay_s, 0.6, 0.3) - late,
        "snare": 1.5 * _ramp(low, 0.16, 0.04)
        + 1.0 * _ramp(c.decay_s, 0.25, 0.15)
        + 1.5 * _ramp(c.share_of_events, 0.75, 0.45)
        - 0.8 * _ramp(c.share_of_events, 0.75, 0.9)
        + 1.0 * _ramp(above_500, 0.05, 0.3)
        + 0.5 * _ramp(c.partial_hz, 140, 180)
        - 2.5 * ring,
        "hat": 2.7 * _ramp(air, 0.08, 0.25)
        + 1.8 * _ramp(c.share_of_events, 0.45, 0.6)
        + 0.8 * _ramp(air, 0.45, 0.65)
        - 2.0 * ring
        - late,
        "tom": 1.5 * _ramp(under_500, 0.6, 0.9)
        + 1.2 * _ramp(c.decay_s, 0.15, 0.27)
        + 0.8 * _ramp(c.partial_db, 10, 16)
        + 0.5 * _ramp(low, 0.85, 0.7)
        - 2.0 * _ramp(low, 0.7, 0.8)
        - 1.5 * late
        - 1.0 * _ramp(together, 0.93, 0.99) * _ramp(c.share_of_events, 0.8, 0.9),
        "overhead": 2.0 * _ramp(together, 0.9, 0.98)
        + 1.0 * _ramp(c.share_of_events, 0.4, 0.8)
        + 2.5 * ring * _ramp(rattle, 0.08, 0.3)
        + 0.5 * _ramp(rattle, 0.02, 0.1)
        + 0.5 * _ramp(c.lag_ms, 1.5, 3.0)
        - 2.5 * late,
        "room": 4.0 * late,
        "other": 5.0 * _ramp(c.answers, 0.33, 0.2) * _ramp(together, 0.8, 0.65)
        + 3.0 * _ramp(together, 0.25, 0.1)
        - 1.5 * _ramp(c.decay_s, 0.25, 0.1),
    }


def judge(characters: Sequence[Character]) -> tuple[Verdict, ...]:
    """Tell the role of every track of a take.

    Parameters
    ----------
    characters : sequence of Character
        Of all tracks, also those whose names are clear: they are what the others are held against.

    Returns
    -------
    verdicts : tuple of Verdict
    """
    top = max((c.together for c in characters), default=1.0)
    table = [scores(c, c.together / max(top, 1e-6)) for c in characters]
    heard = [c.level_db > SILENT_DB for c in characters]
    for role, most in MOST.items():
        # those that fit the role best keep it; the rest must be something else
        claims = [k for k, s in enumerate(table) if heard[k] and max(s, key=lambda r: s[r]) == role]
        claims.sort(key=lambda k: (-_lead(table[k]), k))
        for k in claims[most:]:
            table[k][role] = -1.0
    out = []
    for k, c in enumerate(characters):
        if not heard[k]:
            out.append(Verdict(role=""))
            continue
        role = max(table[k], key=lambda r: table[k][r])
        struck = not (role == "tom" and c.share_of_events > 0.8 and c.together > 0.9 * top)
        out.append(Verdict(role=role, lead=_lead(table[k]), partial_hz=c.partial_hz, struck=struck))
    return tuple(out)


def _lead(table: dict[str, float]) -> float:
    first, second = sorted(table.values(), reverse=True)[:2]
    return first - second
