"""What the check says about the mics together: overheads, bleed, delays, polarity, copies, rooms."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

import numpy as np

from spillgate.dsp.core.audio.sound import comb_notch_hz
from spillgate.dsp.core.checks.bleed_matrix import BleedMatrix
from spillgate.dsp.plan.model import Alignment, Finding, Severity
from spillgate.dsp.processors.check_tracks import CAUTION_PLUG, Heard, finding
from spillgate.dsp.take.model import Take, Track

__all__ = [
    "CAUTION_MOVE",
    "CAUTION_PLUG",
    "bleed_findings",
    "overhead_findings",
    "polarity_findings",
]

# Limits: common practice, no source, unless said.
FINE_CM, ACCEPTABLE_CM, MEND_CM = 1.0, 2.5, 5.0
TAPE_CM = 1.0
"""Uncertainty of the difference of two tape measurements of ±0.5 cm each, both at their ends."""
BALANCE_DB = 1.5
DOUBT = {"sure": 1.0, "likely": 1.5, "unsure": 3.0}
"""How much more uncertain a distance is whose delays are not sure."""
SOUND_CM_PER_S = 34_320.0
"""In dry air of 20 °C, as the delays' distances."""
CM_PER_INCH = 2.54
MISMATCH_LAYOUTS = ("spaced", None)
"""Layouts in which both overheads should be equally far from the snare."""
HAT_TROUBLE_DB = -8.0
TOM_HARD_DB = -8.0
THREE_TO_ONE_DB = -20.0 * math.log10(3.0)
"""Level of a source three times as far away."""
FOREIGN_DB, FOREIGN_FAR_DB = 3.0, 10.0
"""A mic that hears another drum by this much more than its own is suspicious; by the second, for certain."""
PLACES = {"hat": -1.0, "tom1": -0.5, "snare": -0.4, "kick": 0.0, "tom2": 0.1, "tom3": 0.5, "floor": 1.0, "floor2": 1.2}
"""Where a right-handed drummer has them, from left to right."""
SWAPPED_MS, SWAPPED_DB = 0.3, 2.0
"""From the middle to the side of the kit the right overhead gets nearer by some 0.3 ms and louder by 2 dB: each such
step is a point, at most two of each kind (left-handed kits are the other way round: look)."""
SWAPPED_POINTS, SWAPPED_SURE = -0.7, -1.5
"""From the first on one is to look, from the second on to mend (200 made takes in order: −0.4 at least; swapped ones
−0.9 to −4, the least where the two hang close together)."""
FEWEST_HITS = 3
"""A stroke or two fall together with another drum's too easily."""
SIGN_SURE = {"line": 3.0, "take": 4.0}
"""Margins (natural log units) from which a reversed mic is accused; in the line check no other drum disturbs."""
LEAD_SURE = 3.0
FEW_STROKES, FEW_SURE = 4, 6.0
"""In a take with fewer strokes the margin must be this: one that falls together with another drum's turns the sum of
three (made takes: a right mic came to 4.2 with three strokes, else to 1.7 at most)."""

CAUTION_MOVE = (
    "Mute the monitors first; check that the stand clears the drummer's sticks, and let whoever is responsible for "
    "rigging check mics that hang over people."
)


def _label(take: Take, track: str) -> str:
    return next((t.label for t in take.tracks if t.id == track), track)


def _pair(take: Take) -> tuple[Track, Track] | None:
    """Left and right overhead, if there are just these two."""
    found = {t.position: t for t in take.of_role("overhead")}
    if len(take.of_role("overhead")) == 2 and set(found) == {"left", "right"}:
        return found["left"], found["right"]
    return None


def _cm(value: float) -> str:
    return f"{value:.1f} cm ({value / CM_PER_INCH:.1f} in)"


def _tape(pair: Sequence[Track]) -> float | None:
    """Right minus left distance by tape, cm."""
    values = [t.recall.get("distance_cm") for t in pair]
    if all(isinstance(v, int | float) for v in values):
        return float(values[1]) - float(values[0])  # type: ignore[arg-type]
    return None


