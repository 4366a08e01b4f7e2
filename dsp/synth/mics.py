"""Where the microphones of a made take stand, and what their files are called."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.synth.kits import Kit
from spillgate.dsp.synth.room import Mic, Point

__all__ = ["Layout", "place_mics"]


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Which mics there are and where.

    Attributes
    ----------
    kick : tuple of {'in', 'out'}
    snare : tuple of {'top', 'bottom'}
    hat : bool
    toms : bool
    overheads : {'spaced', 'coincident', 'none'}
    room : bool
        A pair some metres in front.
    stereo : bool
        Overheads, and rooms, as one file of two channels each.
    mismatch_cm : float
        Right minus left overhead distance to the snare.
    height_m : float
        Overheads above the snare.
    close_m : float
        Distance of a tom mic from the middle of the head's near half.
    names : {'plain', 'terse', 'numbered'}
        Habit of naming the files.
    shift_m : float
        Random shift of each mic and drum.
    others : int
        Tracks that are no drums, at most 2.
    triggers : tuple of str
        Drums with a trigger.
    """

    kick: tuple[str, ...] = ("in",)
    snare: tuple[str, ...] = ("top", "bottom")
    hat: bool = True
    toms: bool = True
    overheads: str = "spaced"
    room: bool = True
    stereo: bool = False
    mismatch_cm: float = 0.0
    height_m: float = 1.3
    close_m: float = 0.07
    names: str = "plain"
    shift_m: float = 0.02
    others: int = 0
    triggers: tuple[str, ...] = ()


Vector = NDArray[np.float64]

_KEYS = (
    "kick in", "kick out", "snare top", "snare bottom", "hat", "tom1", "tom2", "tom3", "floor", "floor2",
    "overhead left", "overhead right", "room left", "room right", "overhead", "room", "kick2", "snare2",
)  # fmt: skip
_TERSE_NAMES = (
    "BD", "BDo", "SD", "SDb", "HH", "T1", "T2", "T3", "FT", "FT2",
    "OHL", "OHR", "RML", "RMR", "OH", "RM", "BD2", "SD2",
)  # fmt: skip
_PLAIN_NAMES = (
    "Kick In", "Kick Out", "Snare Top", "Snare Bottom", "Hi-Hat", "Tom 1", "Tom 2", "Tom 3", "Floor Tom", "Floor Tom 2",
    "Overhead L", "Overhead R", "Room L", "Room R", "Overheads", "Room", "Kick 2", "Snare 2",
)  # fmt: skip
_TERSE = dict(zip(_KEYS, _TERSE_NAMES, strict=True))
_PLAIN = dict(zip(_KEYS, _PLAIN_NAMES, strict=True))


def _file_name(key: str, number: int, habit: str) -> str:
    if habit == "terse":
        return f"{_TERSE[key]}.wav"
    if habit == "numbered":
        return f"{number:02d} {_PLAIN[key]}.wav"
    return f"{_PLAIN[key]}.wav"


def _unit(v: Vector) -> Vector:
    return np.asarray(v / np.linalg.norm(v))


def _vector(*xyz: float) -> Vector:
    return np.array(xyz, float)


def _point(v: object) -> Point:
    x, y, z = np.asarray(v, float)
    return float(x), float(y), float(z)


