"""Kits as parameter sets: what each piece is and where it stands."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from spillgate.dsp.errors import ParameterError, nearest
from spillgate.dsp.synth.cymbals import Cymbal
from spillgate.dsp.synth.membranes import Drum
from spillgate.dsp.synth.room import Point

__all__ = ["KITS", "Kit", "Piece", "jitter_kit", "kit_named", "struck_as"]


SOUNDS = ("open", "pedal", "mallet", "brush", "stick")
"""Further sounds of a drum, behind its name in `Kit.pieces`."""


def struck_as(name: str) -> str:
    """Give the name of the drum of which this is a further sound; empty if it is none."""
    drum, _, sound = name.rpartition("_")
    return drum if sound in SOUNDS else ""


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One drum or cymbal of a kit: what it is and where.

    Attributes
    ----------
    sound : Drum or Cymbal
    place : Point
        Centre of its struck head or bow.
    radius_m : float
    """

    sound: Drum | Cymbal
    place: Point
    radius_m: float


@dataclass(frozen=True, kw_only=True)
class Kit:
    """A kit as a parameter set.

    Attributes
    ----------
    name : str
    pieces : mapping of drum name to Piece
        ``hat_open`` and ``hat_pedal`` are further sounds of ``hat``, ``tom1_mallet`` is one of ``tom1``.
    """

    name: str
    pieces: Mapping[str, Piece]

    @property
    def drums(self) -> tuple[str, ...]:
        """Names of what can be struck."""
        return tuple(d for d in self.pieces if not struck_as(d))

    @property
    def toms(self) -> tuple[str, ...]:
        """Toms from high to low."""
        return tuple(d for d in self.drums if d.startswith(("tom", "floor")))

    @property
    def cymbals(self) -> tuple[str, ...]:
        """Cymbals but the hat."""
        return tuple(d for d in self.drums if isinstance(self.pieces[d].sound, Cymbal) and d != "hat")


def _snare(f0: float, t60: float, wires: float, wires_s: float) -> Drum:
    return Drum(
        f0_hz=f0,
        t60_s=t60,
        t60_01_s=0.6 * t60,
        damping=0.6,
        glide=0.04,
        glide_s=0.02,
        contact_ms=0.7,
        strike_r=0.15,
        click=0.16,
        click_hz=4500.0,
        body=0.4,
        wires=wires,
        wires_s=wires_s,
        source_db=-1.0,
    )


def _kick(f0: float, t60: float, click: float) -> Drum:
    return Drum(
        f0_hz=f0,
        t60_s=t60,
        t60_01_s=0.8 * t60,
        damping=1.2,
        stretch=0.9,
        glide=0.12,
        glide_s=0.03,
        contact_ms=4.5,
        strike_r=0.05,
        strike_spread=0.05,
        click=click,
        click_hz=2800.0,
        body=0.12,
        source_db=-4.0,
        near_db=4.0,
    )


def _tom(f0: float, t60: float, glide: float, click: float, damping: float = 1.2, source_db: float = -1.0) -> Drum:
    return Drum(
        f0_hz=f0,
        t60_s=t60,
        t60_01_s=0.15 * t60,
        damping=damping,
        glide=glide,
        contact_ms=1.1,
        strike_r=0.14,
        click=1.7 * click,
        click_hz=4200.0,
        body=0.2,
        source_db=source_db,
    )


def _hats(size: float, bright: float) -> dict[str, Cymbal]:
    low = 550.0 / size
    return {
        "hat": Cymbal(
            low_hz=low, t60_low_s=0.35, t60_high_s=0.45, bloom_ms=0.5, tilt_db=bright, ping=0.6, source_db=-17
        ),
        "hat_open": Cymbal(low_hz=low, t60_low_s=1.1, t60_high_s=1.3, bloom_ms=2.0, tilt_db=bright, source_db=-10),
        "hat_pedal": Cymbal(
            low_hz=low, t60_low_s=0.10, t60_high_s=0.16, bloom_ms=2.5, tilt_db=bright, ping=0.05, source_db=-21
        ),
    }


def _kit(
    name: str,
    sounds: Mapping[str, Drum | Cymbal],
    places: Mapping[str, tuple[Point, float]],
) -> Kit:
    pieces = {}
    for drum, sound in sounds.items():
        place, radius = places["hat" if drum.startswith("hat") else drum]
        pieces[drum] = Piece(sound=sound, place=place, radius_m=radius)
    return Kit(name=name, pieces=pieces)


