"""``overheads``: lets the snare arrive in both overheads at once."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, ClassVar

from spillgate.dsp.params import Choice, Range
from spillgate.dsp.plan.model import Alignment, Plan
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take

__all__ = ["Overheads"]

RANK = {"sure": 2, "likely": 1, "unsure": 0}


@dataclass(frozen=True, kw_only=True)
class Overheads(Processor):
    """Delay the nearer overhead so that the snare arrives in both at once.

    Parameters
    ----------
    accept : {'sure', 'likely'}
        See the option of the same name.
    least_cm, most_cm : float
        See the options of the same names.

    Notes
    -----
    A snare that reaches one overhead earlier pulls to that side and colours when both are summed.  The difference is
    what `align` measured.  Close mics that were lined up with the nearer overhead go with it, so the kit stays
    together.  After ``align --move overheads`` the farther one comes earlier instead: close mics stay where they are.
    A difference over `most_cm` was meant (a pair over and beside the kit) or is wrong, and is left alone.
    """

    name: ClassVar[str] = "overheads"
    summary: ClassVar[str] = "lets the snare arrive in both overheads at once"
    needs: ClassVar[frozenset[str]] = frozenset({"delays"})
    gives: ClassVar[frozenset[str]] = frozenset({"moves"})

    accept: Annotated[str, Choice(("sure", "likely"), help="how certain the difference must be to be used")] = "sure"
    least_cm: Annotated[float, Range(0.0, 20.0, unit="cm", help="a smaller difference is left alone")] = 1.0
    most_cm: Annotated[float, Range(1.0, 300.0, unit="cm", help="a larger one was meant, and is left alone")] = 40.0

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Delay the nearer overhead and what was lined up with it."""
        from spillgate.dsp.processors.moving import Extra, with_moves

        figures = plan.figures.get("align", {})
        found = figures.get("snare_mismatch")
        left, right = ([t for t in take.of_role("overhead") if t.position == side] for side in ("left", "right"))
        told = {"moved": "", "samples": 0.0}
        extras: dict[str, Extra] = {}
        usable = found is not None and RANK[found["confidence"]] >= RANK[self.accept]
        if found is not None and usable and len(left) == len(right) == 1:
            samples = float(found["samples"])  # right minus left: positive, the right one is farther
            if self.least_cm <= abs(found["cm"]) <= self.most_cm:
                nearer, farther = (left[0], right[0]) if samples > 0 else (right[0], left[0])
                reason = "so that the snare arrives in both overheads at once"
                extra = Extra(abs(samples), 1, reason, found["confidence"])
                moved = {a.track: a for a in plan.alignments if a.applied}
                if nearer.id in moved or farther.id in moved:  # the overheads have been moved, the close mics not
                    extras[farther.id] = dataclasses.replace(extra, delay_samples=-abs(samples))
                else:
                    snare = next((a for a in plan.alignments if _role(take, a.track) == "snare" and a.applied), None)
                    follow = snare is not None and snare.target == nearer.id
                    extras[nearer.id] = extra
                    for track, row in moved.items():
                        if row.delay_samples != 0.0 and _follows(take, track, moved, nearer.id, follow):
                            extras[track] = Extra(abs(samples), 1, "goes with its overhead")
                first = next(iter(extras))
                told = {"moved": first, "samples": extras[first].delay_samples}
        plan = with_moves(plan, self.name, extras)
        return plan.with_figures(self.name, told)


def _follows(take: Take, track: str, moved: Mapping[str, Alignment], nearer: str, snare_follows: bool) -> bool:
    """Tell whether a mic belongs to the overhead that is delayed: the mics of one drum always go together."""
    drum = take.track(track).drum
    mates = [a for t, a in moved.items() if take.track(t).drum == drum and drum is not None]
    leading = [a for a in mates if a.reason.startswith("own delay")]
    return leading[0].target == nearer if leading else snare_follows


def _role(take: Take, track: str) -> str:
    return take.track(track).role
