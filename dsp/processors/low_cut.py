"""``low-cut``: cuts what lies under each drum."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np

from spillgate.dsp.params import Range
from spillgate.dsp.plan.model import Plan, StepSpec
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take

__all__ = ["LowCut"]

LOOK_HZ = {"kick": (35.0, 120.0), "snare": (110.0, 300.0), "tom": (50.0, 250.0)}
"""Where the lowest partial of each kind of drum is looked for (common practice, no source)."""

SURE = 0.9
"""Only hits this certain are measured."""


@dataclass(frozen=True, kw_only=True)
class LowCut(Processor):
    """Cut rumble under the lowest partial of each drum.

    Parameters
    ----------
    share : float
        The cut lies at this share of the drum's lowest partial.

    Notes
    -----
    0.7 is the highest share that is common practice (no source): a second-order Butterworth high-pass there takes
    0.9 dB off the partial itself.  The filter is causal, so nothing sounds before the attack.
    """

    name: ClassVar[str] = "low-cut"
    summary: ClassVar[str] = "cuts rumble under each drum's lowest partial"
    needs: ClassVar[frozenset[str]] = frozenset({"hits"})
    gives: ClassVar[frozenset[str]] = frozenset({"low cut"})
    features: ClassVar[frozenset[str]] = frozenset({"levels"})

    share: Annotated[float, Range(0.2, 0.7, help="of the drum's lowest partial")] = 0.6

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Ask for a step on every close mic whose drum's lowest partial can be measured."""
        from spillgate.dsp.core.checks.low_end import lowest_partial

        steps, figures = {}, {}
        for track in take.of_role(*LOOK_HZ):
            table = take.features["levels"].get(track.id)
            times = np.array([h.time_s for h in plan.hits_of(track.id) if h.confidence >= SURE])
            if table is None or len(times) == 0:
                continue
            partial_hz = lowest_partial(table, take.sr, times, *LOOK_HZ[track.role])
            if partial_hz > 0.0:
                cut_hz = round(self.for_track(track).share * partial_hz, 1)
                steps[track.id] = (StepSpec(step="low-cut", params={"cut_hz": cut_hz}),)
                figures[track.id] = {"lowest_partial_hz": partial_hz, "cut_hz": cut_hz}
        return plan.with_steps(self.name, steps).with_figures(self.name, figures)
