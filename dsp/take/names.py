"""What a file name says about a track: kind, drum, position, order, and how far it can be trusted.

One name is read at a time here, without looking at the sound; `spillgate.dsp.take.kit` then sees to the folder as a
whole (which tom is which, what is a take number).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from spillgate.dsp.take import vocabulary as v
from spillgate.dsp.take.tokens import Token, is_kind, is_known, tokens

__all__ = ["Reading", "read_name", "role_of"]

INCH = re.compile(r"(\d{1,2})(?:\s?(?:\"|''|″|”|inch(?:es)?|zoll|pouces|in\b(?=\s*$)))", re.IGNORECASE)

INCHES = range(8, 21)
"""Tom diameters in inches that are sold and named (common practice, no source)."""
FLOOR_INCHES = 16
"""A tom of this diameter stands on the floor (common practice, no source)."""
MOST_TOMS = 8

PAIR = re.compile(r"(?<![^\W_])(t\W?b|i\W?o|top\W*b(?:o?t)?t?o?m?|in\W*out)(?![^\W_])", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What one name says by itself.

    Attributes
    ----------
    kind : str
        A kind of `vocabulary.KINDS`; ``"other"``: surely no drum; ``"unknown"``: words that mean nothing to us;
        ``""``: the name says nothing (``Audio 07``).
    of : str
        Kind of the drum, for triggers.
    positions : tuple of str
        Positions the name names, in its order.
    number, inches, leading : int or None
        Number of the drum, diameter, and the number in front of the name.
    height : float or None
        0 high … 2 low.
    second : bool
        Whether it says that it is the second drum of its kind.
    bare_floor : bool
        ``Floor`` without ``Tom`` (may be the floor of a hall).
    audience : bool
        Whether it speaks of an audience.
    padded : bool
        Whether `number` is written with a leading zero and may be that of the take.
    doubt : str
    """

    kind: str = ""
    of: str = ""
    positions: tuple[str, ...] = ()
    number: int | None = None
    padded: bool = False
    inches: int | None = None
    leading: int | None = None
    height: float | None = None
    second: bool = False
    bare_floor: bool = False
    audience: bool = False
    doubt: str = ""


@dataclass
class _Words:
    """The tokens of one name, sorted."""

    kinds: list[tuple[int, str, str]] = field(default_factory=list)  # place, word, kind
    foreign: list[str] = field(default_factory=list)
    returns: list[str] = field(default_factory=list)
    unknown: list[int] = field(default_factory=list)
    height: float | None = None


def _sort(found: tuple[Token, ...]) -> _Words:
    out = _Words()
    kinds = [v.KINDS[t.text] for t in found if t.text in v.KINDS]
    drum = bool(set(kinds) & {"tom", "floor", "snare", "high"})
    for k, token in enumerate(found):
        word = token.text
        if token.is_number or len(word) == 1:
            continue
        if word in v.DRUM_NAMES:
            kind, out.height = v.DRUM_NAMES[word]
            out.kinds.append((k, word, kind))
        elif word in v.KINDS and not (word in ("over", "ovan") and "snare" in kinds):
            out.kinds.append((k, word, v.KINDS[word]))
        elif word in v.FOREIGN and not (drum and (word in v.HEIGHTS or word in v.POSITIONS)):
            out.foreign.append(word)
        elif word in v.RETURNS and word not in v.SECOND:
            out.returns.append(word)
        elif not is_known(word):
            out.unknown.append(k)
    return out


def _letters(found: tuple[Token, ...], words: _Words) -> None:
    """Single letters that stand for a drum: ``T1``, ``K In``, ``S Top``."""
    if any(role_of(kind) not in ("trigger", "room") for _, _, kind in words.kinds):
        return
    for k, token in enumerate(found):
        after = found[k + 1] if k + 1 < len(found) else None
        if token.text == "t" and after is not None and after.is_number:
            words.kinds.append((k, "tom", "tom"))
        elif token.text == "k" and (after is None or after.is_number or after.text in v.POSITIONS):
            words.kinds.append((k, "k" if after is None or after.is_number else "kick", "kick"))
        elif token.text == "s" and after is not None and _position(after.text) in ("top", "bottom"):
            words.kinds.append((k, "s", "snare"))


def _position(word: str) -> str:
    return v.POSITIONS.get(word, "")


TRIG = frozenset(w for w, kind in v.KINDS.items() if kind in ("trigger", "room"))

