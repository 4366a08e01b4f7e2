"""File names cut into words and numbers; what all names of a folder share is taken out."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from spillgate.dsp.take import vocabulary as v

__all__ = ["Token", "common_parts", "is_kind", "is_known", "lettered", "tokens"]

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
RUNS = re.compile(r"[^\W\d_]+|\d+")
CAMEL = re.compile(r"[A-Z]{2,}s(?![a-z])|[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+")

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
NO_SPLIT = v.words(
    "tomb tombs overt ohm ohms intro bass rider crashed hatch bottom over overs snapper inside snout kiki kiko"
)
"""Words that would fall into known pieces and mean something else."""


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


def _plain(text: str) -> str:
    text = text.replace("ß", "ss").replace("ø", "o").replace("Ø", "O").replace("ł", "l").replace("æ", "ae")
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


def is_known(word: str) -> bool:
    """Tell whether the vocabulary has the word."""
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
        if not low.isdigit() and not is_known(low):
            camel = tuple(w.lower() for w in CAMEL.findall(raw)) or (low,)
            if len(camel) > 1 and all(is_known(w) or _pieces(w) for w in camel):
                words = tuple(p for w in camel for p in ((w,) if is_known(w) else _pieces(w)))
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


def is_kind(token: Token) -> bool:
    """Tell whether the word names a kind of track."""
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
    while shared and not all(_tells_rest(b[shared:]) for b in bodies) and any(is_kind(t) for t in bodies[0][:shared]):
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
        for word in {t.text for t in b if not t.is_number and not is_kind(t)}:
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
    return any(is_kind(t) or t.text in v.FOREIGN or t.text in v.RETURNS for t in rest)