def place_mics(kit: Kit, layout: Layout, rng: np.random.Generator) -> tuple[Mic, ...]:
    """Set up the microphones of a layout round a kit.

    Returns
    -------
    mics : tuple of Mic
        In kit order.
    """
    mics: list[Mic] = []

    def put(key: str, place: Vector, aim: Vector, **more: object) -> None:
        name = _file_name(key, len(mics) + 1, layout.names)
        mics.append(Mic(id=name, file=name, place=_point(place), aim=_point(aim), **more))  # type: ignore[arg-type]

    def near(drum: str, view_from: Vector, height: float, rim: float) -> tuple[Vector, Vector]:
        """Place a mic over the rim of a drum on the side towards `view_from`, looking at its middle."""
        piece = kit.pieces[drum]
        centre = np.asarray(piece.place)
        side = np.asarray(view_from) - centre
        side[2] = 0.0
        foot = centre + _unit(side) * piece.radius_m * rim
        return foot + _vector(0, 0, height) + rng.uniform(-0.01, 0.01, 3), centre + 0.35 * (foot - centre)

    front = _vector(0.25, 2.0, 0.7)
    kick = np.asarray(kit.pieces["kick"].place)
    for position in layout.kick:
        away = 0.09 if position == "in" else 0.48
        place = kick + _vector(0.04, away, -0.03) + rng.uniform(-0.01, 0.01, 3)
        put(f"kick {position}", place, kick, role="kick", drum="kick", position=position)
    if "kick2" in kit.pieces:
        second = np.asarray(kit.pieces["kick2"].place)
        place = second + _vector(0.04, 0.09, -0.03) + rng.uniform(-0.01, 0.01, 3)
        put("kick2", place, second, role="kick", drum="kick2", position=None)
    for position in layout.snare:
        if position == "top":
            place, aim = near("snare", _vector(-0.15, 1.0, 0.7), layout.close_m, 0.95)
        else:
            place, aim = near("snare", _vector(0.2, 1.0, 0.7), -0.2, 0.5)
        view = "near" if position == "top" else "bottom"
        put(f"snare {position}", place, aim, role="snare", drum="snare", position=position, view=view)
    if "snare2" in kit.pieces:
        place, aim = near("snare2", _vector(-1.0, 1.0, 0.7), layout.close_m, 0.95)
        put("snare2", place, aim, role="snare", drum="snare2", position=None)
    if layout.hat and "hat" in kit.pieces:
        place, aim = near("hat", _vector(-1.5, 0.1, 0.9), 0.11, 0.75)
        put("hat", place, aim, role="hat", drum="hat", position=None)
    if layout.toms:
        for drum in kit.toms:
            out = front if drum.startswith("tom") else (_vector(1.6, 1.2, 0.6))
            place, aim = near(drum, out, layout.close_m, 0.95)
            put(drum, place, aim, role="tom", drum=drum, position=None)
    snare = np.asarray(kit.pieces["snare"].place)
    if layout.overheads != "none":
        half = 0.62 if layout.overheads == "spaced" else 0.03
        middle = snare + _vector(0.12, 0.18, 0.0)
        left = middle + _vector(-half, 0.0, layout.height_m) + rng.uniform(-0.04, 0.04, 3)
        right = middle + _vector(half, 0.0, layout.height_m) + rng.uniform(-0.04, 0.04, 3)
        # The right one is moved along its line to the snare until the distances differ as asked.
        wanted = np.linalg.norm(left - snare) + layout.mismatch_cm / 100.0
        right = snare + _unit(right - snare) * wanted
        outwards = 0.0 if layout.overheads == "spaced" else 0.5
        aim_l, aim_r = left + _vector(-outwards, 0.1, -1.0), right + _vector(outwards, 0.1, -1.0)
        for place, aim, position in ((left, aim_l, "left"), (right, aim_r, "right")):
            put(f"overhead {position}", place, aim, role="overhead", drum=None, position=position, group="overhead")
    if layout.room:
        for x, position in ((-1.1, "left"), (1.4, "right")):
            place = (_vector(x, 3.1, 1.5)) + rng.uniform(-0.2, 0.2, 3)
            put(f"room {position}", place, snare, role="room", drum=None, position=position, omni=0.75, group="room")
    return _paired(mics, layout) if layout.stereo else tuple(mics)


def _paired(mics: list[Mic], layout: Layout) -> tuple[Mic, ...]:
    done = []
    for mic in mics:
        if mic.group and mic.position in ("left", "right"):
            number = 1 + next(i for i, m in enumerate(mics) if m.group == mic.group)
            name = _file_name(mic.group, number, layout.names)
            channel = int(mic.position == "right")
            mic = dataclasses.replace(mic, id=f"{name}:{channel}", file=name, channel=channel, n_channels=2)
        done.append(mic)
    return tuple(done)