def overhead_findings(
    take: Take, align: Mapping[str, Any], matrix: BleedMatrix, exchanged: Collection[str] = ()
) -> tuple[tuple[Finding, ...], float | None, float | None]:
    """Judge the overheads' distances, sides and balance.

    Parameters
    ----------
    take : Take
    align : mapping
        Figures of `align`.
    matrix : BleedMatrix
    exchanged : collection of str, optional
        Tracks under wrong names: they say nothing of left and right.

    Returns
    -------
    findings : tuple of Finding
    mismatch_cm, uncertainty_cm : float or None
        Right minus left distance from the snare; None where it does not apply or is not known.
    """
    pair = _pair(take)
    if pair is None:
        return (), None, None
    left, right = pair
    out: list[Finding] = []
    found = align.get("snare_mismatch")
    tape = _tape(pair)
    cm: float | None = None
    sure: float | None = None
    heard_cm = float(found["cm"]) if found and found.get("confidence") != "unsure" else None
    if tape is not None:
        cm, sure = tape, TAPE_CM
    elif found:
        cm = float(found["cm"])
        sure = float(found["uncertainty_cm"]) * DOUBT[found["confidence"]]
    if cm is not None and sure is not None and take.layout in MISMATCH_LAYOUTS:
        if tape is None and heard_cm is None:
            advice = "The snare reaches the overheads too unclearly to tell their distances: measure them with a tape."
            out.append(finding("overhead_distance", "note", right.id, cm, "cm", None, advice))
        else:
            out.append(_mismatch(left, right, cm, sure, tape is not None, heard_cm))
        if tape is not None and heard_cm is not None and found:
            apart = heard_cm - tape
            if abs(apart) > TAPE_CM + float(found["uncertainty_cm"]):
                advice = (
                    f"The tape says {tape:+.1f} cm, the sound {heard_cm:+.1f} cm (right minus left): measure once "
                    "more, from the middle of the snare to the capsule."
                )
                out.append(finding("tape_differs", "advise", right.id, apart, "cm", TAPE_CM, advice))
    if take.layout in ("spaced", "coincident", None):
        energies = [_energy(matrix, t.id, "snare") for t in pair]
        if min(energies) > 0.0:
            balance = 10.0 * math.log10(energies[1] / energies[0])
            if abs(balance) > BALANCE_DB:
                louder = (right if balance > 0 else left).label
                advice = (
                    f"The snare is {abs(balance):.1f} dB louder in {louder}: match the two gains to within "
                    f"{BALANCE_DB:g} dB if that is not meant."
                )
                out.append(finding("balance", "advise", right.id, balance, "dB", BALANCE_DB, advice))
    points = _right_way_round(take, align, matrix, left, right, exchanged)
    if points is not None and points <= SWAPPED_POINTS:
        advice = (
            "Left and right look swapped: by delay and level, the drums on the right are nearer to the left overhead, "
            f"as for a left-handed drummer. Exchange the names or the cables. {CAUTION_PLUG}"
        )
        for t in pair:
            severity: Severity = "mend" if points <= SWAPPED_SURE else "advise"
            out.append(finding("swapped", severity, t.id, points, "points", SWAPPED_POINTS, advice))
    sign = align.get("overheads_sign")
    if sign and sign["sign"] < 0:
        advice = (
            f"The overheads are opposite in polarity: turn {right.label} round (cable, or the switch at the desk) "
            f"unless {left.label} is the odd one out. {CAUTION_PLUG}"
        )
        out.append(finding("flipped", "mend", _odd_overhead(align, left, right), sign["evidence"], "", -6, advice))
    return tuple(out), cm, sure


def _right_way_round(
    take: Take,
    align: Mapping[str, Any],
    matrix: BleedMatrix,
    left: Track,
    right: Track,
    exchanged: Collection[str],
) -> float | None:
    """Points for the overheads being the right way round, by delays and levels of all drums.

    How the difference between the overheads changes with a drum's usual place is what counts, so neither the
    overheads' own distances nor their gains matter.
    """
    steps: dict[str, float] = {}
    unsure = {t.drum for t in take.tracks if t.id in exchanged}
    for t in take.tracks:
        rows = align.get("pairs", {}).get(t.id, {}).values()
        row = {v["overhead"]: v for v in rows if v["confidence"] != "unsure" and v["hits"] >= FEWEST_HITS}
        if t.drum in PLACES and t.drum not in {*steps, *unsure} and {left.id, right.id} <= set(row):
            steps[t.drum] = 1000.0 * (row[right.id]["lag_samples"] - row[left.id]["lag_samples"]) / take.sr
    levels = {
        d: 10.0 * math.log10(_energy(matrix, right.id, d) / _energy(matrix, left.id, d))
        for d in matrix.drums
        if d in PLACES and d not in unsure and min(_energy(matrix, left.id, d), _energy(matrix, right.id, d)) > 0.0
    }
    points, told = 0.0, False
    for values, unit in ((steps, -SWAPPED_MS), (levels, SWAPPED_DB)):
        place = np.array([PLACES[d] for d in values])
        if len(place) < 2 or np.ptp(place) < 0.5:
            continue
        told = True
        slope = float(np.polyfit(place, list(values.values()), 1)[0])
        points += max(-2.0, min(2.0, slope / unit))
    if not told:
        return None
    return points if take.view == "drummer" else -points


