"""Made takes as files."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.errors import OutputError, ParameterError
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
    ParameterError
        If there is no such format.
    """
    import soundfile

    if fmt not in SUFFIX or not soundfile.check_format(fmt, subtype):
        raise ParameterError(f"{fmt} with {subtype}: no such format; use one of {', '.join(SUFFIX)} with e.g. PCM_24")
    folder = Path(folder)
    names = dict.fromkeys(t.file.name for t in made.take.tracks)
    targets = {n: folder / (n if fmt == "WAV" else Path(n).stem + SUFFIX[fmt]) for n in names}
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
                data = _integers(x, subtype)
                soundfile.write(part, data, made.take.sr, subtype=subtype, format=fmt)
                os.replace(part, target)
            finally:
                part.unlink(missing_ok=True)
    except (OSError, soundfile.LibsndfileError) as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(f"{folder}: cannot be written ({error}); choose another folder or format") from error


def _integers(x: NDArray[np.float32], subtype: str) -> NDArray[Any]:
    """Round to the integers of a format by ourselves: the library would floor; floats pass untouched."""
    bits = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}.get(subtype)
    if bits is None:
        return x
    top = 2.0 ** (bits - 1)
    whole = np.clip(np.round(x.astype(np.float64) * top), -top, top - 1)
    # The library takes 24-bit samples as the upper bits of 32.
    return whole.astype(np.int16) if bits == 16 else (whole * 2.0 ** (32 - bits)).astype(np.int32)
