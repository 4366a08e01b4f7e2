"""From what single names say to the kit: which tom is which, which mics share a drum, what stays in doubt."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from spillgate.dsp.take.model import ROLES, Track
from spillgate.dsp.take.names import (
    FLOOR_INCHES,
    PAIR,
    TOM_KINDS,
    Reading,
    read_name,
    role_of,
)
from spillgate.dsp.take.tokens import common_parts, lettered, tokens

__all__ = ["NameGuess", "Named", "guess_names", "kit_order"]


@dataclass(frozen=True, kw_only=True)
class Named:
    """The names one track goes by.

    Attributes
    ----------
    file : str
        File name.
    channel, n_channels : int
        Channel and number of channels of the file.
    channel_name : str
        Name of the channel inside the file, or empty.
    """

    file: str
    channel: int = 0
    n_channels: int = 1
    channel_name: str = ""


@dataclass(frozen=True, kw_only=True)
class NameGuess:
    """What a track is, as far as its name says.

    Attributes
    ----------
    role : str
        One of `ROLES`; `other` also where the name says nothing.
    drum, position : str or None
    doubt : str
        Why the guess is doubtful; empty if it is not.
    silent : bool
        Whether the name says nothing at all, so that only the sound can tell.
    unclear : str
        What the sound could decide: ``"role"``, ``"same drum"``, ``"order"`` or empty.
    """

    role: str
    drum: str | None = None
    position: str | None = None
    doubt: str = ""
    silent: bool = False
    unclear: str = ""


@dataclass
class _Item:
    """One track while the kit is put together."""

    named: Named
    reading: Reading
    drum: str | None = None
    position: str | None = None
    doubt: str = ""
    unclear: str = ""
    role: str = ""


def guess_names(names: Sequence[Named | str]) -> tuple[NameGuess, ...]:
    """Guess role, drum and position of all tracks of a folder from their names.

    Parameters
    ----------
    names : sequence of Named or str
        All tracks of the take; a plain string is the name of a mono file.

    Returns
    -------
    guesses : tuple of NameGuess
        In the same order.

    Examples
    --------
    >>> [g.drum for g in guess_names(["BD.wav", "T1.wav", "T2.wav", "FT.wav"])]
    ['kick', 'tom1', 'tom2', 'floor']
    """
    named = [n if isinstance(n, Named) else Named(file=n) for n in names]
    items = [_Item(n, r) for n, r in zip(named, _readings(named), strict=True)]
    for item in items:
        item.role = role_of(item.reading.kind) if item.reading.kind not in ("", "unknown") else "other"
        item.doubt = item.reading.doubt
        item.unclear = "role" if item.doubt else ""
    _floor_mics(items)
    for role in ("kick", "snare", "hat"):
        _same_kind([i for i in items if i.role == role], role)
    _toms(items)
    _cymbals([i for i in items if i.role == "cymbal"])
    for role in ("overhead", "room", "front", "trigger", "percussion"):
        _pairs([i for i in items if i.role == role], role)
    _triggers(items)
    for item in items:
        _position(item)
    _twice(items)
    return tuple(_guess(i) for i in items)


def _guess(item: _Item) -> NameGuess:
    silent = item.reading.kind == ""
    doubt, unclear = item.doubt, item.unclear
    if silent:
        doubt, unclear = "the name does not say what it is", "role"
    elif item.reading.kind == "unknown":
        doubt, unclear = "the name means nothing to us", "role"
    return NameGuess(
        role=item.role, drum=item.drum, position=item.position, doubt=doubt, silent=silent, unclear=unclear
    )


def _readings(named: Sequence[Named]) -> list[Reading]:
    files = list(dict.fromkeys(n.file for n in named))
    by_file = dict(zip(files, lettered(common_parts([tokens(f) for f in files])), strict=True))
    inches = {f: read_name(f).inches for f in files}
    out = []
    for n in named:
        found = dataclasses.replace(read_name(by_file[n.file]))
        if found.inches is None and inches[n.file] is not None and found.kind in TOM_KINDS:
            found = dataclasses.replace(found, inches=inches[n.file], number=None)
        if n.channel_name:
            inner = read_name(n.channel_name)
            useful = inner.kind not in ("", "unknown")
            if useful and (n.n_channels > 2 or found.kind in ("", "unknown")):
                found = inner
            elif useful and inner.kind != found.kind:
                found = dataclasses.replace(found, doubt=f"the channel inside the file is named '{n.channel_name}'")
            elif inner.positions:
                found = dataclasses.replace(found, positions=inner.positions)
        elif n.n_channels > 2 and found.kind not in ("overhead", "room", "other"):
            found = Reading(leading=found.leading)  # one name for many mics says nothing of each
        out.append(found)
    return out


def _floor_mics(items: Sequence[_Item]) -> None:
    """``Floor L`` beside audience mics, or beside a floor tom named in full, is the floor of the hall."""
    audience = any(i.reading.audience for i in items)
    full = any(i.reading.kind == "floor" and not i.reading.bare_floor for i in items)
    for i in items:
        if not i.reading.bare_floor or not ({"left", "right"} & set(i.reading.positions)):
            continue
        if audience or full:
            i.role, i.doubt = "other", "floor tom, or mics on the floor of the hall?"
        elif not i.doubt:
            i.doubt = "floor tom, or mics on the floor of the hall?"
        i.unclear = "role"


SAME = {"kick": ("left", "right"), "snare": ("left", "right"), "hat": ()}


def _same_kind(items: Sequence[_Item], role: str) -> None:
    """Tell two mics of one drum from two drums."""
    drums: dict[object, str] = {}
    for i in items:
        i.drum = role
    numbers = sorted({i.reading.number or 1 for i in items})
    told = any(i.reading.number is not None and set(i.reading.positions) - {"left", "right"} for i in items)
    if len(numbers) > 1:
        for k, number in enumerate(numbers):
            drums[number] = role if k == 0 else f"{role}{k + 1}"
        several = {(i.reading.number or 1) for i in items if set(i.reading.positions) - {"left", "right"}}
        for i in items:
            i.drum = drums[i.reading.number or 1]
            if not (told and len(several) >= 1 and len(items) > 2):
                _ask(i, f"two {role}s, or two mics at one {role}?", "same drum")
    for i in items:
        if i.reading.second:
            i.drum = f"{role}2"
    sides = {p for i in items for p in i.reading.positions if p in SAME[role] and i.named.n_channels == 1}
    if sides == {"left", "right"}:
        for i in items:
            if "left" in i.reading.positions and i.named.n_channels == 1:
                i.drum = f"{role}2"
            _ask(i, f"two {role}s, or two mics at one {role}?", "same drum")


def _ask(item: _Item, doubt: str, unclear: str) -> None:
    if not item.doubt:
        item.doubt, item.unclear = doubt, unclear


TomKey = tuple[bool, float, float, float, float]


def _tom_key(i: _Item) -> TomKey:
    """High to low: octobans, diameter, number, words for height, sides."""
    r = i.reading
    side = 0.0 if "left" in r.positions else 1.0 if "right" in r.positions else 0.5
    if i.named.n_channels > 1:
        side = 0.5
    high = (r.kind if r.kind != "trigger" else r.of) == "high"
    return (not high, float(r.inches or 0), float(r.number or 0), -1.0 if r.height is None else r.height, side)


def _toms(items: Sequence[_Item]) -> None:
    toms = [i for i in items if i.role == "tom" or (i.role == "trigger" and i.reading.of in TOM_KINDS)]
    padded = [i.reading.number for i in toms if i.reading.padded]
    if padded and sorted(set(n for n in padded if n)) != list(range(1, len(set(padded)) + 1)):
        for i in toms:
            if i.reading.padded:  # a take number after all
                i.reading = dataclasses.replace(i.reading, number=None, padded=False)
    floors: list[_Item] = []
    racks: list[_Item] = []
    for i in toms:
        kind = i.reading.kind if i.role == "tom" else i.reading.of
        standing = kind == "floor" or (kind == "tom" and (i.reading.inches or 0) >= FLOOR_INCHES)
        (floors if standing else racks).append(i)
    for k, key in enumerate(sorted({_tom_key(i) for i in floors})):
        for i in floors:
            if _tom_key(i) == key:
                i.drum = "floor" if k == 0 else f"floor{k + 1}"
    _racks(racks)


def _racks(racks: list[_Item]) -> None:
    if not racks:
        return
    plain = [i for i in racks if _tom_key(i) == (True, 0.0, 0.0, -1.0, 0.5)]
    loose = {i.reading.leading for i in plain if i.reading.leading is not None}
    doubled = {(i.reading.positions, i.role) for i in plain}
    if len(plain) == len(racks) and len(plain) > len(doubled) and len(loose) > 1:
        for k, leading in enumerate(sorted(loose)):
            for i in plain:
                if i.reading.leading == leading:
                    i.drum = f"tom{k + 1}"
                    _ask(i, "order of the toms from the numbers in front", "order")
        return
    keys = sorted({_tom_key(i) for i in racks})
    numbered = all(k[2] > 0 for k in keys) and len({k[2] for k in keys}) == len(keys) and all(k[0] for k in keys)
    if numbered and len({k[1] for k in keys}) == 1:
        drums = {k: f"tom{int(k[2])}" for k in keys}
    else:
        drums = {k: f"tom{n + 1}" for n, k in enumerate(keys)}
    kinds_of_hint = {(k[1] > 0, k[2] > 0, k[3] >= 0) for k in keys if k[0]} - {(False, False, False)}
    for i in racks:
        i.drum = drums[_tom_key(i)]
        if len(kinds_of_hint) > 1:
            _ask(i, "order of the toms: the names count in different ways", "order")
        if "toms" in {t.text for t in tokens(i.named.file)} and (i.named.n_channels > 1 or len(racks) == 1):
            _ask(i, "one tom, or several toms in one file?", "role")


def _cymbals(items: Sequence[_Item]) -> None:
    plain = [i for i in items if i.reading.kind == "cymbal"]
    sides = {p for i in plain for p in i.reading.positions if p in ("left", "right")}
    if sides == {"left", "right"} or any(i.named.n_channels == 2 for i in plain):
        for i in plain:
            i.role = "overhead"
            _ask(i, "overheads, or mics at single cymbals?", "role")
    for i in items:
        r = i.reading
        if i.role != "cymbal" or r.kind == "cymbal":
            continue
        if r.kind == "crash":
            numbers = sorted({x.reading.number or 1 for x in items if x.reading.kind == "crash"})
            place = numbers.index(r.number or 1)
            right = "right" in r.positions or ("left" not in r.positions and place % 2 == 1)
            i.drum = "crash_r" if right else "crash_l"
            if place > 1:
                _ask(i, "which crash is this?", "role")
        else:
            i.drum = r.kind if (r.number or 1) == 1 else f"{r.kind}{r.number}"


def _pairs(items: Sequence[_Item], role: str) -> None:
    """Sides by number (``OH 1``, ``OH 2``), middle and side."""
    mono = [i for i in items if i.named.n_channels == 1]
    said = [i for i in mono if set(i.reading.positions) & {"left", "right", "centre", "mid", "side"}]
    numbers = sorted({i.reading.number for i in mono if i.reading.number is not None})
    if role in ("overhead", "room") and not said and numbers == [1, 2] and len(mono) == 2:
        for i in mono:
            i.position = "left" if i.reading.number == 1 else "right"
            _ask(i, "left or right? Taken from the number", "")
    named = {i.reading.of for i in mono if i.reading.of}
    if role == "overhead" and len(mono) == 2 and all(i.reading.of for i in said):
        for i in mono:
            if i.reading.of and len(named) == 2:
                i.position = "left" if i.reading.of == "hat" else "right"
                _ask(i, f"left or right? Taken from the {i.reading.of} it is named after", "")
    side = any("side" in i.reading.positions for i in mono)
    for i in mono:
        if "mid" in i.reading.positions and not side:
            i.position = "centre"
    if role == "overhead" and len(mono) == 1 and len(items) == 1 and not said:
        mono[0].position = "centre"


def _triggers(items: Sequence[_Item]) -> None:
    for i in items:
        if i.role == "trigger" and i.drum is None and i.reading.of:
            of = i.reading.of
            i.drum = of if (i.reading.number or 1) == 1 or of not in ("kick", "snare") else f"{of}{i.reading.number}"


def _position(item: _Item) -> None:
    """One position out of those named; the channels of a stereo file are left and right, or the two mics it names."""
    n = item.named
    named = item.reading.positions
    if n.n_channels == 2 and not n.channel_name:
        if PAIR.search(n.file) and len(named) < 2 and item.role in ("kick", "snare"):
            named = ("top", "bottom") if item.role == "snare" else ("in", "out")
        if len(named) == 2 and n.channel < 2:
            item.position = named[n.channel]
            return
        pair = ("mid", "side") if _mid_side(n.file) and item.role in ("overhead", "room") else ("left", "right")
        item.position = pair[n.channel]
        if item.role in ("kick", "snare", "hat", "tom"):
            _ask(item, "one drum in a stereo file: two mics, or one recorded twice?", "same drum")
        return
    if item.position is not None:
        return
    own = [p for p in named if not (item.role in ("kick", "snare", "tom") and p in ("left", "right"))]
    if item.role == "cymbal" and item.drum in ("crash_l", "crash_r"):
        own = [p for p in own if p not in ("left", "right")]
    if item.role != "other":
        item.position = own[0] if own else None


def _mid_side(file: str) -> bool:
    words = {t.text for t in tokens(file)}
    return "ms" in words or {"mid", "side"} <= words


def _twice(items: Sequence[_Item]) -> None:
    """The same drum and position twice is a question."""
    seen: dict[tuple[str, str | None, str | None], list[_Item]] = {}
    for i in items:
        if i.role in ("kick", "snare", "hat", "tom"):
            seen.setdefault((i.role, i.drum, i.position), []).append(i)
    for alike in seen.values():
        if len(alike) > 1:
            for i in alike:
                _ask(i, f"{len(alike)} files read as the same mic of the {alike[0].drum}", "same drum")


_POSITIONS = ("in", "top", "batter", "left", "mid", "centre", None, "out", "bottom", "right", "side", "sub")
_CYMBALS = ("ride", "crash_l", "crash_r", "china", "splash")


def kit_order(tracks: Sequence[Track]) -> tuple[Track, ...]:
    """Sort tracks as a kit is listed.

    Parameters
    ----------
    tracks : sequence of Track

    Returns
    -------
    tracks : tuple of Track
        kick, kick2, snare, hat, toms from high to low, floor toms, cymbals, overheads, rooms, front, triggers,
        percussion, others; tracks of the same mic by id.
    """

    def key(track: Track) -> tuple[int, int, int, str, int, str, int]:
        drum = track.drum or ""
        word = drum.rstrip("0123456789")
        digits = drum[len(word) :]
        cymbal = _CYMBALS.index(word) if word in _CYMBALS else len(_CYMBALS)
        group = int(word == "floor") if track.role == "tom" else cymbal if track.role == "cymbal" else 0
        position = _POSITIONS.index(track.position) if track.position in _POSITIONS else len(_POSITIONS)
        return (ROLES.index(track.role), group, int(digits or 1), word, position, track.file.name, track.channel)

    return tuple(sorted(tracks, key=key))