def _energy(matrix: BleedMatrix, track: str, drum: str) -> float:
    """Mean energy of a hit of a drum in a mic; 0 where it is not known."""
    if track not in matrix.tracks or drum not in matrix.drums:
        return 0.0
    value = float(matrix.energy[matrix.tracks.index(track), matrix.drums.index(drum)])
    return value if value > 0.0 else 0.0


def _odd_overhead(align: Mapping[str, Any], left: Track, right: Track) -> str:
    """The overhead that most snare and tom mics are opposite to."""
    votes = {left.id: 0.0, right.id: 0.0}
    for row in align.get("pairs", {}).values():
        for answer in row.values():
            if answer["overhead"] in votes:
                votes[answer["overhead"]] += answer["polarity"] * min(answer["margin"], 6.0)
    return left.id if votes[left.id] < votes[right.id] else right.id


def _mismatch(left: Track, right: Track, cm: float, sure: float, by_tape: bool, heard: float | None) -> Finding:
    how = "by tape" if by_tape else "from the sound"
    size = abs(cm)
    farther, nearer = (right, left) if cm > 0 else (left, right)
    notch = comb_notch_hz(max(size, 0.01) / SOUND_CM_PER_S)
    both = f" The sound says {heard:+.1f} cm." if by_tape and heard is not None else ""
    if size <= sure:
        advice = (
            f"Equally far from the snare within what can be told: {cm:+.1f} ± {sure:.1f} cm {how} (right minus left). "
            f"Nothing to move.{both}"
        )
        return finding("overhead_distance", "note", right.id, cm, "cm", FINE_CM, advice)
    least = size - sure  # what it is at least
    grade = "mend" if least > ACCEPTABLE_CM and size > MEND_CM else "advise" if size > ACCEPTABLE_CM else "note"
    if grade == "note":
        word = "fine" if size <= FINE_CM else "acceptable"
        advice = (
            f"{farther.label} is {_cm(size)} farther from the snare, ± {sure:.1f} cm {how}: {word} (first notch in "
            f"mono at {notch / 1000:.1f} kHz).{both}"
        )
        return finding("overhead_distance", "note", farther.id, cm, "cm", ACCEPTABLE_CM, advice)
    advice = (
        f"{farther.label} is {_cm(size)} farther from the snare than {nearer.label}, ± {sure:.1f} cm {how}; in mono "
        f"the first notch is at {notch:,.0f} Hz. Move {farther.label} {size:.0f} cm nearer to the snare, or "
        f"{nearer.label} {size:.0f} cm farther away.{both} {CAUTION_MOVE}"
    )
    limit = MEND_CM if grade == "mend" else ACCEPTABLE_CM
    return finding("overhead_distance", "mend" if grade == "mend" else "advise", farther.id, cm, "cm", limit, advice)


def polarity_findings(
    take: Take, align: Mapping[str, Any], alignments: Sequence[Alignment], kind: str
) -> tuple[Finding, ...]:
    """Find reversed close mics and say how the bottom snare stands.

    Parameters
    ----------
    take : Take
    align : mapping
        Figures of `align`.
    alignments : sequence of Alignment
    kind : {'line', 'take'}

    Returns
    -------
    findings : tuple of Finding
    """
    roles = {t.id: t for t in take.tracks}
    turned_over = set()
    sign = align.get("overheads_sign")
    pair = _pair(take)
    if sign and sign["sign"] < 0 and pair is not None:
        turned_over = {_odd_overhead(align, *pair)}
    signs: dict[str, tuple[int, float, float, float]] = {}
    for track, row in align.get("pairs", {}).items():
        good = [v for v in row.values() if v["confidence"] != "unsure" and v["overhead"] not in turned_over]
        if good:
            best = max(good, key=lambda v: v["margin"])
            limit = FEW_SURE if kind == "take" and best["hits"] < FEW_STROKES else SIGN_SURE[kind]
            signs[track] = (best["polarity"], best["margin"], max(v["lead"] for v in good), limit)
    judged = {t: v for t, v in signs.items() if roles[t].role in ("snare", "tom") and roles[t].position != "bottom"}
    out = []
    accused = set(align.get("flipped", ()))
    if len(judged) >= 2:
        vote = sum(s * min(m, 6.0) for s, m, _, _ in judged.values())
        normal = 1 if vote >= 0 else -1
        accused |= {t for t, (s, m, lead, limit) in judged.items() if s != normal and m >= limit and lead >= LEAD_SURE}
    for track in sorted(accused):
        margin = signs[track][1] if track in signs else 0.0
        advice = (
            f"{_label(take, track)} is reversed in polarity against the other drums: turn it round at the desk, or "
            f"exchange the cable. {CAUTION_PLUG}"
        )
        out.append(finding("flipped", "mend", track, margin, "margin", SIGN_SURE[kind], advice))
    by_drum: dict[str, dict[str, Alignment]] = {}
    for a in alignments:
        t = roles[a.track]
        if t.drum and t.role == "snare" and t.position in ("top", "bottom") and a.confidence != "unsure":
            by_drum.setdefault(t.drum, {})[t.position] = a
    for rows in by_drum.values():
        if set(rows) == {"top", "bottom"} and rows["top"].measured_polarity == rows["bottom"].measured_polarity:
            advice = (
                f"{_label(take, rows['bottom'].track)} is not opposite to the top mic: turned round at the desk "
                "already, most likely. Left alone."
            )
            out.append(finding("bottom_turned", "note", rows["bottom"].track, None, "", None, advice))
    return tuple(out)


