"""Made takes as files."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from spillgate.dsp.errors import OutputError
from spillgate.dsp.synth.making import MadeTake

__all__ = ["write_take"]

SUFFIX = {"WAV": ".wav", "FLAC": ".flac", "AIFF": ".aiff", "CAF": ".caf", "W64": ".w64", "RF64": ".wav"}


def write_take(made: MadeTake, folder: str | Path, subtype: str = "PCM_24", fmt: str = "WAV") -> None:
    """Write the audio files of a made take, and nothing else.

    Parameters
    ----------
    made : MadeTake
    folder : path
        Made if it is missing.  Each file is written under a temporary name and then renamed.
    subtype, fmt : str
        As ``soundfile`` names them.  Other formats than WAV change the file names' endings.

    Raises
    ------
    OutputError
        If a file exists already or cannot be written.
    """
    import soundfile

    folder = Path(folder)
    names = dict.fromkeys(t.file.name for t in made.take.tracks)
    targets = {n: folder / (n if fmt == "WAV" else Path(n).stem + SUFFIX.get(fmt, f".{fmt.lower()}")) for n in names}
    for target in targets.values():
        if target.exists():
            raise OutputError(f"{target}: exists already; choose another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, target in targets.items():
            tracks = sorted((t for t in made.take.tracks if t.file.name == name), key=lambda t: t.channel)
            x = np.stack([made.audio[t.id] for t in tracks], axis=1)
            part = target.with_name(f".{target.name}.part")
            try:
                data = _integers(x) if subtype in ("PCM_24", "PCM_32") else x
                soundfile.write(part, data, made.take.sr, subtype=subtype, format=fmt)
                os.replace(part, target)
            finally:
                part.unlink(missing_ok=True)
    except (OSError, soundfile.LibsndfileError) as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(f"{folder}: cannot be written ({error}); choose another folder or format") from error


def _integers(x: np.ndarray[tuple[int, int], np.dtype[np.float32]]) -> np.ndarray[tuple[int, int], np.dtype[np.int32]]:
    # The samples are whole steps of 24 bit; as 32-bit integers they pass the library without a second rounding.
    return (
        np.asarray(np.round(x.astype(np.float64) * 2.0**23) * 256.0)
        .astype(np.int64)
        .clip(-(2**31), 2**31 - 1)
        .astype(np.int32)
    )