def _club() -> Kit:
    """Small jazz kit: high, long-ringing, one rack tom."""
    return _kit(
        "club",
        {
            "kick": _kick(72.0, 0.9, 0.10),
            "snare": _snare(225.0, 0.55, 0.16, 0.07),
            **_hats(1.0, 0.5),
            "tom1": _tom(158.0, 3.2, 0.03, 0.22, 1.1),
            "floor": _tom(108.0, 3.4, 0.03, 0.2, 1.1),
            "ride": Cymbal(
                low_hz=380, t60_low_s=5.5, t60_high_s=1.8, bloom_ms=12, tilt_db=-1.0, ping=1.0, source_db=-13
            ),
            "crash_l": Cymbal(low_hz=420, t60_low_s=3.5, t60_high_s=1.4, bloom_ms=18, tilt_db=-1.8, source_db=-3),
        },
        {
            "kick": ((0.24, 0.62, 0.25), 0.23),
            "snare": ((0.0, 0.0, 0.66), 0.178),
            "hat": ((-0.42, 0.06, 0.9), 0.178),
            "tom1": ((0.08, 0.42, 0.86), 0.152),
            "floor": ((0.6, 0.0, 0.62), 0.178),
            "ride": ((0.62, 0.42, 1.0), 0.254),
            "crash_l": ((-0.35, 0.55, 1.15), 0.216),
        },
    )


def _rock() -> Kit:
    return _kit(
        "rock",
        {
            "kick": _kick(56.0, 0.5, 0.25),
            "snare": _snare(195.0, 0.45, 0.2, 0.09),
            **_hats(1.1, 1.0),
            "tom1": _tom(122.0, 3.6, 0.06, 0.25),
            "tom2": _tom(98.0, 3.6, 0.06, 0.25),
            "floor": _tom(71.0, 3.4, 0.08, 0.25),
            "ride": Cymbal(
                low_hz=420, t60_low_s=5.0, t60_high_s=1.6, bloom_ms=10, tilt_db=0.0, ping=1.2, source_db=-13
            ),
            "crash_l": Cymbal(low_hz=380, t60_low_s=4.5, t60_high_s=1.8, bloom_ms=25, tilt_db=-1.3, source_db=-1),
            "crash_r": Cymbal(low_hz=340, t60_low_s=5.0, t60_high_s=1.9, bloom_ms=30, tilt_db=-1.5, source_db=-1),
            "china": Cymbal(low_hz=450, t60_low_s=1.8, t60_high_s=1.0, bloom_ms=8, tilt_db=-0.5, source_db=0),
        },
        {
            "kick": ((0.26, 0.72, 0.28), 0.28),
            "snare": ((0.0, 0.0, 0.68), 0.178),
            "hat": ((-0.42, 0.1, 0.95), 0.178),
            "tom1": ((0.05, 0.47, 0.9), 0.152),
            "tom2": ((0.42, 0.5, 0.88), 0.165),
            "floor": ((0.7, 0.05, 0.63), 0.203),
            "ride": ((0.76, 0.42, 1.02), 0.267),
            "crash_l": ((-0.42, 0.62, 1.32), 0.216),
            "crash_r": ((0.9, 0.6, 1.35), 0.229),
            "china": ((1.15, 0.2, 1.3), 0.229),
        },
    )


