"""``rooms``: moves the room mics, all together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from spillgate.dsp.params import Range
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take

__all__ = ["Rooms"]


@dataclass(frozen=True, kw_only=True)
class Rooms(Processor):
    """Delay or advance all room mics by the same time.

    Parameters
    ----------
    later_ms : float
        See the option of the same name.

    Notes
    -----
    How late the room answers is how large it sounds: a few ms thicken, over 30 ms slap (common practice, no source).
    It is a choice, so it is not measured: finding the first sound in a room mic failed on recorded takes, where cymbals
    ring on under every snare hit.  Whole samples keep the bits; one time for all keeps a pair a pair.
    """

    name: ClassVar[str] = "rooms"
    summary: ClassVar[str] = "moves the room mics, all together"
    needs: ClassVar[frozenset[str]] = frozenset({"delays"})
    gives: ClassVar[frozenset[str]] = frozenset({"moves"})

    later_ms: Annotated[float, Range(-50.0, 200.0, unit="ms", help="so much later; negative is earlier")] = 0.0

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Ask for a move of every room mic."""
        from spillgate.dsp.processors.moving import Extra, with_moves

        delay = float(round(self.later_ms * take.sr / 1000.0))
        reason = f"room {abs(self.later_ms):g} ms {'later' if delay > 0 else 'earlier'} as asked"
        return with_moves(plan, self.name, {t.id: Extra(delay, 1, reason) for t in take.of_role("room")})