ALLOWED = {
    "kick": ("in", "out", "sub", "batter", "left", "right"),
    "snare": ("top", "bottom", "batter", "side", "left", "right"),
    "tom": ("top", "bottom", "batter", "left", "right"),
    "hat": ("top", "bottom", "left", "right"),
    "cymbal": ("top", "bottom", "left", "right"),
    "overhead": ("left", "right", "centre", "mid", "side"),
    "room": ("left", "right", "centre", "mid", "side"),
    "front": ("left", "right", "centre"),
    "trigger": ("left", "right"),
    "percussion": ("left", "right"),
}
"""Positions that make sense for a role."""

TOM_KINDS = ("tom", "floor", "high")
CYMBAL_KINDS = ("cymbal", "ride", "crash", "china", "splash")


def role_of(kind: str) -> str:
    """Give the role a kind of name belongs to."""
    if kind in TOM_KINDS:
        return "tom"
    return "cymbal" if kind in CYMBAL_KINDS else kind


def _choose(words: _Words) -> tuple[str, str, str]:
    """One kind out of those a name names: kind, kind of the drum for triggers, doubt."""
    kinds = [kind for _, _, kind in words.kinds]
    have = set(kinds)
    close = [k for k in kinds if k not in ("trigger", "room", "overhead", "front")]
    if "trigger" in have:
        return "trigger", close[0] if close else "", "" if close else "trigger of which drum?"
    if "room" in have:
        return "room", "", ""
    if "overhead" in have:
        return "overhead", next((k for k in close if k in ("hat", "ride", "floor")), ""), ""
    if "front" in have:
        return (close[0], "", "") if close else ("front", "", "")
    if "floor" in have and have <= {"floor", "tom"}:
        return "floor", "", ""
    if "high" in have and have <= {"high", "tom"}:
        return "high", "", ""
    if have & set(CYMBAL_KINDS) and have <= set(CYMBAL_KINDS):
        special = [k for k in dict.fromkeys(kinds) if k != "cymbal"]
        doubt = f"the name says {' and '.join(special)}" if len(special) > 1 else ""
        return (special[0] if special else "cymbal"), "", doubt
    if len({role_of(k) for k in have}) > 1:
        return kinds[0], "", "the name says " + " and ".join(dict.fromkeys(kinds))
    return kinds[0], "", ""


def read_name(name: str | tuple[Token, ...]) -> Reading:
    """Read one name.

    Parameters
    ----------
    name : str or tuple of Token
        File or channel name, or its tokens if `common_parts` has been taken out.

    Returns
    -------
    reading : Reading

    Examples
    --------
    >>> read_name("03_SnTop.wav").positions
    ('top',)
    """
    found = tokens(name) if isinstance(name, str) else name
    inches = None
    if isinstance(name, str) and (inch := INCH.search(name)) and int(inch.group(1)) in range(6, 21):
        inches = int(inch.group(1))
    leading = int(found[0].text) if len(found) > 1 and found[0].is_number and len(found[0].text) < 4 else None
    words = _sort(found)
    _letters(found, words)
    audience = any(
        w in ("audience", "aud", "crowd", "publikum", "public", "publico", "pubblico") for w in words.foreign
    )
    audience = audience or any(w in ("applause", "publik") for w in words.foreign)
    if not words.kinds:
        if words.foreign or words.returns:
            return Reading(kind="other", leading=leading, audience=audience)
        if words.unknown:
            return Reading(kind="unknown", leading=leading, positions=_positions("room", found, words))
        if "sub" in (t.text for t in found):
            return Reading(kind="kick", positions=("sub",), leading=leading, doubt="a kick's sub mic?")
        return Reading(leading=leading, positions=_positions("room", found, words))
    sampled = {"sample", "samples"} >= set(words.foreign)
    song = _song_before(found, words)
    if words.foreign and not sampled and not song:
        return Reading(kind="other", leading=leading, audience=audience)
    if any(w in STRONG_RETURNS for w in words.returns):
        return Reading(kind="other", leading=leading)
    kind, of, doubt = _choose(words)
    if song:
        doubt = f"the name has '{song}' before '{words.kinds[0][1]}'"
    elif words.foreign and kind != "trigger":
        kind, of, doubt = "trigger", kind, "samples, or a mic?"
    if words.returns:
        doubt = doubt or f"a mic, or a mix? The name says '{words.returns[0]}'"
    doubt = doubt or _company(found, words)
    role = role_of(kind)
    positions = _positions(role, found, words)
    if role == "kick" and any(k == "front" for _, _, k in words.kinds):
        positions = (*positions, "out")
    number, size, padded = _number(found, words, role)
    height = _height(found, words) if role == "tom" or of in TOM_KINDS else None
    if padded and (role != "tom" or height is not None):
        number, padded = None, False
    return Reading(
        kind=kind,
        of=of,
        positions=positions,
        number=number,
        padded=padded,
        inches=inches or size,
        leading=leading,
        height=height,
        second=_second(found, words) and role in ("kick", "snare", "hat"),
        bare_floor=kind == "floor" and [w for _, w, _ in words.kinds] in (["floor"], ["floors"]),
        doubt=doubt,
    )


