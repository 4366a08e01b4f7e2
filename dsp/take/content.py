"""Which track is which mic: by name, and by sound where the names leave doubt."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.take.bysound import Verdict, judge
from spillgate.dsp.take.kit import Named, NameGuess, guess_names, kit_order
from spillgate.dsp.take.model import Track

__all__ = ["guess_tracks", "stretches"]

Read = Callable[[Track, int, int], NDArray[Any]]

HEARD_S = 30.0
"""Seconds of each track that are listened to."""
LEAST_S = 3.0
"""A take shorter than this tells nothing: the names stand as they are."""
PIECES = 6
"""They are taken from that many places, evenly over the take."""
SAME_DRUM = 0.75
"""Two mics whose onsets correlate like this stand at one drum (tuned on made takes)."""
CONTRADICTS = {
    "kick": ("snare", "hat", "overhead", "other"),
    "snare": ("kick", "other"),
    "hat": ("kick", "other"),
    "tom": ("kick", "hat", "other"),
    "overhead": ("kick", "other"),
    "room": ("other",),
}
"""What a track named so should not sound like. Neighbours that are easily taken for each other are left out."""
BEYOND_DOUBT = 2.0
"""Lead of the sound's verdict from which it questions a clear name (tuned on made takes: no false question)."""
AREAS = ({"overhead", "room", "front"}, {"tom", "percussion"}, {"hat", "cymbal"})
"""Roles that sound alike: a verdict for one does not speak against another."""
SPOKEN = {"other": "no drum of this kit", "overhead": "an overhead", "tom": "a tom", "room": "a room mic"}


def guess_tracks(
    tracks: Sequence[Track], channel_names: Mapping[str, str], read: Read, sr: int, n_samples: int
) -> tuple[Track, ...]:
    """Guess role, drum and position of every track.

    Parameters
    ----------
    tracks : sequence of Track
        With id, files and channel set.
    channel_names : mapping of str to str
        Track id -> name of the channel inside the file, where there is one.
    read : callable
        ``read(track, start, stop)`` gives samples on the take's timeline. Only called when names leave doubt.
    sr : int
        Hz.
    n_samples : int
        Length of the take.

    Returns
    -------
    tracks : tuple of Track
        With role, drum, position and doubt set, in kit order.
    """
    guesses = guess_names(
        [
            Named(
                file=t.file.name,
                channel=t.channel,
                n_channels=t.file.n_channels,
                channel_name=channel_names.get(t.id, ""),
            )
            for t in tracks
        ]
    )
    if n_samples >= LEAST_S * sr and any(g.unclear or g.silent for g in guesses):
        guesses = _listen(tracks, guesses, read, sr, n_samples)
    return kit_order(
        [
            dataclasses.replace(t, role=g.role, drum=g.drum, position=g.position, doubt=g.doubt)
            for t, g in zip(tracks, guesses, strict=True)
        ]
    )


def stretches(sr: int, n_samples: int) -> tuple[tuple[int, int], ...]:
    """Say which parts of a take are listened to.

    Parameters
    ----------
    sr : int
        Hz.
    n_samples : int
        Length of the take.

    Returns
    -------
    parts : tuple of (start, stop)
        Samples; all of a short take, else pieces spread evenly.
    """
    if n_samples <= HEARD_S * sr:
        return ((0, n_samples),)
    length = round(HEARD_S / PIECES * sr)
    step = (n_samples - length) / (PIECES - 1)
    return tuple((round(k * step), round(k * step) + length) for k in range(PIECES))


def _audio(track: Track, read: Read, sr: int, n_samples: int) -> NDArray[np.float32]:
    """Read the stretches one after the other; high rates thinned, since nothing above 16 kHz is looked at."""
    from scipy.signal import resample_poly

    x = np.concatenate([np.asarray(read(track, a, b), np.float32) for a, b in stretches(sr, n_samples)])
    x = np.nan_to_num(x, nan=0.0, posinf=0.0, neginf=0.0)
    thin = _thinning(sr)
    return x if thin == 1 else np.asarray(resample_poly(x, 1, thin), np.float32)


