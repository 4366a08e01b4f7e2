"""Dry one-shots for training, from sample sets that Debian packages; nothing of them is kept in the project.

``avldrums.lv2-soundfont`` (one of its two banks; the other is kept for judging) and ``sonic-pi-samples``.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import soundfile as sf
from numpy.typing import NDArray
from scipy.signal import resample_poly

__all__ = ["load_sample_set"]

Samples = dict[str, list[tuple[float, NDArray[np.float32]]]]

BANK = Path("/usr/share/sounds/sf2/Black_Pearl_4_LV2.sf2")
PACK = Path("/usr/share/sonic-pi/samples")

BANK_LEVELS_DB = (-20.0, -13.0, -8.0, -4.0, 0.0)
"""Levels of the bank's five layers, softest first: a guess by ear, the sounds are normalised."""

BANK_KEYS = {
    "kick": 36, "snare": 38, "hat": 42, "hat_open": 48, "hat_pedal": 44, "crash_l": 49, "crash_r": 57, "ride": 51,
    "splash": 55, "china": 60,
}  # fmt: skip
"""Key of the bank's sounds, the number their names begin with."""

TOM_SEMITONES = {
    "tom1": (45, 2.0), "tom2": (45, -1.0), "tom3": (45, -3.5), "floor": (41, 0.0), "floor2": (41, -3.0),
}  # fmt: skip
"""Toms are two drums of the bank, tuned by playing faster or slower."""

PACK_FILES = {
    "kick": [(0, "drum_heavy_kick"), (-8, "drum_bass_soft"), (0, "drum_bass_hard")],
    "snare": [(0, "drum_snare_hard"), (-10, "drum_snare_soft")],
    "hat": [(0, "drum_cymbal_closed")],
    "hat_open": [(0, "drum_cymbal_open")],
    "hat_pedal": [(0, "drum_cymbal_pedal")],
    "crash_l": [(0, "drum_cymbal_hard"), (-10, "drum_cymbal_soft")],
    "crash_r": [(0, "drum_cymbal_hard"), (-10, "drum_cymbal_soft")],
    "ride": [(0, "drum_cymbal_soft")],
    "splash": [(0, "drum_splash_hard"), (-10, "drum_splash_soft")],
    "china": [(0, "drum_splash_hard")],
    "tom1": [(0, "drum_tom_hi_hard"), (-10, "drum_tom_hi_soft")],
    "tom2": [(0, "drum_tom_mid_hard"), (-10, "drum_tom_mid_soft")],
    "tom3": [(0, "drum_tom_mid_hard"), (-10, "drum_tom_mid_soft")],
    "floor": [(0, "drum_tom_lo_hard"), (-10, "drum_tom_lo_soft")],
    "floor2": [(0, "drum_tom_lo_hard"), (-10, "drum_tom_lo_soft")],
}
PACK_SEMITONES = {"tom3": -3.0, "floor2": -3.0, "crash_r": -2.0}


def load_sample_set(name: str, sr: int) -> Samples:
    """Load one-shots at a rate.

    Parameters
    ----------
    name : {'bank', 'pack'}
    sr : int
        Hz.

    Returns
    -------
    samples : dict of str to list of (level_db, ndarray)
        As `spillgate.dsp.synth.make_take` takes them.
    """
    return _bank(sr) if name == "bank" else _pack(sr)


def _bank(sr: int) -> Samples:
    sounds = _read_bank(BANK)
    found: Samples = {}
    for drum, key in BANK_KEYS.items():
        found[drum] = [(db, _at_rate(x, 44100, sr, 0.0)) for db, x in zip(BANK_LEVELS_DB, sounds[key], strict=False)]
    for drum, (key, semitones) in TOM_SEMITONES.items():
        found[drum] = [
            (db, _at_rate(x, 44100, sr, semitones)) for db, x in zip(BANK_LEVELS_DB, sounds[key], strict=False)
        ]
    return found


def _read_bank(path: Path) -> dict[int, list[NDArray[np.float32]]]:
    """Read the sounds of a SoundFont 2 file by the number their name begins with, in the file's order.

    Chunks ``smpl`` (16-bit samples) and ``shdr`` (46 bytes a sound) as the SoundFont 2.04 specification lays down
    in its section 7.10.
    """
    data = path.read_bytes()
    at = data.index(b"smpl")
    (size,) = struct.unpack("<I", data[at + 4 : at + 8])
    samples = np.frombuffer(data[at + 8 : at + 8 + size], "<i2").astype(np.float32) / 32768.0
    at = data.index(b"shdr", at + 8 + size)
    (size,) = struct.unpack("<I", data[at + 4 : at + 8])
    sounds: dict[int, list[NDArray[np.float32]]] = {}
    for k in range(size // 46):
        row = data[at + 8 + 46 * k : at + 8 + 46 * (k + 1)]
        name = row[:20].split(b"\0")[0].decode("latin-1")
        start, stop = struct.unpack("<II", row[20:28])
        if name[:2].isdigit():
            sounds.setdefault(int(name[:2]), []).append(samples[start:stop])
    return sounds


def _pack(sr: int) -> Samples:
    found: Samples = {}
    for drum, files in PACK_FILES.items():
        found[drum] = []
        for level_db, name in files:
            x, rate = sf.read(PACK / f"{name}.flac", dtype="float32", always_2d=True)
            mono = np.asarray(x.mean(1), np.float32)
            found[drum].append((float(level_db), _at_rate(mono, rate, sr, PACK_SEMITONES.get(drum, 0.0))))
    return found


def _at_rate(x: NDArray[np.float32], rate: int, sr: int, semitones: float) -> NDArray[np.float32]:
    """Resample, and tune by playing faster."""
    played = round(rate * 2 ** (semitones / 12) / 100) * 100
    if played == sr:
        return np.asarray(x, np.float32)
    common = int(np.gcd(sr, played))
    return np.asarray(resample_poly(x, sr // common, played // common), np.float32)
