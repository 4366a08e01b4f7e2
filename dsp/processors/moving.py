"""Delay and polarity that a processor adds to what the alignment has decided."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

from spillgate.dsp.plan.model import Alignment, Confidence, Plan, StepSpec

__all__ = ["Extra", "with_moves"]


@dataclass(frozen=True)
class Extra:
    """What is added to one track.

    Attributes
    ----------
    delay_samples : float
        Positive is later.
    polarity : int
        1 or −1.
    reason : str
        In plain words.
    confidence : {'sure', 'likely', 'unsure'}
        Of what it was decided from; for tracks that have no measurement of their own.
    """

    delay_samples: float
    polarity: int
    reason: str
    confidence: Confidence = "sure"


def with_moves(plan: Plan, by: str, extras: Mapping[str, Extra]) -> Plan:
    """Add delays and polarities to a plan, in its steps and in its table of alignments alike.

    Parameters
    ----------
    plan : Plan
    by : str
        Name of the processor.
    extras : mapping of str to Extra
        By track id; what changes nothing is left out.

    Returns
    -------
    plan : Plan
        The render merges all moves of a track into one interpolation.
    """
    extras = {t: e for t, e in extras.items() if e.delay_samples != 0.0 or e.polarity != 1}
    rows = {a.track: a for a in plan.alignments}
    for track, e in extras.items():
        old = rows.get(track) or Alignment(
            track=track, measured_samples=0.0, measured_polarity=1, delay_samples=0.0, polarity=1, target="",
            margin=0.0, confidence=e.confidence, applied=False,
        )  # fmt: skip
        delay = round(old.delay_samples + e.delay_samples, 4) + 0.0
        polarity = old.polarity * e.polarity
        reason = f"{old.reason}; {e.reason}" if old.applied and old.reason else e.reason
        rows[track] = dataclasses.replace(
            old, delay_samples=delay, polarity=polarity, applied=delay != 0.0 or polarity != 1, reason=reason
        )
    steps = {
        t: (StepSpec(step="move", params={"delay_samples": e.delay_samples, "polarity": e.polarity}),)
        for t, e in extras.items()
    }
    return plan.replace(alignments=tuple(rows.values())).with_steps(by, steps)
