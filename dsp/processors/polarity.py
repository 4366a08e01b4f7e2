"""``polarity``: turns reversed tracks round and moves nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from spillgate.dsp.params import Choice
from spillgate.dsp.plan.model import Alignment, Plan
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take

__all__ = ["Polarity"]


@dataclass(frozen=True, kw_only=True)
class Polarity(Processor):
    """Turn tracks round whose polarity is opposite to their overhead, without any delay.

    Parameters
    ----------
    turn : {'measured', 'yes', 'no'}
        See the option of the same name.

    Notes
    -----
    For ``detect align --move none polarity``: some engineers set delays themselves, or not at all, and only want
    what is plugged the wrong way round put right.  What `align` has turned already is not turned back.
    """

    name: ClassVar[str] = "polarity"
    summary: ClassVar[str] = "turns reversed tracks round and moves nothing"
    needs: ClassVar[frozenset[str]] = frozenset({"delays"})
    gives: ClassVar[frozenset[str]] = frozenset({"moves"})

    turn: Annotated[str, Choice(("measured", "yes", "no"), help="where it is sure, or by hand for single tracks")] = (
        "measured"
    )

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Turn what is surely reversed, and what was asked for."""
        from spillgate.dsp.processors.moving import Extra, with_moves

        rows = {a.track: a for a in plan.alignments}
        extras = {}
        for track in take.drum_tracks:
            wanted = self.for_track(track).turn
            row = rows.get(track.id)
            if wanted == "yes" or (wanted == "measured" and row is not None and _is_reversed(row)):
                extras[track.id] = Extra(0.0, -1, "turned round" if wanted == "measured" else "turned round as asked")
        return with_moves(plan, self.name, extras)


def _is_reversed(row: Alignment) -> bool:
    return row.measured_polarity < 0 and row.polarity > 0 and row.confidence == "sure"
