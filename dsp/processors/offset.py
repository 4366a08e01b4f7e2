"""``offset``: takes a constant offset off every drum track that has one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from spillgate.dsp.params import Range
from spillgate.dsp.plan.model import Plan, StepSpec
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take

__all__ = ["Offset"]


@dataclass(frozen=True, kw_only=True)
class Offset(Processor):
    """Remove a constant offset (DC).

    Parameters
    ----------
    least_db : float
        Offsets under this level are left alone.

    Notes
    -----
    An offset eats headroom and makes a cut or a fade thump.  The default of −60 dBFS is common practice, no source.
    """

    name: ClassVar[str] = "offset"
    summary: ClassVar[str] = "takes a constant offset (DC) off"
    gives: ClassVar[frozenset[str]] = frozenset({"offset"})
    features: ClassVar[frozenset[str]] = frozenset({"levels"})

    least_db: Annotated[float, Range(-100.0, -20.0, unit="dBFS", help="offsets under this are left alone")] = -60.0

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Ask for a step on every track whose offset is large enough."""
        from spillgate.dsp.core.checks.levels import level_figures

        steps, figures = {}, {}
        for track in take.drum_tracks:
            table = take.features["levels"].get(track.id)
            done = any(s.step == "offset" and s.by != self.name for s in plan.steps.get(track.id, ()))
            if table is None or done:
                continue
            offset = level_figures(table).offset
            if abs(offset) >= 10 ** (self.for_track(track).least_db / 20):
                # 2^-31: a constant that 32-bit samples can hold keeps rounding out of the result
                offset = round(offset * 2**31) / 2**31
                steps[track.id] = (StepSpec(step="offset", params={"offset": offset}),)
                figures[track.id] = {"offset": offset}
        return plan.with_steps(self.name, steps).with_figures(self.name, figures)