STRONG_RETURNS = v.words("reverb verb rev fx delay dly echo plate spring return rtn send bus buss ")


def _song_before(found: tuple[Token, ...], words: _Words) -> str:
    """Word for another instrument that stands before an unmistakable drum, as a song's title would."""
    place, word, _ = words.kinds[0]
    if len(word) < 3 or word in v.COMMON or word in v.SHORT or not words.foreign or len(words.kinds) > 1:
        return ""
    before = {t.text for t in found[:place]}
    return words.foreign[0] if before >= set(words.foreign) else ""


def _second(found: tuple[Token, ...], words: _Words) -> bool:
    first = min((p for p, _, _ in words.kinds), default=0)
    return any(t.text in v.SECOND and (t.text != "side" or k < first) for k, t in enumerate(found))


def _company(found: tuple[Token, ...], words: _Words) -> str:
    """Doubt a kind whose word has another meaning, if words beside it mean nothing to us."""
    places = [p for p, _, _ in words.kinds]
    for place, word, _ in words.kinds:
        beside = [u for u in words.unknown if u > place or word in v.COMMON]
        if beside and place == max(places):
            return f"the name has '{found[beside[0]].text}' beside '{word}'"
    if words.kinds[-1][1] == "floor" and any(t.text in ("pzm", "boundary", "bndry") for t in found):
        return "floor tom, or a mic on the floor?"
    if len(words.kinds) == 1 and words.kinds[0][1] in ("stomp", "stomps", "knee", "foh", "k", "stack", "bell", "hall"):
        return f"'{words.kinds[0][1]}' can mean several things"
    return ""


def _positions(role: str, found: tuple[Token, ...], words: _Words) -> tuple[str, ...]:
    allowed = ALLOWED.get(role, ())
    out: list[str] = []
    for k, token in enumerate(found):
        word = token.text
        if _take_suffix(found, k):
            break
        position = _position(word)
        if role in ("overhead", "room", "front"):
            if word in ("g", "d") and k > 0 and is_kind(found[k - 1]):
                position = "left" if word == "g" else "right"
            position = {"m": "mid", "s": "side"}.get(word, position)
        if role == "tom" and word in v.HEIGHTS and len(word) > 1:
            continue
        if role == "snare" and position == "side" and _second(found, words):
            continue
        after = found[k + 1] if k + 1 < len(found) else None
        if (
            word == "t"
            and after is not None
            and after.is_number
            and not any(is_kind(t) and t.text not in TRIG for t in found)
        ):
            continue  # T1: the tom itself
        if position in allowed and position not in out:
            out.append(position)
    return tuple(out)


def _take_suffix(found: tuple[Token, ...], k: int) -> bool:
    """Whether ``T3`` at the end of a name is take 3: something else names the drum before it."""
    if found[k].text != "t" or k + 2 != len(found) or not found[k + 1].is_number or found[k + 1].sep:
        return False
    return any(is_kind(t) for t in found[:k])


def _height(found: tuple[Token, ...], words: _Words) -> float | None:
    if words.height is not None:
        return words.height
    heights = [v.HEIGHTS[t.text] for t in found if t.text in v.HEIGHTS]
    if not heights:
        return None
    # "hi mid", "low mid": between the two
    between = {frozenset((0.0, 1.0)): 0.75, frozenset((1.0, 2.0)): 1.25}
    return between.get(frozenset(heights), heights[0])


def _number(found: tuple[Token, ...], words: _Words, role: str) -> tuple[int | None, int | None, bool]:
    """Give the drum's number and diameter and whether the number is zero-padded.

    It is the first number behind the drum's word, or an ordinal before it.
    """
    places = [p for p, _, kind in words.kinds if role_of(kind) == role or role in ("trigger",)]
    first = min(places) if places else 0
    for k, token in enumerate(found):
        if not token.is_number or len(token.text) > 2:
            continue
        value = int(token.text)
        ordinal = k + 1 < len(found) and found[k + 1].text in ("st", "nd", "rd", "er", "eme", "th")
        if k < first and not ordinal:
            continue
        if k and _take_suffix(found, k - 1):
            continue
        padded = token.text.startswith("0") and len(token.text) > 1
        if role == "tom" and value in INCHES and (value > MOST_TOMS or value == 8) and not padded:
            return None, value, False
        if 1 <= value <= MOST_TOMS and not padded:
            return value, None, False
        if padded and 1 <= value <= MOST_TOMS and token.sep.strip() in ("", "_") and k == len(found) - 1:
            return value, None, True
    return None, None, False