def _ballad() -> Kit:
    """Big low drums that ring, slow cymbals, three rack toms."""
    return _kit(
        "ballad",
        {
            "kick": _kick(48.0, 0.7, 0.15),
            "snare": _snare(165.0, 0.6, 0.14, 0.12),
            **_hats(1.25, 0.0),
            "tom1": _tom(112.0, 4.6, 0.07, 0.2, 1.1),
            "tom2": _tom(90.0, 4.4, 0.07, 0.2, 1.1),
            "tom3": _tom(76.0, 4.2, 0.08, 0.2, 1.1),
            "floor": _tom(60.0, 4.0, 0.09, 0.2, 1.1),
            "ride": Cymbal(
                low_hz=330, t60_low_s=7.0, t60_high_s=2.2, bloom_ms=20, tilt_db=-0.5, ping=0.9, source_db=-12
            ),
            "crash_l": Cymbal(low_hz=300, t60_low_s=6.0, t60_high_s=2.2, bloom_ms=45, tilt_db=-1.8, source_db=-1),
            "crash_r": Cymbal(low_hz=270, t60_low_s=6.5, t60_high_s=2.4, bloom_ms=55, tilt_db=-1.8, source_db=-1),
            "splash": Cymbal(low_hz=600, t60_low_s=1.2, t60_high_s=0.7, bloom_ms=4, tilt_db=-0.8, source_db=-10),
        },
        {
            "kick": ((0.28, 0.78, 0.3), 0.305),
            "snare": ((0.0, 0.0, 0.68), 0.178),
            "hat": ((-0.45, 0.12, 0.93), 0.19),
            "tom1": ((-0.1, 0.5, 0.94), 0.152),
            "tom2": ((0.25, 0.58, 0.92), 0.165),
            "tom3": ((0.58, 0.5, 0.88), 0.178),
            "floor": ((0.76, 0.04, 0.62), 0.229),
            "ride": ((0.95, 0.42, 1.05), 0.28),
            "crash_l": ((-0.52, 0.7, 1.42), 0.241),
            "crash_r": ((1.05, 0.75, 1.45), 0.254),
            "splash": ((0.12, 0.78, 1.3), 0.127),
        },
    )


def _tight() -> Kit:
    """Dry, damped, high-tuned drums; two rack toms and two floor toms."""
    return _kit(
        "tight",
        {
            "kick": _kick(60.0, 0.28, 0.4),
            "snare": _snare(240.0, 0.22, 0.32, 0.06),
            **_hats(0.95, 1.5),
            "tom1": _tom(148.0, 1.8, 0.05, 0.35, 1.5),
            "tom2": _tom(126.0, 1.8, 0.05, 0.35, 1.5),
            "floor": _tom(94.0, 2.0, 0.06, 0.35, 1.5),
            "floor2": _tom(78.0, 2.0, 0.06, 0.35, 1.5),
            "ride": Cymbal(low_hz=480, t60_low_s=3.5, t60_high_s=1.1, bloom_ms=6, tilt_db=0.5, ping=1.6, source_db=-14),
            "crash_l": Cymbal(low_hz=480, t60_low_s=2.6, t60_high_s=1.2, bloom_ms=14, tilt_db=-0.8, source_db=-2),
            "crash_r": Cymbal(low_hz=440, t60_low_s=3.0, t60_high_s=1.3, bloom_ms=16, tilt_db=-0.8, source_db=-2),
        },
        {
            "kick": ((0.22, 0.66, 0.26), 0.254),
            "snare": ((0.0, 0.0, 0.65), 0.165),
            "hat": ((-0.4, 0.04, 0.9), 0.178),
            "tom1": ((0.0, 0.43, 0.85), 0.127),
            "tom2": ((0.33, 0.46, 0.84), 0.152),
            "floor": ((0.6, 0.05, 0.62), 0.178),
            "floor2": ((0.75, -0.3, 0.6), 0.203),
            "ride": ((0.7, 0.45, 0.98), 0.254),
            "crash_l": ((-0.38, 0.55, 1.22), 0.203),
            "crash_r": ((0.85, 0.62, 1.25), 0.203),
        },
    )


KITS: Mapping[str, Kit] = {k.name: k for k in (_club(), _rock(), _ballad(), _tight())}
"""The parameter sets; sizes and tunings are of common practice, no source."""


def _point(v: object) -> Point:
    x, y, z = np.asarray(v, float)
    return float(x), float(y), float(z)


def jitter_kit(kit: Kit, shift_m: float, rng: np.random.Generator) -> Kit:
    """Move every piece but the snare by a random bit, as no two set-ups are the same."""
    pieces: dict[str, Piece] = {}
    for name, piece in kit.pieces.items():
        if struck_as(name):
            place = pieces[struck_as(name)].place
        elif name == "snare":
            place = piece.place
        else:
            place = _point(np.asarray(piece.place) + rng.uniform(-shift_m, shift_m, 3))
        pieces[name] = dataclasses.replace(piece, place=place)
    return Kit(name=kit.name, pieces=pieces)


def kit_named(name: str) -> Kit:
    """Find a kit.

    Parameters
    ----------
    name : str
        Key of `KITS`.

    Returns
    -------
    kit : Kit

    Raises
    ------
    ParameterError
        If there is none of that name.
    """
    if name not in KITS:
        raise ParameterError(f"kit: no kit is called '{name}'; {nearest(name, KITS)}")
    return KITS[name]
