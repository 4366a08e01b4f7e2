"""``rooms``: sets how far behind the snare the room mics are heard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, ClassVar

from spillgate.dsp.params import Range
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Rooms"]

BEFORE_S, PIECE_S = 0.010, 0.120
"""A piece begins so long before a hit and has this length: sound of a mic 30 m away is still in it."""
ALONE_BEFORE_S, ALONE_AFTER_S = 0.060, 0.040
"""No other drum is struck so near."""
MOST_PIECES, FEWEST_PIECES = 24, 3
SURE = 0.9
"""Confidence of the hits that are used."""


@dataclass(frozen=True, kw_only=True)
class Rooms(Processor):
    """Delay or advance room mics so that the snare arrives there a chosen time behind the snare's own mic.

    Parameters
    ----------
    behind_ms : float or None
        See the option of the same name.

    Notes
    -----
    How late the room answers is how large it sounds: under 10 ms it thickens, over 30 ms it slaps (common practice,
    no source).  All room mics move by the same amount, that of the nearest, so that a pair stays a pair.  The time is
    measured as the first rise above 1 kHz at lone snare hits, to about 0.3 ms.
    """

    name: ClassVar[str] = "rooms"
    summary: ClassVar[str] = "sets how far behind the snare the room mics are heard"
    needs: ClassVar[frozenset[str]] = frozenset({"hits", "delays"})
    gives: ClassVar[frozenset[str]] = frozenset({"moves"})

    behind_ms: Annotated[
        float | None, Range(0.0, 100.0, unit="ms", help="behind the snare mic, as rendered", none="only measured")
    ] = None

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Measure every room mic; move them if a time was asked for."""
        from spillgate.dsp.core.pieces import arrival_after
        from spillgate.dsp.processors.moving import Extra, with_moves

        rooms = take.of_role("room")
        snare = next((t for t in take.of_role("snare") if plan.hits_of(t.id)), None)
        behind: dict[str, float] = {}
        extras: dict[str, Extra] = {}
        if snare is not None and rooms:
            times = _lone(plan, snare)
            near = _pieces(take, snare, times)
            rows = {a.track: a.delay_samples for a in plan.alignments}
            for room in rooms if len(times) >= FEWEST_PIECES else ():
                ms = arrival_after(near, _pieces(take, room, times), take.sr)
                if ms is not None:
                    moved = rows.get(room.id, 0.0) - rows.get(snare.id, 0.0)
                    behind[room.id] = round(ms + 1000.0 * moved / take.sr, 2)
        if behind and self.behind_ms is not None:
            delay = round((self.behind_ms - min(behind.values())) * take.sr / 1000.0)
            extras = {t.id: Extra(float(delay), 1, f"room {self.behind_ms:g} ms behind the snare") for t in rooms}
        plan = with_moves(plan, self.name, extras)
        return plan.with_figures(self.name, {"behind_ms": behind})


def _lone(plan: Plan, snare: Track) -> NDArray[np.float64]:
    """Times of the loudest snare hits that no other drum is struck near, s."""
    import numpy as np

    others = np.array([h.time_s for h in plan.hits if h.drum != snare.drum])
    hits = [h for h in plan.hits_of(snare.id) if h.confidence >= SURE]
    hits = [h for h in hits if not np.any((others > h.time_s - ALONE_BEFORE_S) & (others < h.time_s + ALONE_AFTER_S))]
    return np.array(sorted(h.time_s for h in sorted(hits, key=lambda h: -h.level_db)[:MOST_PIECES]))


def _pieces(take: Take, track: Track, times: NDArray[np.float64]) -> NDArray[np.float64]:
    import numpy as np

    n = round(PIECE_S * take.sr)
    at = [round((t - BEFORE_S) * take.sr) for t in times]
    return np.stack([take.read(track, a, a + n, "float64") for a in at]) if at else np.zeros((0, n))
