"""What the check says about names: mics under each other's names, channels of a pair that are no pair, odd lengths."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.checks.colour import Colour, colour, pitch_step, ring_spectrum
from spillgate.dsp.core.checks.likeness import unlike
from spillgate.dsp.core.hits.envelopes import frame_length
from spillgate.dsp.plan.model import Finding, Plan
from spillgate.dsp.processors.check_kit import PLACES
from spillgate.dsp.processors.check_tracks import CAUTION_PLUG, Heard, finding
from spillgate.dsp.take.model import Take, Track

__all__ = ["length_findings", "name_findings", "pair_findings"]

SURE_HIT, FEWEST_HITS = 0.9, 3
BRIGHTNESS = {"kick": 0, "tom": 0, "snare": 1, "hat": 2}
"""Order of what is hit, from dark to bright."""
BRIGHTER_DB = {("kick", "snare"): 5.0, ("kick", "hat"): 5.0, ("snare", "hat"): 6.0}
BRIGHTER_TOM_DB = 12.0
"""A drum so much brighter than one that should be brighter: names exchanged.  In the right order made and recorded kits
have −4.5 or less, toms and snare −1.6, snare and hat at times up to 4.8; clipping makes a drum brighter."""
DARK_DB, BRIGHT_DB = {"snare": -4.0, "hat": 12.0}, {"kick": -6.0, "tom": -6.0, "snare": -2.0}
"""And the one that should be brighter is no brighter than this, the other no darker: each sounds like the other's name.
"""
CERTAIN = 2.0
"""So many times the limit needs nothing of the kind (snare and hat exchanged: 14 and 18 dB, where the hat is a bright
one still; in the right order −0.2 at most).  Not for toms: in a roll the ring hides the lows of each stroke, and the
tom was 25 dB brighter."""
LOWER_DB = 2.0
"""A rack tom has so much more energy under 100 Hz, re all of it, than the kick (in the right order −3.3 or less)."""
HIGHER_SEMITONES, HIGHER_LEAD = 3.5, 0.3
"""A tom sounds so much higher than one that should be higher, clearly (made takes in right order: up to 0.26)."""
HIGHER_AT_ALL, WRONG_SIDE_MS, RIGHT_SIDE_MS = 2.0, 0.3, 0.15
"""Or it sounds higher at all and stands to the left of it, as the overheads hear both; and a tom that stands where its
name says is not accused.  Toms go from high to low from the drummer's left to the right: of 200 made takes the least
difference of two in the right order was −0.1 ms."""
MIRRORED_MS = 0.1
"""Where the other drums go the wrong way by this from one side of the kit to the middle, left and right of the
overheads may be what is wrong."""
ALONE_BEFORE_S, ALONE_AFTER_S = 0.05, 0.2
LENGTH_S = 0.5
"""A file shorter or longer than the others by more is odd: recorders stop their tracks within a buffer of each other,
and the largest buffers are 8192 samples, 0.19 s at 44.1 kHz (common practice, no source)."""


def name_findings(take: Take, plan: Plan, heard: Mapping[str, Heard]) -> list[Finding]:
    """Find mics that stand under each other's names, by what their drums sound like.

    Parameters
    ----------
    take : Take
        With the feature `band_envelopes`.
    plan : Plan
        With hits.
    heard : mapping of track to Heard

    Returns
    -------
    findings : list of Finding
        One for each of the two.
    """
    colours = {}
    for t in take.tracks:
        if t.role in BRIGHTNESS and t.position != "bottom" and t.id in heard:
            times = _times(plan, t)
            if len(times) >= FEWEST_HITS:
                frames = np.array([int(v * take.sr) // frame_length(take.sr) for v in times], np.int64)
                found = colour(take.features["band_envelopes"][t.id], frames)
                if found is not None:
                    colours[t.id] = found
    out: list[Finding] = []
    accused: set[str] = set()
    for _, a, b, why, value in sorted(_reversed(take, colours), key=lambda row: (-row[0], row[1], row[2])):
        if not accused & {a, b}:
            accused |= {a, b}
            out += _both(take, a, b, why, value, "dB")
    return out + _toms(take, plan, heard, accused)


def _reversed(take: Take, colours: Mapping[str, Colour]) -> list[tuple[float, str, str, str, float]]:
    """Pairs of mics whose sound is the wrong way round: excess over the limit, the two, why, figure."""
    rows = []
    for a, b in itertools.permutations(colours, 2):
        one, two = take.track(a), take.track(b)
        if BRIGHTNESS[one.role] < BRIGHTNESS[two.role]:
            value = colours[a].bright_db - colours[b].bright_db
            limit = BRIGHTER_DB.get((one.role, two.role), BRIGHTER_TOM_DB)
            why = f"{one.label} sounds brighter than {two.label}"
            as_named = colours[b].bright_db > DARK_DB[two.role] or colours[a].bright_db < BRIGHT_DB[one.role]
            if as_named and (one.role == "tom" or value <= CERTAIN * limit):
                continue
        elif one.role == "kick" and two.role == "tom" and not (two.drum or "").startswith("floor"):
            value = colours[b].low_db - colours[a].low_db
            limit, why = LOWER_DB, f"{two.label} has more bottom than {one.label}"
        else:
            continue
        if value > limit:
            rows.append((value - limit, a, b, why, value))
    return rows


def _times(plan: Plan, t: Track) -> list[float]:
    """Own hits that are sure; those alone if there are enough."""
    own = [h.time_s for h in plan.hits_of(t.id) if h.confidence >= SURE_HIT]
    others = np.array([h.time_s for h in plan.hits if h.drum != t.drum])
    alone = [v for v in own if not np.any((others > v - ALONE_BEFORE_S) & (others < v + ALONE_AFTER_S))]
    return alone if len(alone) >= FEWEST_HITS else own


def _toms(take: Take, plan: Plan, heard: Mapping[str, Heard], accused: set[str]) -> list[Finding]:
    spectra: list[tuple[Track, NDArray[np.float64]]] = []
    for t in take.of_role("tom"):
        times = _times(plan, t)
        seen = {s.drum for s, _ in spectra}
        if t.id not in heard or t.id in accused or t.drum in seen or len(times) < FEWEST_HITS:
            continue
        found = ring_spectrum(heard[t.id].table, take.sr, np.array(times) - heard[t.id].start_s)
        if found is not None:
            spectra.append((t, found))
    rows = []
    for (one, a), (two, b) in itertools.combinations(spectra, 2):
        step, lead = pitch_step(a, b)
        side = _side_ms(take, plan, one, two)
        heard_wrong = step >= HIGHER_SEMITONES and lead >= HIGHER_LEAD and (side is None or side < RIGHT_SIDE_MS)
        stands_wrong = step >= HIGHER_AT_ALL and lead > 0.0 and side is not None and side <= -WRONG_SIDE_MS
        if heard_wrong or stands_wrong:
            rows.append((lead, one, two, step))
    out = []
    done: set[str] = set()
    for _, one, two, step in sorted(rows, key=lambda row: -row[0]):
        if not done & {one.id, two.id}:
            done |= {one.id, two.id}
            why = f"{two.label} sounds {step:.0f} semitones higher than {one.label}"
            out += _both(take, one.id, two.id, why, step, "semitones")
    return out


def _side_ms(take: Take, plan: Plan, one: Track, two: Track) -> float | None:
    """By how much the first of two toms stands to the left of the second, as the way to both overheads tells, ms."""
    pairs = plan.figures.get("align", {}).get("pairs", {})
    ids = {t.position: t.id for t in take.of_role("overhead")}
    if set(ids) != {"left", "right"}:
        return None
    ways: dict[str, float] = {}
    for t in take.tracks:
        lag = {v["overhead"]: v["lag_samples"] for v in pairs.get(t.id, {}).values() if v["confidence"] != "unsure"}
        if t.drum is not None and t.drum not in ways and {ids["left"], ids["right"]} <= set(lag):
            nearer_left = 1000.0 * (lag[ids["right"]] - lag[ids["left"]]) / take.sr
            ways[t.drum] = nearer_left if take.view == "drummer" else -nearer_left
    if one.drum not in ways or two.drum not in ways:
        return None
    others = [d for d in ways if d in PLACES and d not in (one.drum, two.drum)]
    place = np.array([PLACES[d] for d in others])
    if len(others) >= 2 and np.polyfit(place, [ways[d] for d in others], 1)[0] > MIRRORED_MS:
        return None
    return ways[one.drum] - ways[two.drum]


def _both(take: Take, a: str, b: str, why: str, value: float, unit: str) -> list[Finding]:
    one, two = take.track(a).label, take.track(b).label
    advice = f"{one} and {two} look exchanged: {why}. Look at mics and names, and listen. {CAUTION_PLUG}"
    return [finding("exchanged", "advise", t, value, unit, 0.0, advice) for t in (a, b)]


def pair_findings(take: Take, heard: Mapping[str, Heard]) -> list[Finding]:
    """Find pairs, such as the channels of a stereo file, that hold mics of different places.

    Parameters
    ----------
    take : Take
    heard : mapping of track to Heard

    Returns
    -------
    findings : list of Finding
    """
    out = []
    envelopes = take.features["band_envelopes"]
    for role in ("overhead", "room"):
        found = {t.position: t for t in take.of_role(role) if t.id in heard and heard[t.id].is_live}
        if len(take.of_role(role)) != 2 or set(found) != {"left", "right"} or take.layout in ODD_LAYOUTS:
            continue
        left, right = found["left"], found["right"]
        if left.id not in envelopes:
            continue
        means = [np.asarray(envelopes[t.id], np.float64).mean(axis=0) for t in (left, right)]
        if unlike(heard[left.id].power, heard[right.id].power, *means):
            where = f"{left.file.name} holds" if left.file.name == right.file.name else "These are"
            advice = (
                f"{where} two quite different mics, no pair: {left.label} and {right.label} do not rise and fall "
                f"together. Look at the patch of both. {CAUTION_PLUG}"
            )
            out += [finding("two_mics", "mend", t.id, None, "", None, advice) for t in (left, right)]
    return out


ODD_LAYOUTS = ("over-and-side", "mid-side", "mono", "three")
"""Overheads that need not hear alike."""


def length_findings(take: Take) -> list[Finding]:
    """Find files that are shorter than the others.

    Parameters
    ----------
    take : Take

    Returns
    -------
    findings : list of Finding
        Value: seconds that are missing.
    """
    tracks = take.drum_tracks
    ends = [t.stop for t in tracks]
    if not ends:
        return []
    usual = float(np.median(ends))
    out = []
    for t in tracks:
        apart = (t.stop - usual) / take.sr
        if abs(apart) > LENGTH_S:
            word, end = ("later", "longer") if apart > 0 else ("earlier", "shorter")
            advice = (
                f"{t.label} ends {abs(apart):.1f} s {word} than the others: a file that is {end} was stopped or copied "
                "by itself; copy it again, and look whether it still begins with them."
            )
            out.append(finding("odd_length", "advise", t.id, apart, "s", LENGTH_S, advice))
    return out
