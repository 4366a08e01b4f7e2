"""Takes of any length for the speed benchmark: made stretches, one after the other.

A few stretches with different strokes are made by `spillgate.dsp.synth`, then laid end to end in an order, at levels
and with noise drawn from the number of the place, so that no two places hold the same samples.  Twelve tracks: one kick
mic, two at the snare, hat, four toms, two overheads, two rooms; twenty-four: a second mic each, later and duller.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from spillgate.dsp.synth import KITS, Layout, Room, make_take, perform

__all__ = ["SR", "make_folder"]

SR = 48_000
STYLES = ("groove", "fast", "sparse", "groove", "fast", "sparse")
STRETCH_S = 30
SECOND = {
    "Kick In": "Kick Out",
    "Snare Top": "Snare 2 Top",
    "Snare Bottom": "Snare 2 Bottom",
    "Hi-Hat": "Ride",
    "Tom 1": "Tom 1 Bottom",
    "Tom 2": "Tom 2 Bottom",
    "Floor Tom": "Floor Tom Bottom",
    "Floor Tom 2": "Floor Tom 2 Bottom",
    "Overhead L": "Wide Overhead L",
    "Overhead R": "Wide Overhead R",
    "Room L": "Far Room L",
    "Room R": "Far Room R",
}
LATER = 37
"""Samples by which the second mic of a pair is later."""
NOISE = 1e-5
"""Standard deviation of the noise that tells one place from the other: −100 dBFS."""


def stretches(folder: Path) -> list[Path]:
    """Make the stretches unless they are there; float WAV files, one folder per stretch."""
    made = []
    for k, style in enumerate(STYLES):
        made.append(folder / f"{k}-{style}")
        if made[-1].is_dir():
            continue
        kit = KITS["tight"]
        played = perform(style, STRETCH_S, 100 + k, drums=kit.drums)
        room = Room(size_m=(5.2, 6.1, 2.8), origin_m=(2.5, 1.7), rt60_s=0.32)
        take = make_take(kit, room, played, SR, 1, bleed_db=6.0, layout=Layout())
        new = made[-1].with_suffix(".part")
        new.mkdir(parents=True, exist_ok=True)
        for name, x in take.audio.items():
            sf.write(new / name, x, SR, subtype="FLOAT")
        new.rename(made[-1])
    return made


def _places(paths: list[Path], name: str, track: int, n: int, *, second: bool) -> Iterator[NDArray[np.float64]]:
    held = [sf.read(p / name, dtype="float32")[0] for p in paths]
    fade = np.minimum(1.0, np.arange(1, STRETCH_S * SR + 1) / 480)
    fade = np.minimum(fade, fade[::-1])
    place, left = 0, n
    while left > 0:
        drawn = np.random.default_rng((place, 1))
        k, gain_db = int(drawn.integers(len(held))), float(drawn.uniform(-2.0, 0.0))
        x = held[k] * fade * 10 ** (gain_db / 20)
        if second:
            x = np.r_[np.zeros(LATER), 0.5 * (x[:-LATER] + x[1 : 1 - LATER])]
        x = x + NOISE * np.random.default_rng((place, 2, track)).standard_normal(len(x))
        yield x[:left]
        place, left = place + 1, left - len(x)


def make_folder(folder: Path, seconds: float, n_tracks: int = 12, bits: int = 24, made: Path | None = None) -> Path:
    """Write a take of that length into `folder`, unless it is there already.

    Parameters
    ----------
    folder : Path
    seconds : float
    n_tracks : int
        12 or 24.
    bits : int
        16 or 24.
    made : Path, optional
        Where stretches are kept for the next take.

    Returns
    -------
    folder : Path
    """
    if folder.is_dir():
        return folder
    paths = stretches(made or folder.with_name("stretches"))
    new = folder.with_suffix(".part")
    new.mkdir(parents=True, exist_ok=True)
    top = 2.0 ** (bits - 1)
    n = round(seconds * SR)
    names = [(name, name, False) for name in SECOND] + [(name, other, True) for name, other in SECOND.items()]
    for track, (source, name, second) in enumerate(names[:n_tracks]):
        with sf.SoundFile(new / f"{name}.wav", "w", SR, 1, subtype=f"PCM_{bits}", format="WAV") as out:
            for x in _places(paths, f"{source}.wav", track, n, second=second):
                whole: NDArray[Any] = np.clip(np.round(x * top), -top, top - 1).astype(np.int32)
                out.write(whole << (32 - bits))
    new.rename(folder)
    return folder
