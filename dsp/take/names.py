"""What a file name says about a track: kind, drum, position, order, and how far it can be trusted.

One name is read at a time here, without looking at the sound; `spillgate.dsp.take.kit` then sees to the folder as a
whole (which tom is which, what is a take number).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from spillgate.dsp.take import vocabulary as v

__all__ = ["Reading", "Token", "common_parts", "lettered", "read_name", "tokens"]

ENDINGS = re.compile(r"\.(wav|wave|aiff?|aifc|flac|caf|w64|rf64|bwf|ogg|mp3)$", re.IGNORECASE)
DATE = re.compile(
    r"(?<!\d)(?:(?:19|20)\d\d[-_. ]?[01]\d[-_. ]?[0-3]\d|[0-3]?\d[-.][01]?\d[-.](?:19|20)\d\d)(?!\d)"
    r"|(?<!\d)\d\d[h:]\d\d(?:[m:]\d\d)?s?(?!\d)",
    re.IGNORECASE,
)
COPY = re.compile(
    r"[._ -]+(?:dup|copy|kopie|copie|copia|edit|consolidated|cons|bounce|bip|tk|take)[._ -]*\d*(?=$|[._ -])|\(\d+\)$",
    re.IGNORECASE,
)
INCH = re.compile(r"(\d{1,2})(?:\s?(?:\"|''|″|”|inch(?:es)?|zoll|pouces|in\b(?=\s*$)))", re.IGNORECASE)
RUNS = re.compile(r"[^\W\d_]+|\d+")
CAMEL = re.compile(r"[A-Z]{2,}s(?![a-z])|[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+")

INCHES = range(8, 21)
"""Tom diameters in inches that are sold and named (common practice, no source)."""
FLOOR_INCHES = 16
"""A tom of this diameter stands on the floor (common practice, no source)."""
MOST_TOMS = 8

TAILS = {
    "kick": "ioslr",
    "snare": "tblr",
    "tom": "tblr",
    "floor": "tblr",
    "hat": "tblr",
    "overhead": "lrmcs",
    "room": "lrmcs",
    "front": "lr",
    "crash": "lr",
    "ride": "lr",
    "cymbal": "lr",
}
"""Single letters that may be glued behind a word of that kind."""
NO_SPLIT = v.words("tomb tombs overt ohm ohms intro bass rider crashed hatch bottom over overs snapper inside snout ")
"""Words that would fall into known pieces and mean something else."""

PAIR = re.compile(r"(?<![^\W_])(t\W?b|i\W?o|top\W*b(?:o?t)?t?o?m?|in\W*out)(?![^\W_])", re.IGNORECASE)


@dataclass(frozen=True)
class Token:
    """A word or number of a name.

    Attributes
    ----------
    text : str
        Lower case without accents, or digits.
    sep : str
        What stands before it; empty if it is glued to the token before.
    """

    text: str
    sep: str

    @property
    def is_number(self) -> bool:
        """Whether it consists of digits."""
        return self.text.isdigit()


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


def _plain(text: str) -> str:
    text = text.replace("ß", "ss").replace("ø", "o").replace("Ø", "O").replace("ł", "l").replace("æ", "ae")
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


def _known(word: str) -> bool:
    return (
        word in v.KINDS
        or word in v.POSITIONS
        or word in v.HEIGHTS
        or word in v.DRUM_NAMES
        or word in v.FOREIGN
        or word in v.RETURNS
        or word in v.NEUTRAL
        or word in v.SECOND
    )


_WHOLE = frozenset({"hall", "rom", "rum", "tam", "bell", "stack"})
"""Words that are not looked for inside others."""
_PIECES = tuple(
    sorted(
        {w for w in (*v.KINDS, *v.POSITIONS, *v.HEIGHTS, *v.NEUTRAL, "vox", "drum") if len(w) >= 2} - _WHOLE,
        key=lambda w: (-len(w), w),
    )
)


@lru_cache(maxsize=4096)
def _pieces(word: str) -> tuple[str, ...]:
    """Split a glued word into known ones, one of them a kind; empty if that cannot be done."""
    if word in NO_SPLIT or len(word) > 30:
        return ()

    def split(rest: str, so_far: tuple[str, ...]) -> tuple[str, ...]:
        if not rest:
            return so_far if any(p in v.KINDS for p in so_far) else ()
        if len(rest) == 1 and so_far:
            kinds = [v.KINDS[p] for p in so_far if p in v.KINDS]
            return (*so_far, rest) if kinds and rest in TAILS.get(kinds[-1], "") else ()
        for piece in _PIECES:
            if rest.startswith(piece):
                found = split(rest[len(piece) :], (*so_far, piece))
                if found:
                    return found
        return ()

    found = split(word, ())
    if not found and word[0] in "lr" and len(word) > 2:
        inner = split(word[1:], ())
        found = (word[0], *inner) if len(inner) == 1 else ()
    return found if len(found) > 1 else ()


def tokens(name: str) -> tuple[Token, ...]:
    """Cut a name into words and numbers.

    Parameters
    ----------
    name : str
        File name with or without ending, or a channel name.

    Returns
    -------
    tokens : tuple of Token
        Dates and copy marks are left out; glued words (``KickIn``, ``ohl``, ``floortom``) are taken apart.
    """
    text = ENDINGS.sub("", _plain(name).strip())
    text = COPY.sub("", COPY.sub("", DATE.sub(" ", text)))
    out: list[Token] = []
    end = 0
    for run in RUNS.finditer(text):
        sep = text[end : run.start()]
        end = run.end()
        raw = run.group()
        low = raw.lower()
        words: Sequence[str] = (low,)
        if not low.isdigit() and not _known(low):
            camel = tuple(w.lower() for w in CAMEL.findall(raw)) or (low,)
            if len(camel) > 1 and all(_known(w) or _pieces(w) for w in camel):
                words = tuple(p for w in camel for p in ((w,) if _known(w) else _pieces(w)))
            else:
                words = _pieces(low) or camel
        out += [Token(w, sep if k == 0 else "") for k, w in enumerate(words)]
    return _joined(out)


def _joined(found: list[Token]) -> tuple[Token, ...]:
    """Put words that belong together into one token, named by a word of that kind."""
    out: list[Token] = []
    k = 0
    while k < len(found):
        for n in (3, 2):
            kind = v.PHRASES.get(tuple(t.text for t in found[k : k + n])) if k + n <= len(found) else None
            if kind is not None:
                word = {"floor": "floortom", "high": "octoban", "percussion": "perc"}.get(kind, kind)
                out.append(Token(word, found[k].sep))
                k += n
                break
        else:
            out.append(found[k])
            k += 1
    return tuple(out)


def _is_kind(token: Token) -> bool:
    return token.text in v.KINDS or token.text in v.DRUM_NAMES


def common_parts(names: Sequence[tuple[Token, ...]]) -> tuple[tuple[Token, ...], ...]:
    """Leave out what all names of a folder share: song, artist, session, date, take number.

    Parameters
    ----------
    names : sequence of tuple of Token

    Returns
    -------
    names : tuple of tuple of Token
        Unchanged where fewer than three names are given, or where the shared part is what tells the kind.
    """
    if len(names) < 3:
        return tuple(names)
    bodies = [n[1:] if len(n) > 1 and n[0].is_number else n for n in names]
    heads = [n[:1] if len(n) > 1 and n[0].is_number else () for n in names]
    shared = 0
    while all(len(b) > shared + 1 for b in bodies) and len({b[shared].text for b in bodies}) == 1:
        shared += 1
    while shared and not all(_tells_rest(b[shared:]) for b in bodies) and any(_is_kind(t) for t in bodies[0][:shared]):
        shared -= 1
    bodies = [b[shared:] for b in bodies]
    # a take number, the same at the end of most names
    lasts = [b[-1].text for b in bodies if len(b) > 1 and b[-1].is_number]
    for number in set(lasts):
        if lasts.count(number) >= max(3, 0.6 * len(bodies)):
            bodies = [_without_take(b) if len(b) > 1 and b[-1].text == number else b for b in bodies]
    # words that mean nothing to us and stand in most names
    counts: dict[str, int] = {}
    for b in bodies:
        for word in {t.text for t in b if not t.is_number and not _is_kind(t)}:
            counts[word] = counts.get(word, 0) + 1
    often = {w for w, n in counts.items() if n > 0.6 * len(bodies) and w not in v.POSITIONS and w not in v.HEIGHTS}
    return tuple((*h, *(t for t in b if t.text not in often)) for h, b in zip(heads, bodies, strict=True))


def _without_take(body: tuple[Token, ...]) -> tuple[Token, ...]:
    marked = len(body) > 2 and not body[-1].sep and body[-2].text == "t"
    return body[: -2 if marked else -1]


def lettered(names: Sequence[tuple[Token, ...]]) -> tuple[tuple[Token, ...], ...]:
    """Read ``Tom A``, ``Tom B`` as numbers: only where both stand in the folder (a lone B is a bottom mic)."""
    letters = "abcdef"
    heads = {tuple(t.text for t in n[:-1]) for n in names if len(n) > 1 and n[-1].text == "a"}
    return tuple(
        (*n[:-1], Token(str(letters.index(n[-1].text) + 1), n[-1].sep))
        if len(n) > 1 and len(n[-1].text) == 1 and n[-1].text in letters and tuple(t.text for t in n[:-1]) in heads
        else n
        for n in names
    )


def _tells_rest(rest: tuple[Token, ...]) -> bool:
    return any(_is_kind(t) or t.text in v.FOREIGN or t.text in v.RETURNS for t in rest)


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
        elif not _known(word):
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
AUDIENCE = v.words("audience aud crowd applause publikum publik public publico pubblico")

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
    "percussion": ("top", "bottom", "left", "right"),
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
        return "overhead", "", ""
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
    if words.foreign and not {"sample", "samples"} >= set(words.foreign):
        return Reading(kind="other", leading=leading, audience=audience)
    if any(w in STRONG_RETURNS for w in words.returns):
        return Reading(kind="other", leading=leading)
    kind, of, doubt = _choose(words)
    if words.foreign and kind != "trigger":
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


def _second(found: tuple[Token, ...], words: _Words) -> bool:
    first = min((p for p, _, _ in words.kinds), default=0)
    return any(t.text in v.SECOND and (t.text != "side" or k < first) for k, t in enumerate(found))


def _company(found: tuple[Token, ...], words: _Words) -> str:
    """Doubt a kind whose word has another meaning, if words beside it mean nothing to us."""
    places = [p for p, _, _ in words.kinds]
    for place, word, kind in words.kinds:
        weak = word in v.COMMON or word in v.SHORT or len(word) <= 2
        beside = [u for u in words.unknown if weak or (u > place and u == max(places) + 1 and kind == "percussion")]
        behind = [u for u in beside if u > place or word in v.COMMON]
        if behind and len(words.kinds) == 1:
            return f"the name has '{found[behind[0]].text}' beside '{word}'"
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
            if word in ("g", "d"):
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
            and not any(_is_kind(t) and t.text not in TRIG for t in found)
        ):
            continue  # T1: the tom itself
        if position in allowed and position not in out:
            out.append(position)
    return tuple(out)


def _take_suffix(found: tuple[Token, ...], k: int) -> bool:
    """Whether ``T3`` at the end of a name is take 3: something else names the drum before it."""
    if found[k].text != "t" or k + 2 != len(found) or not found[k + 1].is_number or found[k + 1].sep:
        return False
    return any(_is_kind(t) for t in found[:k])


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
        if k < first and not (ordinal or (k == first - 1 and k > 0)):
            continue
        if _take_suffix(found, k - 1) if k else False:
            continue
        padded = token.text.startswith("0") and len(token.text) > 1
        if role == "tom" and value in INCHES and (value > MOST_TOMS or value == 8) and not padded:
            return None, value, False
        if 1 <= value <= MOST_TOMS and not padded:
            return value, None, False
        if padded and 1 <= value <= MOST_TOMS and token.sep.strip() in ("", "_") and k == len(found) - 1:
            return value, None, True
    return None, None, False