def _thinning(sr: int) -> int:
    return max(sr // 44_100, 1)


def _listen(
    tracks: Sequence[Track], guesses: Sequence[NameGuess], read: Read, sr: int, n_samples: int
) -> tuple[NameGuess, ...]:
    from spillgate.dsp.core.audio.character import alike, characters

    # what is no drum by its name is left unread
    ears = [k for k, g in enumerate(guesses) if g.role != "other" or g.unclear or g.silent]
    audio = {k: _audio(tracks[k], read, sr, n_samples) for k in ears}
    rate = sr // _thinning(sr)
    figures = dict(zip(ears, characters([audio[k] for k in ears], rate), strict=True))
    verdicts = dict(zip(ears, judge([figures[k] for k in ears]), strict=True))
    out = list(guesses)
    by_sound: list[int] = []
    for k in ears:
        out[k], taken = _weigh(guesses[k], verdicts[k])
        if taken:
            by_sound.append(k)
    rattle = {k: float(np.sum(figures[k].shares[6:])) for k in ears}
    lag = {k: figures[k].lag_ms for k in ears}
    _place(out, by_sound, verdicts, rattle, lag)
    _tom_order(out, guesses, verdicts)
    _same_drums(out, guesses, lambda a, b: alike(audio[a], audio[b], rate))
    return tuple(out)


def _spoken(role: str) -> str:
    return SPOKEN.get(role, f"a {role}")


def _weigh(guess: NameGuess, verdict: Verdict) -> tuple[NameGuess, bool]:
    """Lay the sound's verdict beside the name's guess; also whether the sound alone decided the role."""
    nameless = guess.silent or (guess.role == "other" and guess.unclear == "role" and "means nothing" in guess.doubt)
    if nameless:
        return _by_sound(guess, verdict)
    if guess.unclear == "role":
        agree = verdict.role == guess.role or any({verdict.role, guess.role} <= area for area in AREAS)
        if agree and verdict.clear and verdict.struck:
            return dataclasses.replace(guess, doubt="", unclear=""), False
        if verdict.role and not agree and verdict.clear:
            return dataclasses.replace(guess, doubt=f"{guess.doubt}; it sounds like {_spoken(verdict.role)}"), False
        return guess, False
    if not guess.doubt and verdict.role in CONTRADICTS.get(guess.role, ()) and verdict.lead >= BEYOND_DOUBT:
        return dataclasses.replace(guess, doubt=f"it sounds like {_spoken(verdict.role)}"), False
    return guess, False


def _by_sound(guess: NameGuess, verdict: Verdict) -> tuple[NameGuess, bool]:
    if not verdict.role:
        return dataclasses.replace(guess, doubt=f"{guess.doubt}, and nothing is to be heard in it"), False
    if verdict.role == "other" or (not guess.silent and not verdict.clear):
        known = verdict.role == "other" and verdict.clear
        doubt = "" if known and not guess.silent else f"{guess.doubt}; it sounds like {_spoken(verdict.role)}"
        return dataclasses.replace(guess, role="other", drum=None, position=None, doubt=doubt), False
    more = "" if verdict.clear else ", but not clearly"
    more += "" if verdict.struck else "; no stroke of its own stands out"
    doubt = f"{guess.doubt}; it sounds like {_spoken(verdict.role)}{more}"
    return dataclasses.replace(guess, role=verdict.role, drum=None, doubt=doubt), True


def _place(
    out: list[NameGuess],
    by_sound: Sequence[int],
    verdicts: Mapping[int, Verdict],
    rattle: Mapping[int, float],
    lag: Mapping[int, float],
) -> None:
    """Give drum and position to tracks whose role came from the sound alone."""
    for role in ("kick", "snare", "hat"):
        mine = [k for k in by_sound if out[k].role == role]
        for k in mine:
            out[k] = dataclasses.replace(out[k], drum=role, position=None)
        if len(mine) == 2 and role != "hat" and not any(g.role == role for n, g in enumerate(out) if n not in mine):
            # the wires rattle on the bottom; the mic inside hears the stroke first
            first, second = sorted(mine, key=lambda k: ((rattle if role == "snare" else lag)[k], k))
            names = ("top", "bottom") if role == "snare" else ("in", "out")
            for k, name in zip((first, second), names, strict=True):
                out[k] = dataclasses.replace(out[k], position=name)
    toms = sorted((k for k in by_sound if out[k].role == "tom"), key=lambda k: (-verdicts[k].partial_hz, k))
    taken = {g.drum for n, g in enumerate(out) if g.role == "tom" and n not in toms}
    free = (f"tom{n}" for n in range(1, 100) if f"tom{n}" not in taken)
    for k in toms:
        out[k] = dataclasses.replace(out[k], drum=next(free), position=None)
    for role in ("overhead", "room"):
        mine = [k for k in by_sound if out[k].role == role]
        for k, side in zip(mine, ("left", "right"), strict=False):
            if len(mine) == 2 and out[k].position not in ("left", "right"):
                doubt = f"{out[k].doubt}; left or right cannot be told"
                out[k] = dataclasses.replace(out[k], position=side, doubt=doubt)


def _tom_order(out: list[NameGuess], guesses: Sequence[NameGuess], verdicts: Mapping[int, Verdict]) -> None:
    """Confirm an order that the names leave open, if the pitch of the toms falls with it."""
    toms = [k for k, g in enumerate(guesses) if g.role == "tom" and g.unclear == "order" and k in verdicts]
    toms.sort(key=lambda k: guesses[k].drum or "")
    if len(toms) < 2 or not all(verdicts[k].role == "tom" and verdicts[k].struck for k in toms):
        return
    pitch = [verdicts[k].partial_hz for k in toms]
    falls = all(a > b for a, b in pairwise(pitch))
    for k in toms:
        doubt = "" if falls else f"{guesses[k].doubt}; their pitch says otherwise"
        out[k] = dataclasses.replace(out[k], doubt=doubt)


def _same_drums(out: list[NameGuess], guesses: Sequence[NameGuess], alike: Callable[[int, int], float]) -> None:
    """Two mics of one drum are struck together."""
    for role in ("kick", "snare", "hat"):
        pair = [k for k, g in enumerate(guesses) if g.role == role and g.unclear == "same drum"]
        if len(pair) != 2 or alike(*pair) < SAME_DRUM:
            continue
        for k in pair:
            same_name = guesses[pair[0]].position == guesses[pair[1]].position and guesses[k].drum == role
            doubt = guesses[k].doubt if same_name and guesses[pair[0]].drum == guesses[pair[1]].drum else ""
            out[k] = dataclasses.replace(out[k], drum=role, doubt=doubt)
