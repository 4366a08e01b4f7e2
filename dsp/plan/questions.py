"""The questions in the order they are asked: the weightiest first, alike ones together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from spillgate.dsp.plan.model import Plan, Question
from spillgate.dsp.words import counted

__all__ = ["ASKED", "Group", "groups", "verdict"]

ASKED = 10
"""Questions that are put to people at once; nobody answers more after a long day."""


@dataclass(frozen=True)
class Group:
    """Questions of one kind about one track.

    Attributes
    ----------
    members : tuple of Question
        The weightiest first; never empty.
    """

    members: tuple[Question, ...]

    @property
    def first(self) -> Question:
        """The one that is shown."""
        return self.members[0]

    @property
    def text(self) -> str:
        """Its words, and how many more there are."""
        more = len(self.members) - 1
        return self.first.text + (f" ({more} more like it)" if more else "")

    @property
    def answers(self) -> tuple[tuple[str, str], ...]:
        """What can be answered with one click: (what is done, word on the button)."""
        return {
            "detect.hit": (("keep", "keep"), ("leave out", "leave out")),
            "detect.hit_left_out": (("add", "add"), ("leave out", "there is none")),
            "gate.doubtful": (("track keep", "it was"), ("track silence", "it was not")),
            "align.snare": (("accept", "yes, move the kit"), ("same delay", "leave all in place")),
            "align.snare_unknown": (("same delay", "leave all in place"),),
            "align.delay": (("own delay", "use its own delay"), ("same delay", "leave it")),
            "align.overheads": (("turn", "turn it round"), ("same delay", "leave it")),
        }.get(self.first.code, ())


def groups(questions: Sequence[Question]) -> list[Group]:
    """Put alike questions together.

    Parameters
    ----------
    questions : sequence of Question

    Returns
    -------
    groups : list of Group
        By the weight of each one's first.  Whether a drum was played is asked once, by whoever acted on the doubt.
    """
    acted = {q.track for q in questions if q.code == "gate.doubtful"}
    found: dict[tuple[str, str, str], list[Question]] = {}
    for q in sorted(questions, key=lambda q: (-q.weight, q.code, q.track, q.time_s or 0.0, q.text)):
        if q.code == "detect.drum" and q.track in acted:
            continue
        alone = "" if q.time_s is not None else q.text  # strokes of one track are alike, other questions are not
        found.setdefault((q.code, q.track, alone), []).append(q)
    return [Group(tuple(members)) for members in found.values()]


def verdict(plan: Plan) -> str:
    """Say in a few words whether the take is ready.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    text : str
    """
    mend = sum(f.severity == "mend" for f in plan.findings)
    asked = len(groups(plan.questions))
    text = f"Mend {counted(mend, 'thing')}" if mend else "Ready"
    return text + (f", with {counted(asked, 'question')}" if asked else "")
