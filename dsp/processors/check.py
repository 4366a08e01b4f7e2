"""The verdict on a line check or a take: findings and figures, nothing changed."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from spillgate.dsp.params import Choice
from spillgate.dsp.plan.model import Finding, Plan
from spillgate.dsp.processor import Processor
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from spillgate.dsp.core.checks.bleed_matrix import BleedMatrix
    from spillgate.dsp.processors.check_tracks import Heard

__all__ = ["LISTS", "Check", "check_json", "kind_of"]

LISTS = {
    "clipped": ("clipped",),
    "very_quiet": ("very_quiet",),
    "silent": ("silent", "dead"),
    "flipped": ("flipped",),
    "late": ("late", "early"),
    "hum": ("hum",),
    "dc_offset": ("dc_offset",),
    "swapped": ("swapped",),
}
"""Lists of tracks in check.json, and the codes of the findings that put a track there."""

SURE_HIT = 0.9
"""Hits from this confidence on count for the bleed matrix."""

PLAYED = 0.97
RUN_CHANGES = 0.45
"""A line check has at most this many changes of drum per hit; a groove changes at nearly every one."""
TOGETHER_S, TOGETHER_SHARE = 0.06, 0.25
"""…and at most this share of hits with another drum so near."""
SEVERITIES = {"mend": 0, "advise": 1, "note": 2}


@dataclass(frozen=True, kw_only=True)
class Check(Processor):
    """Judges every channel of a line check or a take, and the mics together.

    Parameters
    ----------
    kind : {'auto', 'line', 'take'}
        Which limits hold; automatic: a line check is one in which the drums are hit in turn.

    Notes
    -----
    Figures go to ``plan.figures["check"]`` (the keys of check.json) and ``plan.figures["levels"]`` (which limits
    held, and the levels of each track).  What
    the delays say is used where `align` stood before it in the chain.  Limits are common practice without a source:
    a finding says "look", with the figure that made it so.
    """

    name: ClassVar[str] = "check"
    summary: ClassVar[str] = "says which channel needs what; changes nothing"
    needs: ClassVar[frozenset[str]] = frozenset({"hits"})
    gives: ClassVar[frozenset[str]] = frozenset({"findings"})
    features: ClassVar[frozenset[str]] = frozenset({"levels", "band_envelopes"})

    kind: Annotated[str, Choice(("auto", "line", "take"), help="which limits hold: line check or take")] = "auto"

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Return the plan with findings and figures."""
        import numpy as np

        from spillgate.dsp.processors import check_extra, check_kit, check_names
        from spillgate.dsp.processors.check_pairs import pair_levels
        from spillgate.dsp.processors.check_tracks import Kit, track_findings

        kind = kind_of(plan) if self.kind == "auto" else self.kind
        heard = _hear(take, plan)
        align = plan.figures.get("align", {})
        kit = Kit.of(tuple(heard.values()), np.array([h.time_s for h in plan.hits]))
        found = [f for h in take.map(lambda h: track_findings(h, kind, kit), heard.values()) for f in h]
        dead = {f.track for f in found if f.code in LISTS["silent"]}
        matrix = _matrix(take, plan, heard, dead)
        names = check_names.name_findings(take, plan, heard)
        exchanged = {f.track for f in names}
        overheads, mismatch, uncertainty = check_kit.overhead_findings(take, align, matrix, exchanged)
        found += overheads
        found += check_extra.delay_findings(take, check_extra.arrivals(take, plan))
        found += check_kit.polarity_findings(take, align, plan.alignments, kind)
        found += names
        found += check_names.pair_findings(take, {i: h for i, h in heard.items() if i not in dead})
        found += check_names.length_findings(take)
        found += check_kit.bleed_findings(take, matrix, heard)
        copies, pairs = check_extra.copy_findings(take, heard, dead)
        found += copies
        found += check_extra.kick_findings(take, plan)
        found += check_extra.room_findings(take, plan)
        found += check_extra.missing_findings(take, plan, kind)
        found = _wanted(take, found)
        order = {t.id: k for k, t in enumerate(take.tracks)}
        found.sort(key=lambda f: (SEVERITIES[f.severity], order.get(f.track, -1), f.code))
        figures: dict[str, Any] = {
            "oh_snare_mismatch_cm": None if mismatch is None else round(mismatch, 2),
            "uncertainty_cm": uncertainty,
            "sides": dict(align.get("sides", {})),
            "bleed_db": _bleed_db(take, matrix),
            "pairs": pair_levels(take, plan, matrix),
        }
        for key, codes in LISTS.items():
            figures[key] = [t for t in order if any(f.track == t and f.code in codes for f in found)]
        kept = {(f.track, f.code) for f in found}
        figures["duplicate"] = [list(p) for p in pairs if (p[1], "duplicate") in kept]
        plan = plan.replace(findings=tuple(found)).with_figures(self.name, figures)
        return plan.with_figures("levels", {"kind": kind, "tracks": {t: _levels(h) for t, h in heard.items()}})