def bleed_findings(take: Take, matrix: BleedMatrix, heard: Mapping[str, Heard]) -> tuple[Finding, ...]:
    """Judge what every close mic hears of the other drums.

    Parameters
    ----------
    take : Take
    matrix : BleedMatrix
    heard : mapping of track to Heard

    Returns
    -------
    findings : tuple of Finding
        The worst bleed of each mic where it matters.
    """
    out = []
    for t in take.tracks:
        if not t.is_close or t.drum is None or t.id not in matrix.tracks:
            continue
        others = {
            d: v
            for d, v in matrix.db(t.id, t.drum).items()
            if d != t.drum and v is not None and matrix.hits[d] >= FEWEST_HITS
        }
        if not others:
            continue
        worst = max(others, key=lambda d: others[d])
        level = others[worst]
        far = t.role in ("hat", "cymbal")
        foreign_mic = next((o for o in take.of_drum(worst)), None)
        if level > FOREIGN_DB and not far and _own_drum_lost(take, matrix, t, worst, level):
            advice = (
                f"{t.label} hears the {worst} {level:.0f} dB louder than its own drum: right mic, right name, right "
                f"drum? Exchanged with {foreign_mic.label if foreign_mic else worst}? {CAUTION_PLUG}"
            )
            out.append(finding("foreign", "mend", t.id, level, "dB", 0.0, advice))
            continue
        if t.role == "snare" and "hat" in others and others["hat"] > HAT_TROUBLE_DB:
            out.append(_bleed(t, "hat", others["hat"], HAT_TROUBLE_DB, "advise"))
        limit = TOM_HARD_DB
        if level > limit and not far:
            out.append(_bleed(t, worst, level, limit, "advise"))
        elif level > THREE_TO_ONE_DB:
            how = "a low cut helps" if far else "on neighbours of one kit that is usual"
            said = f"{t.label} hears the {worst} {_under(level, 1)} its own drum"
            advice = f"{said}; the 3:1 rule asks for 9.5 dB under; {how}."
            out.append(finding("three_to_one", "note", t.id, level, "dB", THREE_TO_ONE_DB, advice))
    return tuple(out)


def _own_drum_lost(take: Take, matrix: BleedMatrix, t: Track, worst: str, level: float) -> bool:
    """Whether a mic stands at another drum: by far, or because that drum's mic hears this one's in turn.

    A drum that is only brushed may well be softer in its own mic than a loud neighbour.
    """
    if level > FOREIGN_FAR_DB:
        return True
    for other in take.of_drum(worst):
        if other.id in matrix.tracks and t.drum is not None:
            back = matrix.db(other.id, worst).get(t.drum)
            if back is not None and back > 0.0:
                return True
    return False


def _under(level: float, places: int = 0) -> str:
    return f"{abs(level):.{places}f} dB {'under' if level <= 0.0 else 'over'}"


def _bleed(t: Track, drum: str, level: float, limit: float, severity: Any) -> Finding:
    advice = (
        f"{t.label} hears the {drum} {'only ' if level <= 0.0 else ''}{_under(level)} its own drum: "
        + ("a low cut, else " if drum.startswith("kick") else "")
        + f"go closer, turn the mic's null towards the {drum}, or try a tighter pattern. {CAUTION_MOVE}"
    )
    return finding("bleed", severity, t.id, level, "dB", limit, advice)
