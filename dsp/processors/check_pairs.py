"""What the left and the right mic of a pair hear of each drum and of the cymbals: figures without a verdict."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from spillgate.dsp.plan.model import Plan
from spillgate.dsp.take.model import Take, Track

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from spillgate.dsp.core.checks.bleed_matrix import BleedMatrix

__all__ = ["CYMBALS", "pair_levels"]

CYMBALS = "cymbals"
"""Name under which the cymbals stand among the drums."""
AFTER_S = 0.06
"""So long after a stroke a drum has no treble any more that counts beside a cymbal's (common practice, no source)."""
SNARE_S = 0.03
"""The level of a snare stroke beside the cymbals is that of its first so many seconds (common practice, no source)."""
LEAST_S = 1.0
"""With less time between the strokes nothing is said of the cymbals."""


def pair_levels(take: Take, plan: Plan, matrix: BleedMatrix) -> dict[str, dict[str, Any]]:
    """Give the level of each drum and of the cymbals in the overheads and in the rooms.

    Parameters
    ----------
    take : Take
        With the feature ``band_envelopes``.
    plan : Plan
        With hits.
    matrix : BleedMatrix

    Returns
    -------
    pairs : dict
        For ``overhead`` and ``room``, as far as there is a left and a right one: ``left`` and ``right`` (track ids),
        ``re_snare_db`` (per drum that of both, re the snare in the same mic) and ``left_minus_right_db``.  The
        cymbals are heard by their treble, above 6 kHz, between the strokes of the drums, and only in overheads.
    """
    pairs: dict[str, dict[str, Any]] = {}
    for role in ("overhead", "room"):
        sides = {t.position: t for t in reversed(take.of_role(role)) if t.id in matrix.tracks}
        if "left" not in sides or "right" not in sides:
            continue
        both = (sides["left"], sides["right"])
        rows = [_row(matrix, t) | _cymbals(take, plan, t) for t in both]
        re_snare, difference = {}, {}
        for drum in dict.fromkeys([*rows[0], *rows[1]]):
            (l_abs, l_re), (r_abs, r_re) = (row.get(drum, (None, None)) for row in rows)
            re_snare[drum] = [l_re, r_re]
            difference[drum] = None if l_abs is None or r_abs is None else round(l_abs - r_abs, 1)
        pairs[role] = {
            "left": both[0].id,
            "right": both[1].id,
            "re_snare_db": re_snare,
            "left_minus_right_db": difference,
        }
    return pairs


Level = tuple[float | None, float | None]
"""dB in itself and re the snare in the same mic."""


def _row(matrix: BleedMatrix, track: Track) -> dict[str, Level]:
    energy = matrix.energy[matrix.tracks.index(track.id)]
    return _levels(dict(zip(matrix.drums, (float(e) for e in energy), strict=True)), "snare")


def _levels(energy: Mapping[str, float], ref: str) -> dict[str, Level]:
    from math import isfinite, log10

    db = {d: 10.0 * log10(e) if isfinite(e) and e > 0.0 else None for d, e in energy.items()}
    own = db.get(ref)
    return {d: (v, None if v is None or own is None else round(v - own, 1)) for d, v in db.items()}


def _cymbals(take: Take, plan: Plan, track: Track) -> dict[str, Level]:
    """Treble between the strokes of kick, snare and toms, re all of a snare stroke."""
    import numpy as np

    from spillgate.dsp.core.hits.envelopes import frame_length

    table = take.features["band_envelopes"].get(track.id)
    drums = {t.id: t.role for t in take.tracks if t.role in ("kick", "snare", "tom")}
    times = {r: np.array([h.time_s for h in plan.hits if drums.get(h.track) == r], float) for r in drums.values()}
    if table is None or not drums:
        return {}
    frame_s = frame_length(take.sr) / take.sr
    treble: NDArray[np.float64] = np.asarray(table[:, -1], np.float64)
    at = np.asarray(np.arange(len(treble)) * frame_s, np.float64)
    struck = np.asarray(np.sort(np.concatenate(list(times.values()))), np.float64)
    between = ~_within(at, struck, AFTER_S)
    n = max(round(SNARE_S / frame_s), 1)
    first = np.asarray(np.round(times.get("snare", struck[:0]) / frame_s), np.int64)
    first = first[first + n <= len(table)]
    if between.sum() * frame_s < LEAST_S or not len(first):
        return {}
    # the median over the strokes: a cymbal is often struck with the snare
    snare = float(np.median([np.asarray(table[k : k + n], np.float64).sum() / n for k in first]))
    levels = _levels({"snare": snare, CYMBALS: float(treble[between].mean())}, "snare")
    return {CYMBALS: levels[CYMBALS]}


def _within(at: NDArray[np.float64], times: NDArray[np.float64], after_s: float) -> NDArray[np.bool_]:
    """Tell which moments lie so shortly after one of the sorted times, or 10 ms before."""
    import numpy as np

    last = np.searchsorted(times, at + 0.01, side="right") - 1
    there = last >= 0
    since = np.where(there, at - times[np.maximum(last, 0)] if len(times) else np.inf, np.inf)
    return np.asarray(since < after_s)