def kind_of(plan: Plan) -> str:
    """Tell from the playing whether it is a line check or a take.

    Parameters
    ----------
    plan : Plan
        With hits.

    Returns
    -------
    kind : {'line', 'take'}
        ``'line'`` if the drums are hit in turn, each a few times, or if nobody plays.
    """
    first = {d.drum: d.tracks[0] for d in plan.drums}
    hits = [h for h in plan.hits if first.get(h.drum, h.track) == h.track and h.confidence >= SURE_HIT]
    if len(hits) < 2:
        return "line"
    steps = list(itertools.pairwise(hits))
    changes = sum(a.drum != b.drum for a, b in steps)
    together = sum(a.drum != b.drum and b.time_s - a.time_s < TOGETHER_S for a, b in steps)
    in_turn = changes <= RUN_CHANGES * len(steps) and together <= TOGETHER_SHARE * len(steps)
    # a beat on one or two drums has few changes, too, but goes on for long
    return "line" if in_turn and len(hits) <= 12 * max(len({h.drum for h in hits}), 2) else "take"


def check_json(plan: Plan) -> dict[str, Any]:
    """Give what goes to check.json.

    Parameters
    ----------
    plan : Plan
        After `Check`.

    Returns
    -------
    document : dict
        Plain data, keys in a fixed order.
    """
    figures: Mapping[str, Any] = plan.figures.get("check", {})
    document = {k: json.loads(json.dumps(v)) for k, v in figures.items()}
    document["findings"] = [
        {
            "code": f.code,
            "severity": f.severity,
            "track": f.track,
            "value": f.value,
            "unit": f.unit,
            "limit": f.limit,
            "advice": f.advice,
        }
        for f in plan.findings
    ]
    return document


def _hear(take: Take, plan: Plan) -> dict[str, Heard]:
    import numpy as np

    from spillgate.dsp.processors.check_tracks import Heard

    states = {d.drum: d for d in plan.drums}
    any_hit = any(h.confidence >= PLAYED for h in plan.hits)

    def one(track: Track) -> Heard:
        own = np.array([h.time_s for h in plan.hits_of(track.id)])
        state = states.get(track.drum or "")
        played = (state is not None and state.played == "yes") if track.is_close else any_hit
        return Heard.of(track, take.sr, np.asarray(take.features["levels"][track.id]), own, played)

    tracks = [t for t in take.drum_tracks if t.id in take.features["levels"] and t.role != "trigger"]
    return dict(zip((t.id for t in tracks), take.map(one, tracks), strict=True))


def _matrix(take: Take, plan: Plan, heard: Mapping[str, Heard], dead: set[str]) -> BleedMatrix:
    import numpy as np

    from spillgate.dsp.core.checks.bleed_matrix import Strokes, bleed_matrix
    from spillgate.dsp.core.checks.levels import frame_hop
    from spillgate.dsp.processors.check_tracks import clear_power

    strokes: dict[str, Strokes] = {}
    for t in take.tracks:
        hits = [h for h in plan.hits_of(t.id) if h.confidence >= SURE_HIT]
        if t.is_close and t.drum and t.drum not in strokes and hits and t.id not in dead:
            strokes[t.drum] = Strokes(
                track=t.id, times=np.array([h.time_s for h in hits]), level_db=np.array([h.level_db for h in hits])
            )
    live = {i: h for i, h in heard.items() if h.is_live}
    power = _Lazy(live, lambda i: clear_power(np.asarray(take.features["levels"][i]), live[i].figures.offset))
    return bleed_matrix(power, frame_hop(take.sr) / take.sr, strokes)


class _Lazy(Mapping[str, "NDArray[np.float64]"]):
    """Values worked out whenever they are asked for: a long take must not need them all at a time."""

    def __init__(self, keys: Iterable[str], make: Callable[[str], NDArray[np.float64]]) -> None:
        self._keys, self._make = tuple(keys), make

    def __getitem__(self, key: str) -> NDArray[np.float64]:
        if key not in self._keys:
            raise KeyError(key)
        return self._make(key)

    def __iter__(self) -> Iterator[str]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)


def _bleed_db(take: Take, matrix: BleedMatrix) -> dict[str, dict[str, float | None]]:
    out: dict[str, dict[str, float | None]] = {}
    for t in take.tracks:
        if t.id not in matrix.tracks:
            continue
        own = t.drum if t.is_close and t.drum else "snare"
        row = matrix.db(t.id, own)
        out[t.id] = {d: None if v is None else round(v, 2) for d, v in row.items()}
    return out


def _levels(heard: Heard) -> dict[str, float]:
    f = heard.figures
    return {
        "peak_db": round(f.peak_db, 2),
        "true_peak_db": round(f.true_peak_db, 2),
        "rms_db": round(f.rms_db, 2),
        "noise_db": round(f.noise_db, 2),
        "crest_db": round(f.crest_db, 2),
        "offset": round(f.offset, 6),
    }


def _wanted(take: Take, found: list[Finding]) -> list[Finding]:
    """Leave out what the input list calls intended."""
    intended = {(t.id, code) for t in take.tracks for code in t.intended}
    return [f for f in found if (f.track, f.code) not in intended]
